"""Which groups reach a milestone earlier, by what factor, and which curve fits them? (`milestones`)

Do groups reach a milestone at different times? Score tests and restricted means of first readings.

The patient is the unit. Score tests (`numerics.scores`) exchange patients within session number; the number
beside each group is by how many more of its placements were early than expected. The restricted mean is the
mean of the months without the milestone up to tau, from the first-reading curve; its error, and that of a
difference between two groups of the same patients, comes from resampling patients.
"""

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd
from scipy.stats import norm

from analytics import yields
from analytics.errors import FitError, ParameterError
from analytics.milestones.first_readings import FEW_PATIENTS, GroupCurve, fit_groups, refuse_empty
from analytics.milestones.intervals import PLANNED_MONTHS, Question, check, placements_of
from analytics.milestones.time_ratios import (
    ALL,
    PLACE_COLUMNS,
    PURE_TEMPO_PERCENT,
    REFERENCE,
    RatioFits,
    aic_rows,
    covariate_design,
    fitted_paths,
    grouped,
    never_rows,
    ratio_rows,
    time_ratio_fits,
)
from analytics.milestones.time_to import first_readings
from analytics.numerics import resample, scores
from analytics.numerics.scores import KINDS as ALL_KINDS
from analytics.numerics.turnbull import summaries
from analytics.records import Records
from analytics.results import LEVEL, Curve, Result

KINDS = ("sun", "wilcoxon")
LATEST_TAU = 18.0
READ_GROUPS = "a test of all groups: read the groups' own rows for size"


def score_rows(
    table: pd.DataFrame,
    group: pd.Series,
    *,
    kinds: tuple[str, ...],
    n_permutations: int,
    seed: int,
    level: float,
) -> list[dict]:
    """Return, for every kind of score, each group against the rest and all groups at once."""
    stratum = table["session_number"].to_numpy()
    left, right = table["left"].to_numpy(dtype=float), table["right"].to_numpy(dtype=float)
    patients = table.groupby(group.to_numpy())["patient_id"]
    rows = []
    for kind in kinds:
        test = scores.permutation_test(
            scores.interval_scores(left, right, kind=kind, stratum=stratum),
            group.to_numpy(),
            patient=table["patient_id"].astype(str).to_numpy(),
            stratum=stratum,
            n_permutations=n_permutations,
            seed=seed,
        )
        excess, se = test.sums - test.expected, np.sqrt(np.diag(test.covariance))
        for k, name in enumerate(test.groups):
            term = f"early placements beyond expectation ({kind})"
            counts = {"n_patients": int(patients.nunique()[name]), "n_rows": int(patients.size()[name])}
            row = _normal(excess[k], se[k], "placements", level)
            rows.append({"group": str(name), "term": term, **row, **counts, "flag": ""})
        rows.append(_overall(test, kind))
    return rows


def _overall(test: scores.ScoreTest, kind: str) -> dict:
    exchanged = test.n_permutations > 0
    return {
        "group": ALL,
        "term": f"any difference ({kind})",
        "unit": "placements",
        "estimate": np.nan,
        "n_patients": test.n_patients,
        "n_rows": test.n_rows,
        "statistic": test.statistic,
        "df": float(test.df),
        "p_value": test.p_monte_carlo if exchanged else test.p_value,
        "flag": READ_GROUPS + (f"; p by {test.n_permutations} exchanges" if exchanged else ""),
    }


def restricted_rows(
    table: pd.DataFrame,
    groups: list[GroupCurve],
    *,
    reference: str,
    tau: float | None,
    n: int,
    seed: int,
    n_jobs: int,
    level: float,
) -> list[dict]:
    """Return the restricted mean of each group, and its difference from the reference.

    Raises
    ------
    ParameterError
        Where tau lies past the last visit of a group.
    """
    seen = min(g.known_to for g in groups)
    tau = min(seen, LATEST_TAU) if tau is None else tau
    if not 0 < tau <= seen:
        raise ParameterError(
            f"milestones.compare(tau): 1 value outside what every group was seen, 0 to {seen:g} months; "
            "the area "
            "needs the curves up to tau; choose an earlier tau"
        )
    statistic = partial(
        _restricted_means, fits=[g.fit for g in groups], rows=[g.rows for g in groups], tau=tau
    )
    codes = table["patient_id"].astype(str).to_numpy()
    drawn = resample.patients(codes, statistic, n=n, seed=seed, n_jobs=n_jobs, together=True)
    names = [str(g.name[0]) for g in groups]
    base, term = names.index(reference), f"restricted mean to month {tau:g}"
    rows = [
        {"group": name, "term": term, **_normal(mean, se, "months", level, against=None), **_counts(group)}
        for name, group, mean, se in zip(names, groups, drawn.estimate, drawn.se(), strict=True)
    ]
    for k, group in enumerate(groups):
        if k != base:
            gap = drawn.estimate[k] - drawn.estimate[base]
            few = min(group.n_patients, groups[base].n_patients) < FEW_PATIENTS
            se = np.nan if few else float(np.nanstd(drawn.draws[:, k] - drawn.draws[:, base], ddof=1))
            row = {"group": f"{names[k]} : {reference}", "term": f"difference in {term}"}
            rows.append({**row, **_normal(gap, se, "months", level), **_counts(group)})
    return rows


