"""Does the answer hang on choices that could as well have been made otherwise? Every combination of them.

Native loss (none, 3.7, 4.8, 5.9 % a year, control regions) x photographs (standard; other hair lengths too;
failed ones too) x window (maturity to 3 or 6 months later; month 12 in every zone) x planted density (counted
in the region where it was, only where it was, zone average). Each combination goes through the declared
model. The grid is not a set of tests: it says how far the answer moves.

Also: is the effect the same in every zone, does a number act in a straight line, and what does the model
leave over (`regrowth.tables` says how; beside residuals stand patients' effects over their own scatter)?

Source: Simonsohn, Simmons & Nelson 2020, Nat Hum Behav 4:1208-1214 (specification curve).
"""

from collections.abc import Collection, Mapping
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from analytics import yields
from analytics.errors import AnalyticsError, FitError
from analytics.numerics import diagnostics
from analytics.records import Records
from analytics.regrowth import (
    SETS,
    SIMULATED,
    as_simulated,
    far_off,
    gaps,
    leftover_quantiles,
    natural_basis,
    observed,
)
from analytics.results import Curve, Result, counted, limits, line
from analytics.study.answer import Answer, answer, effect_row, margins, row
from analytics.study.effects import CLUSTERED, MIXED, Effect, arrays, fitted, of_plan, parts_of
from analytics.study.plan import NO_UNIT_VALUE, NOT_NORMAL, Plan, in_words
from analytics.study.readings import Background, Reading, with_told
from analytics.study.rows import background, narrow, reading_of, sample, visit_rows

KNOT_SHARES = (0.05, 0.35, 0.65, 0.95)  # Harrell 2015, Regression Modeling Strategies, table 2.3 (four knots)
N_ON_CURVE = 41
FEWEST = 3
SAME = "same in all zones"
SAID, OTHER_VERDICT = "said", "another verdict"


def by_zone(found: Answer, plan: Plan) -> Result:
    """Return the effect zone by zone and the test that it is the same in all, in one model.

    Zones with fewer than 3 patients in a group have a row without an answer. An interaction needs about
    four times the patients of a main effect: no sign of one is no proof of none.
    """
    units, analysis = found.units, found.analysis
    fits = analysis.outcome.kind not in (*NO_UNIT_VALUE, *NOT_NORMAL) and found.given.has_zone
    if not fits or found.given.exposure.variable == "zone" or not found.effect.is_known:
        return _none(found, "made for numbers measured in zones")
    level = 1 - plan.alpha
    zones, thin = _zones(units, is_number=found.given.exposure.is_number)
    rows: list[dict] = []
    notes: tuple[str, ...] = ()
    if zones:
        rows, notes = _interaction_rows(found, plan, units[units["zone"].isin(zones)], zones, level)
    rows += [line("effect", np.nan, analysis.unit, by={"zone": z}, flag="too few to tell") for z in thin]
    method = (
        "one mixed model with the exposure by zone, patient intercept, known sampling variances, REML; "
        "Satterthwaite df; exploratory"
    )
    return Result(pd.DataFrame(rows), _used(found), method, by=("zone",), notes=notes)


def _used(found: Answer) -> pd.DataFrame:
    return found.given.units[["patient_id", "unit_id", "zone", "reason"]]


def _zones(units: pd.DataFrame, *, is_number: bool) -> tuple[list[str], list[str]]:
    every = sorted(units["zone"].astype(str).unique())
    if is_number:
        counts = units.groupby("zone")["patient_id"].nunique()
        kept = [z for z in every if counts[z] >= 2 * FEWEST]
    else:
        table = units.groupby(["zone", "x"])["patient_id"].nunique().unstack("x").reindex(columns=[0.0, 1.0])
        kept = [z for z in every if (table.loc[z].fillna(0) >= FEWEST).all()]
    return kept, [z for z in every if z not in kept]


def _interaction_rows(
    found: Answer, plan: Plan, units: pd.DataFrame, zones: list[str], level: float
) -> tuple[list[dict], tuple[str, ...]]:
    units = units.reset_index(drop=True)
    columns = of_plan(units, found.given, plan)
    x = units["x"].to_numpy(dtype=float)
    own = np.column_stack([units["zone"].eq(z).to_numpy(dtype=float) for z in zones])
    whole = np.column_stack([own * x[:, None], own, columns.X[:, 1:]])
    X = whole[:, diagnostics.independent(whole)]
    y, variance, patient = arrays(units)
    try:
        fit = fitted(y, X, patient, variance)
    except FitError:
        return [], ("the effect by zone could not be fitted",)
    k = len(zones)
    rows = []
    for j, zone in enumerate(zones):
        inside = units[units["zone"].eq(zone)]
        tested = fit.contrast(np.eye(X.shape[1])[j])
        effect = Effect(
            float(tested.estimate), float(tested.se), float(np.min(tested.df)),
            int(inside["patient_id"].nunique()),
            len(inside), "",
        )  # fmt: skip
        rows.append(effect_row(effect, found.analysis, term="effect", level=level, by={"zone": zone}))
    if k == 1:
        return rows, (f"not tested whether it is the {SAME}: one has enough patients",)
    L = np.zeros((k - 1, X.shape[1]))
    L[:, 0], L[np.arange(k - 1), np.arange(1, k)] = -1.0, 1.0
    joint = fit.contrast(L)
    numerator, denominator = joint.df if isinstance(joint.df, tuple) else (k - 1, joint.df)
    said = f"{SAME}: F {joint.statistic:.2f} on {numerator} and {_df(denominator)} df, p {joint.p_value:.2g}"
    return rows, (said,)


