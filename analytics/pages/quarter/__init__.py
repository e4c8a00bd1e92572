"""The first screen of the quarterly review: the board of criteria, what is new, actions, decisions."""

from analytics.pages.quarter.agenda import agenda, alarm, answer, decisions_table, lists_table, signals_table
from analytics.pages.quarter.board import audit_sheet, board, harms_table, told_table
from analytics.pages.quarter.panels import asked
from analytics.pages.quarter.short import in_short
from analytics.pages.quarter.unasked import complications_table
