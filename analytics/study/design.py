"""Could this register answer the question at all? Detectable difference and power, before looking.

Nothing here sees the outcome beside what is compared. For yield and satisfaction the variance between
patients, within patients and of counting are estimated with the exposure left out, outcomes are drawn anew
on the register's own units, patients and known variances, and each draw goes through the declared model.
Adding a constant effect to one group shifts its estimate by that effect and leaves its error alone, so one
set of draws gives the power at every effect. For all other outcomes the exposures of patients with equally
many units are exchanged, which breaks any tie with the outcome, and the declared model is fitted.

Beside it: the closed form of a two-sample t test with the effective number of rows, the patient as the unit.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import scipy

from analytics.errors import FitError
from analytics.numerics import non_inferiority, proportions
from analytics.numerics import power as closed
from analytics.records import Records
from analytics.results import Curve, line
from analytics.study.effects import arrays, fitted, normal, normals, of_plan, why_short
from analytics.study.outcomes import milestone, of_curve, risk_difference, spans
from analytics.study.plan import BINARY, NO_UNIT_VALUE, NOT_NORMAL, OF_CURVE, Analysis, Plan
from analytics.study.rows import Sample, sample

N_SIMULATIONS = 400
# What an exchange costs decides how many there are; a tempo fit takes seconds.
N_EXCHANGES = {**dict.fromkeys(OF_CURVE, 3), "milestone": 60, **dict.fromkeys(NOT_NORMAL, 100)}
N_ON_CURVE = 41
# A power from so few draws is no percentage: the closed form from their mean error is given instead.
FEWEST_DRAWS = 50


@dataclass(frozen=True, slots=True)
class Draws:
    """Estimates, errors and df of the declared model where there is no effect, one entry a draw.

    `between` and `within` variances without the exposure, the within one with the mean counting variance;
    NaN where outcomes were exchanged, not drawn.
    """

    estimate: np.ndarray
    se: np.ndarray
    df: np.ndarray
    between: float
    within: float
    is_ratio: bool
    how: str

    def power(self, effect: float, alpha: float) -> float:
        """Return the share of draws that find an effect, 0 to 1 (log scale for a ratio)."""
        reach = scipy.stats.t.isf(alpha / 2, self.df) * self.se
        return float((np.abs(self.estimate + effect) > reach).mean())

    def power_at_margin(self, margin: float, tail: float, *, both: bool) -> float:
        """Return the share of draws, without a true difference, that keep within the margin, 0 to 1."""
        reach = scipy.stats.t.isf(tail, self.df) * self.se
        lower = self.estimate - reach > -margin
        return float((lower & (self.estimate + reach < margin)).mean() if both else lower.mean())

    def size(self) -> tuple[float, float]:
        """Return typical error and df: root mean square, and median."""
        return float(np.sqrt((self.se**2).mean())), float(np.median(self.df))


def check(records: Records, plan: Plan, *, n_simulations: int = N_SIMULATIONS) -> Curve:
    """Return what the primary analysis could find with the units that have an outcome today.

    Parameters
    ----------
    n_simulations
        Draws for yield and satisfaction.

    Returns
    -------
    Curve
        Terms: patients and rows by group, effective sample size, detectable difference, power for what
        matters (by simulation and closed form), size of the test, patients needed. `path` is power (percent)
        by effect.

    Raises
    ------
    FitError
        When there are too few units with an outcome.
    """
    analysis = plan.primary
    given = sample(records, plan, analysis)
    seen = _seen(records, plan, analysis, given)
    few = why_short(given, seen)
    if few:
        raise FitError(f"study design check: {few}; wait for more readings")
    drawn = draws(records, plan, analysis, given, n=n_simulations)
    table = pd.DataFrame(_rows(seen, given, plan, analysis, drawn))
    method = (
        f"{drawn.how}; seed {plan.seed}; the outcome was never seen beside what is compared; closed form: "
        "two-sample t test on effective rows"
    )
    used = given.units[["patient_id", "unit_id", "zone", "reason"]]
    checks = {"size_near_alpha": _size_is_near(drawn, plan.alpha)}
    return Curve(
        table, used, method, checks=checks, picture="power", path=_path(drawn, plan, analysis),
        x_name=f"true difference ({analysis.unit})",
    )  # fmt: skip


def _seen(records: Records, plan: Plan, analysis: Analysis, given: Sample) -> pd.DataFrame:
    if analysis.outcome.kind == "milestone":
        units = spans(records, plan, analysis, given)
        return units[units["reason"].eq("")].reset_index(drop=True)
    return given.analysed


def draws(records: Records, plan: Plan, analysis: Analysis, given: Sample, *, n: int) -> Draws:
    """Return the declared model's answers where there is no effect."""
    rng = np.random.default_rng(plan.seed)
    if analysis.outcome.kind in (*NO_UNIT_VALUE, *NOT_NORMAL):
        return _exchanged(records, plan, analysis, given, rng)
    return _simulated(given, plan, rng, n)


