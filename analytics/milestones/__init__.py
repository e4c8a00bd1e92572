"""When does a placement reach a milestone, and how many have by month 6, 12, 18?

Two families that answer different questions:

* *q % of planted hairs* (`family="planted"`; 25, 50, 80 are usual): what the patient sees. The headline is
  the model's: the share of placements that have truly reached it by month m, and the median month, marginal
  over patients and placements (emergence model). Beside it, as a description of the readings, Turnbull's
  estimate of the *first reading* at or above, known only to lie in (last visit below, first visit at or
  above], never: (last visit, infinity). The gap between the two is counting error and schedule; `first
  readings expected` shows what readings of hair that follows the model would look like at this register's
  own visits.
* *q % of own plateau* (`family="plateau"`): tempo, from the emergence model alone; its ratio crown : front is
  the tempo ratio.

A second session in the zone, the start of medical therapy (where asked for) and the last visit end the watch.
A placement without a baseline is left out with its reason. `time_to` answers; `intervals` are what it rests
on. The sentence for a patient is made by the pages.

Sources: Turnbull 1976, JRSS B 38(3); Farewell 1982 for shares that never reach (from memory).
"""

from analytics.milestones.intervals import intervals
from analytics.milestones.time_to import FIRST, MEDIAN, SHARE, time_to
