"""What a page says of few patients: what their counts carry, and when more can be told."""

from analytics.pages.small.told import (
    INSTEAD, ZONE_WORDS, case_titles, early_in_short, early_in_words, ladder_in_short, map_caption,
    photographs_in_short, rungs_in_short, rungs_table, when_rough, when_told,
)