def _simulated(given: Sample, plan: Plan, rng: np.random.Generator, n: int) -> Draws:
    seen = given.analysed
    columns = of_plan(seen, given, plan)
    y, variance, patient = arrays(seen)
    known = np.zeros(len(y)) if variance is None else variance
    between, within, mean = _components(y, columns.X[:, 1:], patient, variance)
    total_sd = np.sqrt(within + known)
    drawn = [
        mean
        + np.sqrt(between) * rng.standard_normal(patient.max() + 1)[patient]
        + total_sd * rng.standard_normal(len(y))
        for _ in range(n)
    ]
    how = f"{n} draws of outcomes on the register's own units, each through the declared model"
    found = normals(seen, columns, np.array(drawn))
    return _draws(found, between, within + float(known.mean()), how, is_ratio=False)


def _components(y, X, patient, variance) -> tuple[float, float, np.ndarray]:
    """Return variances between and within patients and the fitted mean, what is compared left out."""
    if len(np.unique(patient)) < len(y):
        fit = fitted(y, X, patient, variance)
        return float(fit.covariances[0][0, 0]), fit.sigma**2, X @ fit.beta
    beta = np.linalg.lstsq(X, y, rcond=None)[0]
    spread = float(((y - X @ beta) ** 2).sum() / max(len(y) - X.shape[1], 1))
    known = 0.0 if variance is None else float(variance.mean())
    return 0.0, max(spread - known, 0.0), X @ beta


def _exchanged(
    records: Records, plan: Plan, analysis: Analysis, given: Sample, rng: np.random.Generator
) -> Draws:
    n = N_EXCHANGES[analysis.outcome.kind]
    found = []
    for _ in range(n):
        mixed = replace(given, units=exchange(given.units, rng))
        if analysis.outcome.kind in OF_CURVE:
            effect, _ = of_curve(records, plan, analysis, mixed)
        elif analysis.outcome.kind == "milestone":
            effect, _ = milestone(records, plan, analysis, mixed)
        else:
            seen = mixed.analysed
            compared = risk_difference if analysis.outcome.kind in BINARY else normal
            effect = compared(seen, of_plan(seen, mixed, plan))
        found.append((effect.estimate, effect.se, effect.df))
    how = f"{n} exchanges of what is compared between patients, each through the declared model"
    return _draws(np.transpose(found), np.nan, np.nan, how, is_ratio=effect.is_ratio)


