"""The one shape in which every question is answered: tables of numbers, what they rest on, what failed."""

from analytics.results.answer import WHY, Curve, Gap, Result, first, only, unanswered, why_not, worded
from analytics.results.lines import (
    BASES, LEAST_FOR_INTERVAL, LEVEL, NO_INTERVAL, OF_ONE, SAYS_NOTHING, TABLE_COLUMNS, WIDEST_SHARE,
    limits, line, of_share,
)
from analytics.results.marks import counted, plain