def _restricted_means(weights, *, fits, rows, tau) -> np.ndarray:
    found = [summaries(fit, weights[:, index], [], tau=tau) for fit, index in zip(fits, rows, strict=True)]
    return np.column_stack([one.restricted_mean for one in found])


def _normal(estimate: float, se: float, unit: str, level: float, *, against: float | None = 0.0) -> dict:
    """Return a number with normal limits, and its test against a value where there is one."""
    z = norm.isf((1.0 - level) / 2.0)
    row = {
        "unit": unit,
        "estimate": estimate,
        "se": se,
        "ci_low": estimate - z * se,
        "ci_high": estimate + z * se,
    }
    if against is not None and se > 0:
        statistic = (estimate - against) / se
        row |= {"statistic": statistic, "p_value": 2.0 * float(norm.sf(abs(statistic)))}
    return {**row, "level": level}


def _counts(group: GroupCurve) -> dict:
    return {"n_patients": group.n_patients, "n_rows": int(group.rows.size), "flag": group.flag}


STEP_MONTHS = 0.5


@dataclass(frozen=True, slots=True)
class _Asked:
    """Placements, all of them, and those used with intervals at planned and at exact months, grouped."""

    everyone: pd.DataFrame
    planned: pd.DataFrame
    exact: pd.DataFrame
    covariates: np.ndarray | None
    reference: str
    question: Question


def compare(
    records: Records,
    *,
    percent: float = PURE_TEMPO_PERCENT,
    by: str = "zone",
    reference: str | None = None,
    covariates: tuple[str, ...] = (),
    kinds: tuple[str, ...] = KINDS,
    tau: float | None = None,
    n_permutations: int = 0,
    n_resamples: int = 500,
    seed: int = 1,
    n_jobs: int = 1,
    choices: yields.Choices = yields.USUAL,
    planned_months: tuple[float, ...] | None = PLANNED_MONTHS,
    end_at_therapy: bool = False,
    level: float = LEVEL,
) -> Result:
    """Compare groups by when first readings reach a milestone.

    Parameters
    ----------
    percent
        The milestone, percent of planted hairs. At 25 a time ratio is one of tempo; above it, time and
        survival mix and a share that never reaches is fitted beside.
    by
        As in `milestones.time_to`; with `zone`, hairline and frontal together are the front.
    reference
        The group the others are held against; the front, or else the group with most placements.
    covariates
        Columns of patients, or session_number, surgeon_id, team_id, method: adjusted for in the time ratios.
    kinds
        Scores of the tests: `sun`, `finkelstein`, `wilcoxon`.
    tau
        Month up to which restricted means reach; by default the earliest last visit of the groups, 18 at
        most.
    n_permutations
        Exchanges of patients for a Monte Carlo p-value; 0 for the approximation alone.
    n_resamples, seed, n_jobs
        Of the resampling of patients for restricted means.
    choices, planned_months, end_at_therapy, level
        As in `milestones.time_to`.

    Returns
    -------
    Result
        By group: `early placements beyond expectation (...)`, `any difference (...)`, `time ratio (...)` of
        four families, `AIC (...)`, above 25 % `never reaches (...)` with its test against none, `restricted
        mean ...` and `difference in restricted mean ...`. Each difference has its interval first and its
        p-value after.

    Raises
    ------
    ParameterError
        When an option is unknown, fewer than two groups have placements, or one that was asked for is empty.
    """
    question = Question(percent, "first", level, planned_months, end_at_therapy)
    asked = _ask(records, question, by, reference, covariates, choices)
    unknown = [k for k in kinds if k not in ALL_KINDS]
    if unknown:
        raise ParameterError(
            f"milestones.compare(kinds): unknown; use some of {', '.join(ALL_KINDS)}; correct it"
        )
    group = asked.planned["group"]
    rows = score_rows(
        asked.planned, group, kinds=kinds, n_permutations=n_permutations, seed=seed, level=level
    )
    groups = fit_groups(asked.planned, ("group",))
    rows += restricted_rows(
        asked.planned,
        groups,
        reference=asked.reference,
        tau=tau,
        n=n_resamples,
        seed=seed,
        n_jobs=n_jobs,
        level=level,
    )
    found, notes = _ratio_fits(asked)
    checks = {"turnbull_certified": all(g.fit.certified for g in groups)}
    if found is not None:
        rows += ratio_rows(found, level=level) + aic_rows(found)
        if percent > PURE_TEMPO_PERCENT:
            rows += never_rows(asked.exact, asked.exact["group"], found, level=level)
        checks |= {f"{family}_converged": fit.checks["converged"] for family, fit in found.fits.items()}
    few = {str(g.name[0]): g.flag for g in groups if g.flag}
    table = pd.DataFrame(rows).rename(columns={"group": by})
    table["flag"] = [_with_few(flag, name, few) for flag, name in zip(table["flag"], table[by], strict=True)]
    return Result(
        table,
        asked.everyone,
        _method(asked, by, covariates, n_permutations, n_resamples, seed),
        (by,),
        checks,
        notes=(*notes, "AIC takes placements as independent; it ranks shapes and tests nothing."),
    )


