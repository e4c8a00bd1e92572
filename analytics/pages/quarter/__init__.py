"""The quarterly review: its questions, the board of criteria, what is new, actions, decisions, its tables."""

from analytics.pages.quarter.agenda import agenda, answer, decisions_table, lists_table, signals_table
from analytics.pages.quarter.board import audit_sheet, board, harms_table, told_table
from analytics.pages.quarter.panels import reviewed
from analytics.pages.quarter.unasked import complications_table
from analytics.pages.review_tables import (
    CASES_NAMED, action_table, also_table, audit_table, carried_table, change_table, chart_table,
    differences_table, follow_up_table, named_cases, signal_table, sources,
)
