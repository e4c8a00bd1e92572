"""Does the practice do what it set out to do, and would it notice if it no longer did? The quarterly review.

Eight panels, each a question answered by one function on the records and the declared criteria. Every panel
sees only what was known at the end of its quarter, so that an old review can be made again.

===================
====================================================================================================
`indicators`         does each criterion meet its standard: met, not met or cannot tell, on the interval
`run_charts`         has an indicator moved by more than chance, and how often would this chart say so by
chance `operators`          does an operator differ from the others, and would it have been seen
`case_by_case`       has something gone wrong lately, and with which cases did it begin `follow_up`
who was due, who came `absent`             how far could those who did not come move the headline
`before_after`       did a declared change do what was hoped `actions`            what was decided, is it
due, did the criterion move since ===================
====================================================================================================

`read` reads the criteria, `read_actions` the action log.
"""

from analytics.review_absent import absent
from analytics.review_actions import actions
from analytics.review_cases import case_by_case
from analytics.review_change import before_after
from analytics.review_charts import run_charts
from analytics.review_declared import read, read_actions
from analytics.review_followup import follow_up
from analytics.review_indicators import indicators
from analytics.review_operators import operators
from analytics.review_periods import label, latest

__all__ = [
    "absent",
    "actions",
    "before_after",
    "case_by_case",
    "follow_up",
    "indicators",
    "label",
    "latest",
    "operators",
    "read",
    "read_actions",
    "run_charts",
]
