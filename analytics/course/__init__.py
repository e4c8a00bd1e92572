"""Where does one case stand, and what may be expected of it?

`case` answers for one patient, `call_back` for the whole practice, `no_growth` where nothing
has grown by month 9, whatever a model says; `front_month` says which
frontal month a crown corresponds to; `false_alarms` and `backtest` say how far the answers can be trusted.
Everything rests on one fit of the emergence model; a case is judged given its readings, without a refit.
"""

from analytics.course.backtest import backtest, past_quarter
from analytics.course.case import MONTHS_AHEAD, against_usual, case
from analytics.course.due import AHEAD_MONTHS, OPEN, OVERDUE, SOON, due, next_visits
from analytics.course.no_growth import no_growth
from analytics.course.own import own_counts
from analytics.course.person import AGE_BAND_YEARS, person
from analytics.course.practice import ERROR_RATE, call_back, false_alarms
from analytics.course.standing import DECIDES_LOW, DECIDES_USUAL, LOW_YIELD_PCT, front_month
