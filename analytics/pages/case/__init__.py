"""One case: what its page asks; in words, where its zones stand, what is due, what is recorded."""

from analytics.pages.case.folds import (
    donor_table, folds_in_short, forecast_table, readings_table, thickness_notes, thickness_table,
)
from analytics.pages.case.panels import asked, next_due
from analytics.pages.case.record import planted, told, who
from analytics.pages.case.verdict import alarm, due_next, in_short, in_words, notes, past_hundred
