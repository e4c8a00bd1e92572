"""What the session planner says and shows of a patient's drafts."""

from analytics.pages.planner.panels import asked
from analytics.pages.planner.screen import head_maps, key_numbers, map_blocks
from analytics.pages.planner.sentences import (
    both_in_words,
    headline,
    in_100,
    in_short,
    likely,
    side_by_side,
    split_in_words,
    table,
)