def _with_few(flag: str, name: str, few: dict[str, str]) -> str:
    said = "; ".join([flag or "", *(few[part] for part in str(name).split(" : ") if part in few)])
    return "; ".join(dict.fromkeys(part for part in said.split("; ") if part))


def shapes(
    records: Records,
    *,
    percent: float = PURE_TEMPO_PERCENT,
    by: str = "zone",
    reference: str | None = None,
    n_resamples: int = 300,
    seed: int = 1,
    choices: yields.Choices = yields.USUAL,
    planned_months: tuple[float, ...] | None = PLANNED_MONTHS,
    end_at_therapy: bool = False,
    level: float = LEVEL,
) -> Curve:
    """Lay the fitted time-ratio curves of every family over the first readings, so that misfit is seen.

    Parameters
    ----------
    percent, by, reference, n_resamples, seed, choices, planned_months, end_at_therapy, level
        As in `compare`.

    Returns
    -------
    Curve
        `AIC (...)` of every family; `path`: one curve a family and the observed first readings, by group.

    Raises
    ------
    ParameterError
        As `compare`.
    FitError
        Where no family can be fitted.
    """
    question = Question(percent, "first", level, planned_months, end_at_therapy)
    asked = _ask(records, question, by, reference, (), choices)
    found, notes = _ratio_fits(asked)
    if found is None:
        raise FitError(f"milestones.shapes(records): {notes[0]}")
    seen = first_readings(
        asked.planned, ("group",), question, np.array([12.0]), n=n_resamples, seed=seed, n_jobs=1
    )
    last = float(seen["path"]["x"].max())
    fitted = fitted_paths(found, np.arange(STEP_MONTHS, last + 1e-9, STEP_MONTHS))
    named = {"group": by}
    return Curve(
        pd.DataFrame(aic_rows(found)).rename(columns=named),
        asked.everyone,
        _method(asked, by, (), 0, n_resamples, seed),
        (by,),
        seen["checks"],
        "milestones",
        notes,
        {"at_risk": seen["extra"]["at_risk"].rename(columns=named)},
        path=pd.concat([seen["path"], fitted], ignore_index=True).rename(columns=named),
    )


def _ask(records, question: Question, by: str, reference, covariates, choices: yields.Choices) -> _Asked:
    """Return the placements a comparison rests on."""
    check(question)
    allowed = ("zone", *PLACE_COLUMNS)
    if by not in allowed:
        raise ParameterError(
            f"milestones.compare(by): unknown column; use one of {', '.join(allowed)}; correct it"
        )
    rows = yields.by_visit(records, choices=choices)
    planned = placements_of(rows, records, question)
    exact = placements_of(rows, records, replace(question, planned_months=None))
    design, missing = covariate_design(planned, records, covariates)
    planned["reason"] = planned["reason"].where(planned["reason"].ne(""), missing)
    own = planned["reason"].eq("").to_numpy()
    refuse_empty(planned[own], "milestones.compare(records)")
    wanted = reference or (REFERENCE if by == "zone" else str(planned.loc[own, by].mode().iloc[0]))
    group = grouped(planned, by, wanted)
    if group[own].nunique() < 2 or wanted not in set(group[own]):
        raise ParameterError(
            f"milestones.compare(by, reference): {group[own].nunique()} group(s) have a placement with a "
            "baseline and a "
            "later reading, or the reference has none; two are needed and the reference among them; "
            "choose others"
        )
    matrix = design.to_numpy(dtype=float)[own] if len(design.columns) else None
    return _Asked(
        planned,
        planned.assign(group=group)[own].reset_index(drop=True),
        exact.assign(group=group)[own].reset_index(drop=True),
        matrix,
        wanted,
        question,
    )


def _ratio_fits(asked: _Asked) -> tuple[RatioFits | None, tuple[str, ...]]:
    try:
        found = time_ratio_fits(
            asked.exact,
            asked.exact["group"],
            percent=asked.question.percent,
            reference=asked.reference,
            covariates=asked.covariates,
        )
    except (FitError, ParameterError) as error:
        return None, (f"No time ratios: {error}",)
    return found, ()


def _method(asked: _Asked, by: str, covariates, n_permutations: int, n_resamples: int, seed: int) -> str:
    adjusted = f", adjusted for {', '.join(covariates)}" if covariates else ""
    exchange = (
        f", {n_permutations} exchanges" if n_permutations else ", normal approximation of the exchanges"
    )
    return (
        f"{asked.question.percent:g} % of planted hairs, first readings by {by} against {asked.reference}; "
        "score tests "
        f"with patients exchanged within session number{exchange}; time ratios on intervals at exact "
        "months, errors "
        f"clustered in patients (sandwich){adjusted}; restricted means from Turnbull's curve, patients "
        "resampled "
        f"{n_resamples} times (seed {seed}); level {asked.question.level:g}"
    )
