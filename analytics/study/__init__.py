"""A declared question put to the clinic's own records: was it decided before, and what may be said?"""

from analytics.study.answer import CANNOT_TELL
from analytics.study.confounding import ADDED
from analytics.study.effects import CLUSTERED, MIXED, fitted, parts_of
from analytics.study.lint import lint
from analytics.study.lock import Status, freeze, looks, note_look, status
from analytics.study.plan import Plan, beside, checked, digest, in_words, read
from analytics.study.questions import (
    answers,
    balance,
    by_zone,
    confounding,
    design,
    e_values,
    estimand,
    flow,
    flow_labels,
    influence,
    missing,
    leftover,
    model,
    overlap,
    plan_in_full,
    reasons,
    robustness,
    smooth,
    standing,
    table_one,
    tests,
    tipping,
    warnings,
)
from analytics.study.report import HANGS, exposure_in_words, outcome_in_words
from analytics.study.robustness import SAME
from analytics.study.rows import SESSION_OUTCOMES, Reading, of_everyone, sample
from analytics.study.synthetic import synthetic