def smooth(found: Answer, plan: Plan) -> Result:
    """Return a number's effect as a smooth course, with the test of a straight line.

    Natural spline with four knots in the declared model; the course is that of the mean unit, against the
    median exposure.
    """
    units, analysis = found.units, found.analysis
    if (
        not found.given.exposure.is_number
        or analysis.outcome.kind in (*NO_UNIT_VALUE, *NOT_NORMAL)
        or not found.effect.is_known
    ):
        return _none(found, "made for a number compared on a number")
    x = units["x"].to_numpy(dtype=float)
    knots = np.unique(np.quantile(x, KNOT_SHARES))
    if len(knots) < 3 or knots[-1] <= 0:
        return _none(found, "too few different values for a course")
    columns = of_plan(units, found.given, plan)
    middle = float(np.median(x))
    basis = natural_basis(x, knots) - natural_basis([middle], knots)
    X = np.column_stack([basis, columns.X[:, 1:]])
    y, variance, patient = arrays(units)
    try:
        fit = fitted(y, X, patient, variance)
    except FitError:
        return _none(found, "the course could not be fitted")
    return _course(found, plan, fit, x, knots, middle, basis.shape[1])


def _df(denominator: float) -> str:
    """Return degrees of freedom in words: a count, or unlimited where the variances are known."""
    return counted(round(denominator)) if np.isfinite(denominator) else "unlimited"


def _course(found: Answer, plan: Plan, fit, x, knots, middle: float, k: int) -> Curve:
    level, analysis = 1 - plan.alpha, found.analysis
    exposure = found.given.exposure
    at = np.linspace(float(np.quantile(x, 0.02)), float(np.quantile(x, 0.98)), N_ON_CURVE)
    rows = natural_basis(at, knots) - natural_basis([middle], knots)
    mean = rows @ fit.beta[:k]
    se = np.sqrt(np.einsum("np,pq,nq->n", rows, fit.beta_cov[:k, :k], rows))
    low, high = limits(mean, se, level=level, df=max(found.effect.df, 1.0))
    path = pd.DataFrame(
        {
            "term": "difference", "x": at * (exposure.per or 1.0), "estimate": mean,
            "ci_low": low, "ci_high": high, "unit": analysis.unit,
        }
    )  # fmt: skip
    bent = fit.contrast(np.eye(len(fit.beta))[1:k])
    any_ = fit.contrast(np.eye(len(fit.beta))[:k])
    counts: dict[str, Any] = {"n_patients": found.effect.n_patients, "n_rows": found.effect.n_rows}
    term = f"per {exposure.per:g} {in_words(exposure.variable)}"
    table = [effect_row(found.effect, analysis, term=term, level=level)]
    for name, test in (("any relation", any_), ("curved, beyond a straight line", bent)):
        table.append(
            line(
                name, float(test.statistic), "F", basis="model", statistic=float(test.statistic),
                df=float(test.df[1]), p_value=test.p_value,
                flag=f"{test.df[0]} and {_df(test.df[1])} df", **counts,
            )
        )  # fmt: skip
    shares = ", ".join(f"{100 * s:g}" for s in KNOT_SHARES)
    method = f"natural spline, knots at the {shares} centiles; {found.effect.method}"
    return Curve(
        pd.DataFrame(table), _used(found), method, checks=dict(fit.checks), picture="curve", path=path,
        x_name=in_words(exposure.variable)
    )  # fmt: skip


def _none(found: Answer, why: str) -> Result:
    none = line("effect", np.nan, found.analysis.unit, by={"zone": "all"}, flag=why)
    return Result(pd.DataFrame([none]), _used(found), "not made for this answer", by=("zone",))


