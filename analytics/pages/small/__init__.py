"""What a page says of few patients: what their counts carry, and when more can be told."""

from analytics.pages.small.told import (
    INSTEAD, ZONE_WORDS, early_in_short, early_in_words, ladder_in_short, photographs_in_short,
    rungs_in_short, rungs_table, when_rough, when_told,
)
