"""Where does one case stand, and what may be expected of it?

The one door to the course of a case: `case` (`course.case`), `standings` and `call_back`
(`course.practice`), `front_month` (which frontal month a crown corresponds to), `numerics.run_rules` and
`backtest` (how far the answers can be trusted). Everything rests on one fit of the emergence model; a case
is judged given its readings, without a refit.
"""

from analytics.course.backtest import backtest
from analytics.course.case import case, headline, in_words
from analytics.course.practice import call_back, false_alarms, standings
from analytics.course.standing import front_month