LOW, HIGH = yields.ANNUAL_LOSS_SENSITIVITY_PCT
NATIVE = {
    "none": ("none", yields.ANNUAL_LOSS_PCT),
    f"{LOW:g} % a year": ("assumed", LOW),
    "published and own": ("combined", yields.ANNUAL_LOSS_PCT),
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
    declared = reading_of(plan)
    rows = []
    walked = {
        name: [o for o in all_ if o in (options or {}).get(name, all_)] for name, all_ in CHOICES.items()
    }
    known = narrow(background(records, plan, plan.exposure_of(analysis)), plan)
    # What changes native loss alone comes last: rows and their baselines are then made once.
    for photographs, planted, native in product(
        walked["photographs"], walked["planted density"], walked["native loss"]
    ):
        kind, loss = NATIVE[native]
        choices = yields.Choices(kind, loss, PHOTOGRAPHS[photographs], PLANTED[planted])
        try:
            visits = visit_rows(records, plan, choices, known.error)
        except AnalyticsError:
            continue
        told = with_told(known, visits)
        for window in walked["window"]:
            late, month = WINDOWS[window]
            reading = Reading(choices, late_months=late, month=month)
            named = {
                "native loss": native,
                "photographs": photographs,
                "window": window,
                "planted density": planted,
            }
            rows.append(named | _one(records, plan, reading, (visits, told), is_declared=reading == declared))
    table = pd.DataFrame(rows)
    estimates = table["estimate"].dropna()
    method = (
        f"the declared model under {len(table)} combinations of choices, one interval of level "
        f"{plan.level(analysis):g} each; not a set of tests"
    )
    table, same = _against_declared(table)
    note = (
        f"answers from {estimates.min():.1f} to {estimates.max():.1f} {analysis.unit}; "
        f"{same} of {len(estimates)} say what the declared one says"
    )
    used = sample(records, plan, analysis, known=known).units[["patient_id", "unit_id", "zone", "reason"]]
    return Result(
        table,
        used,
        method,
        by=tuple(CHOICES),
        picture="specification",
        notes=(note,) if len(estimates) else (),
        extra=margins(analysis),
    )


def _one(
    records: Records,
    plan: Plan,
    reading: Reading,
    ready: tuple[pd.DataFrame, Background],
    *,
    is_declared: bool,
) -> dict:
    try:
        found = answer(records, plan, plan.primary, reading=reading, visits=ready[0], known=ready[1])
    except AnalyticsError as error:
        return line("answer", np.nan, plan.primary.unit, flag=str(error).partition(": ")[2])
    made = row(found, term="answer")
    return made | {"flag": "declared" if is_declared else made["flag"], SAID: found.verdict.said}


def _against_declared(table: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """Flag combinations whose verdict is not the declared one's; return also how many say the same."""
    declared = table.loc[table["flag"].eq("declared"), SAID]
    if declared.empty:
        return table.drop(columns=SAID), 0
    differs = table[SAID].notna() & table[SAID].ne(declared.iloc[0])
    says = [f"{OTHER_VERDICT}: {said}" for said in table.loc[differs, SAID]]
    flags = table["flag"].fillna("").astype(object)
    flags[differs] = [f"{s}; {f}" if f else s for s, f in zip(says, flags[differs], strict=True)]
    n_same = int((table[SAID].notna() & ~differs).sum())
    return table.assign(flag=flags).drop(columns=SAID), n_same


def _not_for(plan: Plan) -> Result:
    declared = dict.fromkeys(CHOICES, "declared")
    none = line("answer", np.nan, plan.primary.unit, by=declared, flag="a grid is made for yields")
    return Result(
        pd.DataFrame([none]),
        pd.DataFrame(),
        "no grid for this outcome",
        by=tuple(CHOICES),
        picture="intervals",
    )


def leftover(found: Answer, plan: Plan) -> Result:
    """Return what the declared model leaves over; `path` holds the quantiles."""
    units, analysis = found.units, found.analysis
    used = found.given.units[["patient_id", "unit_id", "zone", "reason"]]
    is_fitted = found.effect.is_known and found.effect.method in (MIXED, CLUSTERED)
    if not is_fitted or analysis.outcome.kind in NOT_NORMAL:
        why = "made for numbers measured once per unit and compared by a model"
        none = line("none", np.nan, analysis.unit, by={"part": "model"}, flag=why)
        return Result(pd.DataFrame([none]), used, "not made for this answer", by=("part",))
    y, variance, patient = arrays(units)
    X = of_plan(units, found.given, plan).X
    fit = fitted(y, X, patient, variance) if found.effect.method == MIXED else None
    parts = parts_of(fit, y, X, variance)
    left = parts.left_over(y, X, patient)
    n = len(left.rows)
    off, gap = far_off(left.p_value), observed(units, y, X @ parts.beta, month="month")
    step = float(np.all(y == np.round(y)))  # whole numbers: marks out of 10
    among = diagnostics.among_simulated(y, parts.simulated(X, patient, SETS), step=step)
    shape, checks = as_simulated(among, n)
    rows = [off, *shape, *gaps(gap, analysis.unit, 1 - plan.alpha)]
    known = left.effect_sd[:, 0] > 0
    shown = {
        "residuals": left.independent,
        "patients": left.effect[known, 0] / left.effect_sd[known, 0],
        "outcomes as simulated": among.residual,
    }
    return Curve(
        pd.DataFrame(rows), used,
        f"{found.effect.method}; observed less expected with errors by patient, coefficients taken as known; "
        f"outcomes among {SIMULATED}",
        checks={"no_patient_further_off_than_chance_allows": off["numerator"] == 0, **checks},
        by=("part",), picture="quantiles",
        path=leftover_quantiles(shown, n), x_name="normal quantile",
    )  # fmt: skip
