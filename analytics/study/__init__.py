"""A declared question put to the clinic's own records: was it decided before, and what may be said?"""

from analytics.study.answer import CANNOT_TELL
from analytics.study.lock import Frozen, Status, freeze, looks, note_look, reports_on, status
from analytics.study.plan import Plan, beside, checked, digest, in_words, read
from analytics.study.questions import (
    answers, balance, by_zone, confounding, design, e_values, estimand, flow, flow_labels, methods_paragraph,
    missing, overlap, plan_in_full, reporting_items, robustness, smooth, standing, tests, tipping, warnings,
)
from analytics.study.report import outcome_in_words
from analytics.study.synthetic import synthetic
