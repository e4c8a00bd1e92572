"""Does the practice do what it set out to do, and would it notice if it no longer did? The quarterly review.

Eight panels, each a question answered by one function on the records and the declared criteria. Every panel
sees only what was known at the end of its quarter, so that an old review can be made again.

- `indicators`: does each criterion meet its standard: met, not met or cannot tell, on the interval;
- `run_charts`: has an indicator moved by more than chance, and how often would this chart say so by chance;
- `operators`: does an operator differ from the others, and would it have been seen;
- `case_by_case`: has something gone wrong lately, and with which cases did it begin;
- `follow_up`: who was due, who came;
- `absent`: how far could those who did not come move the headline;
- `asked`: how far could those not asked move a complication;
- `before_after`: did a declared change do what was hoped;
- `actions`: what was decided, is it due, did the criterion move since.

`read` reads the criteria, `read_actions` the action log. A kind of criterion is one class (`review.kinds`).
"""

from analytics.review.actions import actions
from analytics.review.decide.asked import asked
from analytics.review.cases import case_by_case
from analytics.review.change import AT_END, DETECTABLE, STEP, before_after
from analytics.review.charts import run_charts
from analytics.review.criteria import Criteria, read, read_actions, roles, schedule, under_review
from analytics.review.decide.agenda import FELL, LATE, MISSED, NEVER_TOLD, UNKNOWN, WORSE_SIGNAL, agenda
from analytics.review.decide.archive import CLEARED, Remembered, keep, recall
from analytics.review.decide.lists import work_lists
from analytics.review.decide.signals import BETTER, KNOWN, NEW, WORSE
from analytics.review.doubts import check
from analytics.review.kinds.reference import reference
from analytics.review.followup import absent, follow_up
from analytics.review.indicators import GAP, indicators
from analytics.review.measures import CANNOT_TELL, MET, NOT_MET, NO_DATA
from analytics.review.operators import operators
from analytics.review.periods import LAST, THIS, YEAR, label, latest
