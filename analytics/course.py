"""Where does one case stand, and what may be expected of it?

The one door to the course of a case: `case` (`course_case`), `standings` and `call_back`
(`course_practice`), `front_month` (which frontal month a crown corresponds to), `false_alarms` and
`backtest` (how far the answers can be trusted). Everything rests on one fit of the emergence model; a case
is judged given its readings, without a refit.
"""

from analytics.course_backtest import backtest
from analytics.course_bands import front_month
from analytics.course_case import case, headline, in_words
from analytics.course_practice import call_back, false_alarms, standings

__all__ = [
    "backtest",
    "call_back",
    "case",
    "false_alarms",
    "front_month",
    "headline",
    "in_words",
    "standings",
]
