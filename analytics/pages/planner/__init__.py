"""What the session planner says and shows of a patient's drafts."""

from analytics.pages.planner.panels import asked
from analytics.pages.planner.screen import key_numbers, picture
from analytics.pages.planner.sentences import (
    both_in_words,
    headline,
    in_short,
    side_by_side,
    split_in_words,
    table,
)
