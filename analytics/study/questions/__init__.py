"""A declared question put to the clinic's own records: was it decided before, and what may be said?

A plan (`read`, TOML) names population, what is compared, outcomes, what is held equal and why, intercurrent
events, margin, size of the test and seed; `freeze` writes it down before the outcomes are looked at, `status`
says whether it is as frozen, `synthetic` gives a register of the same shape with invented outcomes to finish
the plan on, `design` what could be found at all. Then:

* `answers`: the primary analysis, and what may be said; `tests` every test run, adjusted for their number;
* `balance`, `overlap`, `confounding`, `e_values`: were the groups alike, and does the answer hang on it;
* `missing`, `tipping`: what if those not seen did otherwise;
* `by_zone`, `smooth`: is the effect the same everywhere, is it straight;
* `robustness`: every combination of reasonable choices;
* `flow`, `reasons`, `table_one`: who was in it; `model`, `influence`: what it held, does it hang on one;
* `estimand`, `plan_in_full`: what was declared.

Each takes the records as loaded and the plan of `read` or `checked`, as `answers` shows.
The patient is the independent unit throughout. A result says *cannot tell* where the data do not decide, and
how many patients would do.
"""

from analytics.study.questions.beside import (
    balance, by_zone, confounding, design, e_values, influence, leftover, missing, model, overlap, robustness,
    smooth, tipping,
)
from analytics.study.questions.decided import answers, tests
from analytics.study.questions.declared import (
    COMMAND, estimand, flow, flow_labels, plan_in_full, reasons, standing, table_one, warnings,
)