def exchange(units: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the units with exposures exchanged between patients with equally many units in the study."""
    inside = units["reason"].eq("") | units["is_due"]
    counts = units[inside].groupby("patient_id").size()
    x = units["x"].to_numpy(dtype=float, copy=True)
    place = {patient: np.flatnonzero(inside & units["patient_id"].eq(patient)) for patient in counts.index}
    for _, members in counts.groupby(counts):
        names = list(members.index)
        taken = [x[place[name]].copy() for name in names]
        for name, k in zip(names, rng.permutation(len(names)), strict=True):
            x[place[name]] = taken[k]
    return units.assign(x=x)


def _draws(found: np.ndarray, between: float, within: float, how: str, *, is_ratio: bool) -> Draws:
    kept = found[:, np.isfinite(found[:2]).all(axis=0) & (found[1] > 0)]
    if not kept.size:
        raise FitError(
            "study design check: the declared model cannot be fitted to these units; adjust for fewer"
        )
    estimate, se, df = kept
    return Draws(estimate, se, df, between, within, is_ratio, how)


def _rows(seen: pd.DataFrame, given: Sample, plan: Plan, analysis: Analysis, drawn: Draws) -> list[dict]:
    counts: dict[str, Any] = {"n_patients": int(seen["patient_id"].nunique()), "n_rows": len(seen)}
    rows = _counted(seen, given, drawn)
    se, df = drawn.size()
    found = closed.detectable(se, df, power=plan.power, alpha=plan.alpha)
    if analysis.hypothesis != "difference":
        return rows + _margin_rows(seen, plan, analysis, drawn, counts)
    matters = float(np.log(analysis.matters)) if drawn.is_ratio else analysis.matters
    rows.append(
        line(f"detectable with {100 * plan.power:g} % power", _shown(found, drawn), analysis.unit, **counts)
    )
    rows += _power_rows(seen, given, plan, drawn, matters, counts)
    needed = np.ceil(counts["n_patients"] * (found / matters) ** 2)
    term = f"patients with an outcome needed for {100 * plan.power:g} % power for what matters"
    rows.append(line(term, float(needed), "count", **counts))
    return rows


def _margin_rows(
    seen: pd.DataFrame, plan: Plan, analysis: Analysis, drawn: Draws, counts: dict[str, Any]
) -> list[dict]:
    """Return what a test against the margin can show where there is no true difference, and at the margin."""
    both = analysis.hypothesis == "equivalence"
    margin = float(analysis.margin or np.nan)
    margin = float(np.log(margin)) if drawn.is_ratio else margin
    se, df = drawn.size()
    wanted = (1 + plan.power) / 2 if both else plan.power
    smallest = float(scipy.stats.t.isf(plan.tail, df) + scipy.stats.t.ppf(wanted, df)) * se
    term = f"smallest margin with {100 * plan.power:g} % power"
    rows = [line(term, _shown(smallest, drawn), analysis.unit, **counts)]
    if len(drawn.se) >= FEWEST_DRAWS:
        at_margin = float((drawn.estimate - scipy.stats.t.isf(plan.tail, drawn.df) * drawn.se > 0).mean())
        for name, share in (
            ("power at the margin, no true difference, simulated",
             drawn.power_at_margin(margin, plan.tail, both=both)),
            ("one-sided error where the truth is the margin, simulated", at_margin),
        ):  # fmt: skip
            found = proportions.proportion(round(share * len(drawn.se)), len(drawn.se))
            ends = (100 * float(found.low), 100 * float(found.high))
            rows.append(line(name, 100 * share, "%", ci=ends, level=found.level, **counts))
    needed = np.ceil(counts["n_patients"] * (smallest / margin) ** 2)
    term = f"patients with an outcome needed for {100 * plan.power:g} % power at the margin"
    rows.append(line(term, float(needed), "count", **counts))
    if analysis.outcome.kind in BINARY:
        share = float(seen["y"].mean())
        # A smaller share is better: the same test of the share without.
        share = share if analysis.better == "higher" else 1 - share
        each = non_inferiority.patients(share, share, margin / 100, alpha=plan.tail, power=wanted)
        term = "patients needed in each group by the score formula, one session each"
        rows.append(line(term, float(np.ceil(each)), "count", **counts))
    return rows


def _shown(value: float, drawn: Draws) -> float:
    return float(np.exp(value)) if drawn.is_ratio else value


def _counted(seen: pd.DataFrame, given: Sample, drawn: Draws) -> list[dict]:
    """Return patients, rows and effective rows by group."""
    groups = {"all": np.ones(len(seen), dtype=bool)}
    if not given.exposure.is_number:
        names = (given.exposure.reference_name, given.exposure.compared_name)
        groups |= {name: seen["x"].eq(g).to_numpy() for g, name in enumerate(names)}
    correlation = drawn.between / (drawn.between + drawn.within) if drawn.within > 0 else np.nan
    rows = []
    for name, inside in groups.items():
        sizes = seen[inside].groupby("patient_id").size().to_numpy()
        counts: dict[str, Any] = {"n_patients": len(sizes), "n_rows": int(sizes.sum())}
        rows.append(
            line(
                f"patients with an outcome: {name}",
                float(len(sizes)),
                "patients",
                basis="count",
                numerator=len(sizes),
                **counts,
            )
        )
        if np.isfinite(correlation):
            worth = closed.effective_rows(sizes, correlation)
            rows.append(line(f"effective sample size: {name}", np.round(worth), "count", **counts))
    if np.isfinite(correlation):
        counts = {"n_patients": rows[0]["n_patients"], "n_rows": rows[0]["n_rows"]}
        rows.append(line("correlation of two outcomes of a patient", correlation, "ratio", **counts))
    return rows


def _power_rows(
    seen: pd.DataFrame, given: Sample, plan: Plan, drawn: Draws, matters: float, counts: dict[str, Any]
) -> list[dict]:
    rows = []
    if len(drawn.se) >= FEWEST_DRAWS:
        for term, effect in (
            ("power for what matters, simulated", matters),
            ("size of the test, simulated", 0.0),
        ):
            share = drawn.power(effect, plan.alpha)
            found = proportions.proportion(round(share * len(drawn.se)), len(drawn.se))
            ends = (100 * float(found.low), 100 * float(found.high))
            rows.append(line(term, 100 * share, "%", ci=ends, level=found.level, **counts))
    form = closed_form(seen, given, plan, drawn, matters)
    rows.append(line("power for what matters, closed form", 100 * form, "%", **counts))
    return rows


def closed_form(seen: pd.DataFrame, given: Sample, plan: Plan, drawn: Draws, matters: float) -> float:
    """Return the power by closed form: t test on effective rows, or from the typical error of the draws."""
    if np.isfinite(drawn.within) and not given.exposure.is_number:
        total = drawn.between + drawn.within
        sizes = [seen[seen["x"].eq(g)].groupby("patient_id").size().to_numpy() for g in (0.0, 1.0)]
        n = [closed.effective_rows(s, drawn.between / total) for s in sizes]
        if min(n) >= 2:
            return closed.t_test_power(matters / np.sqrt(total), n[0], alpha=plan.alpha, ratio=n[1] / n[0])
    se, df = drawn.size()
    reach = scipy.stats.t.isf(plan.alpha / 2, df)
    shift = matters / se
    return float(scipy.stats.nct.sf(reach, df, shift) + scipy.stats.nct.cdf(-reach, df, shift))


def closed_power(given: Sample, plan: Plan, analysis: Analysis) -> tuple[float, int]:
    """Return the power for what matters, or at the margin, by closed form (0 to 1), and its patients.

    Variances are estimated with what is compared left out; a share is that of the whole mix.

    Raises
    ------
    FitError
        When there are too few outcomes.
    """
    seen = given.analysed
    if few := why_short(given, seen):
        raise FitError(f"study power: {few}")
    sizes = [seen[seen["x"].eq(g)].groupby("patient_id").size().to_numpy() for g in (0.0, 1.0)]
    size = analysis.matters if analysis.hypothesis == "difference" else float(analysis.margin or np.nan)
    if analysis.outcome.kind in BINARY:
        share, correlation = float(seen["y"].mean()), 0.0
        total, size = share * (1 - share), size / 100
    else:
        columns = of_plan(seen, given, plan)
        y, variance, patient = arrays(seen)
        between, within, _ = _components(y, columns.X[:, 1:], patient, variance)
        within += 0.0 if variance is None else float(variance.mean())
        total, correlation = between + within, between / (between + within)
    n = [closed.effective_rows(s, correlation) for s in sizes]
    if min(n) < 2 or not total > 0:
        raise FitError("study power: outcomes do not vary, or too few rows")
    is_one_sided = analysis.hypothesis != "difference"
    found = closed.t_test_power(
        size / np.sqrt(total), n[0], alpha=plan.tail if is_one_sided else plan.alpha,
        sides=1 if is_one_sided else 2, ratio=n[1] / n[0],
    )  # fmt: skip
    both = 2 * found - 1 if analysis.hypothesis == "equivalence" else found
    return float(max(both, 0.0)), int(seen["patient_id"].nunique())


def _size_is_near(drawn: Draws, alpha: float) -> bool:
    """Whether alpha lies in the interval (99 %) of the simulated size; True where there are too few draws."""
    n = len(drawn.se)
    if n < FEWEST_DRAWS:
        return True
    found = proportions.proportion(round(drawn.power(0.0, alpha) * n), n, level=0.99)
    return bool(found.low <= alpha <= found.high)


def _path(drawn: Draws, plan: Plan, analysis: Analysis) -> pd.DataFrame:
    se, df = drawn.size()
    furthest = 1.8 * closed.detectable(se, df, power=plan.power, alpha=plan.alpha)
    effect = np.linspace(0.0, furthest, N_ON_CURVE)
    if len(drawn.se) >= FEWEST_DRAWS:
        share = np.array([drawn.power(e, plan.alpha) for e in effect])
    else:
        reach = scipy.stats.t.isf(plan.alpha / 2, df)
        share = scipy.stats.nct.sf(reach, df, effect / se) + scipy.stats.nct.cdf(-reach, df, effect / se)
    x = np.exp(effect) if drawn.is_ratio else effect
    return pd.DataFrame({"term": "power", "x": x, "estimate": 100 * share, "unit": "%"})
