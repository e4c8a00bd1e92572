"""A declared question put to the clinic's own records: was it decided before, and what may be said?"""

from analytics.study.lock import Frozen, Status, freeze, reports_on, status, synthetic
from analytics.study.plan import OUTCOMES, Plan, VARIABLES, beside, checked, digest, read
from analytics.study.questions import (
    _said_among, answers, balance, by_zone, confounding, design, e_values, estimand, flow, flow_labels,
    methods_paragraph, missing, overlap, plan_in_full, reporting_items, robustness, sentence, smooth,
    standing, tests, tipping, warning, warnings,
)
