"""Does the answer hang on choices that could as well have been made otherwise? Every combination of them.

Native loss (none, 3.7, 4.8, 5.9 % a year, control regions) x photographs (standard; other hair lengths too;
failed ones too) x window (maturity to 3 or 6 months later; month 12 in every zone) x planted density (counted
in the region where it was, only where it was, zone average). Each combination goes through the declared
model. The grid is not a set of tests: it says how far the answer moves.

Source: Simonsohn, Simmons & Nelson 2020, Nat Hum Behav 4:1208-1214 (specification curve).
"""

from collections.abc import Collection, Mapping
from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd

from analytics import study_rows, yields
from analytics.errors import AnalyticsError
from analytics.records import Records
from analytics.results import Result
from analytics.study_answer import answer, row
from analytics.study_plan import Plan
from analytics.study_rows import Choices

LOW, HIGH = yields.ANNUAL_LOSS_SENSITIVITY_PCT
NATIVE = {
    "none": ("none", yields.ANNUAL_LOSS_PCT),
    f"{LOW:g} % a year": ("assumed", LOW),
    f"{yields.ANNUAL_LOSS_PCT:g} % a year": ("assumed", yields.ANNUAL_LOSS_PCT),
    f"{HIGH:g} % a year": ("assumed", HIGH),
    "control regions": ("control", yields.ANNUAL_LOSS_PCT),
}
PHOTOGRAPHS = {"standard": "standard", "any hair length": "any_length", "failed too": "all"}
WINDOWS: dict[str, tuple[float, float | None]] = {
    "to 6 months late": (6.0, None),
    "to 3 months late": (3.0, None),
    "month 12": (6.0, 12.0),
}
PLANTED = {"best known": "best", "in the region": "region", "zone average": "zone"}
CHOICES: dict[str, Mapping] = {
    "native loss": NATIVE,
    "photographs": PHOTOGRAPHS,
    "window": WINDOWS,
    "planted density": PLANTED,
}


def grid(records: Records, plan: Plan, *, options: Mapping[str, Collection[str]] | None = None) -> Result:
    """Return the primary answer under every combination of choices; the declared one is flagged.

    Parameters
    ----------
    options
        For some of CHOICES the names of the options to walk through; all of the others.

    Returns
    -------
    Result
        By the four choices; `extra["options"]` names them in the order to draw.
    """
    analysis = plan.primary
    if analysis.outcome.kind != "yield_at_maturity":
        return _not_for(plan)
    declared = study_rows.choices_of(plan)
    rows = []
    walked = {
        name: [o for o in all_ if o in (options or {}).get(name, all_)] for name, all_ in CHOICES.items()
    }
    known = study_rows.background(records, plan, plan.exposure_of(analysis))
    for native, photographs, planted in product(
        walked["native loss"], walked["photographs"], walked["planted density"]
    ):
        kind, loss = NATIVE[native]
        choices = Choices(kind, loss, PHOTOGRAPHS[photographs], PLANTED[planted])
        try:
            visits = study_rows.visit_rows(records, plan, choices, known.error)
        except AnalyticsError:
            continue
        for window in walked["window"]:
            late, month = WINDOWS[window]
            chosen = replace(choices, late_months=late, month=month)
            named = {
                "native loss": native,
                "photographs": photographs,
                "window": window,
                "planted density": planted,
            }
            rows.append(named | _one(records, plan, chosen, (visits, known), is_declared=chosen == declared))
    table = pd.DataFrame(rows)
    estimates = table["estimate"].dropna()
    method = (
        f"the declared model under {len(table)} combinations of choices, one interval of level "
        f"{1 - plan.alpha:g} each; not a set of tests"
    )
    n_out = int(((table["ci_low"] > 0) | (table["ci_high"] < 0)).sum())
    note = (
        f"answers from {estimates.min():.1f} to {estimates.max():.1f} {analysis.unit}; "
        f"{n_out} of {len(estimates)} intervals exclude 0"
    )
    used = study_rows.sample(records, plan, analysis, known=known).units[
        ["patient_id", "unit_id", "zone", "reason"]
    ]
    return Result(
        table,
        used,
        method,
        by=tuple(CHOICES),
        picture="specification",
        notes=(note,) if len(estimates) else (),
    )


def _one(
    records: Records,
    plan: Plan,
    choices: Choices,
    ready: tuple[pd.DataFrame, study_rows.Background],
    *,
    is_declared: bool,
) -> dict:
    try:
        found = answer(records, plan, plan.primary, choices=choices, visits=ready[0], known=ready[1])
    except AnalyticsError as error:
        return {
            "term": "answer",
            "estimate": np.nan,
            "unit": plan.primary.unit,
            "flag": str(error).partition(": ")[2],
        }
    made = row(found, term="answer", level=1 - plan.alpha)
    return made | {"flag": "declared" if is_declared else made["flag"]}


def _not_for(plan: Plan) -> Result:
    empty = dict.fromkeys(CHOICES, "declared")
    line = {
        **empty,
        "term": "answer",
        "estimate": np.nan,
        "unit": plan.primary.unit,
        "flag": "a grid is made for yields",
    }
    return Result(
        pd.DataFrame([line]),
        pd.DataFrame(),
        "no grid for this outcome",
        by=tuple(CHOICES),
        picture="intervals",
    )
