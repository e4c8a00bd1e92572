"""One case in words: where its zones stand, what is due, and what is recorded of the patient."""

from analytics.pages.case.folds import (
    donor_table, folds_in_short, forecast_table, readings_table, thickness_notes, thickness_table,
)
from analytics.pages.case.record import planted, told, who
from analytics.pages.case.verdict import alarm, due_next, in_short, in_words, notes, past_hundred
from analytics.pages.due import worth_of_visits
