"""Outcomes that are no number per unit: times (is one group later?), and yes or no (do risks differ?).

Milestone: first readings at or above so many percent of planted hairs, known to lie between two visits
(`milestones.intervals`); a log-logistic time-ratio model with errors over patients, above 25 % with a share
that never reaches. Beside it Sun's score test, patients exchanged within session number.

Tempo and plateau: the emergence model on density (`regrowth`) with the exposure both on the plateau and on
log half month, so that fewer hairs are not taken for later ones, nor late ones for fewer; where a zone is
compared, the ratio of half months, or the difference of plateaus.
Errors are robust over patients; t limits with the patients of the smaller group less one.

A complication, or a yes of the patient: marginal logistic regression over patients (`numerics.regression`),
standardised to the study's own mix: the
difference of risks in points, with ratio beside. Where a group has no event, or nothing but events, the
odds ratio does not exist: then Newcombe's interval for two shares, one session a patient. Best and worst
case: every unit without an outcome counted against one group, then against the other.

Sources: Kalbfleisch & Prentice 2002, chapter 3; Sun 1996, Stat Med 15:1387; Lindstrom & Bates 1990,
Biometrics 46:673-687; Liang & Zeger 1986, Biometrika 73:13-22; Mancl & DeRouen 2001, Biometrics 57:126-134;
Newcombe 1998, Stat Med 17:873-890; Hollis & Campbell 1999, BMJ 319:670-674 (best and worst case; from
memory).
"""

from functools import partial

import numpy as np
import pandas as pd
import scipy

from analytics import measurement, milestones
from analytics.errors import FitError, ParameterError
from analytics.numerics import diagnostics, proportions, regression, scores, time_ratios
from analytics.numerics.nonlinear import errors
from analytics.records import Records
from analytics.regrowth import (
    HALF,
    PLATEAU,
    USUAL_CURVE,
    EmergenceRows,
    Layout,
    expected_variance,
    fit_or_simplify,
    lay_out,
    prepare,
    prior_precision,
)
from analytics.results import LEVEL
from analytics.study.effects import Columns, Effect, design, too_few, unknown
from analytics.study.plan import THERAPY_START, Analysis, Plan
from analytics.study.rows import Sample

POINTS = 100.0
GEE = (
    "marginal logistic regression, answers of a patient equally correlated, errors enlarged for few patients "
    "(Mancl & DeRouen); risks standardised to the study's own mix"
)
NEWCOMBE = (
    "two shares, one session a patient, Newcombe's interval and Fisher's exact test; unadjusted: a "
    "group has no event"
)
# Two events a column is the least a logistic model can be asked to carry (common practice, no source).
EVENTS_A_COLUMN = 2
NOTHING_HELD = "adjusted for nothing"
PURE_TEMPO_PERCENT = 25.0
FAMILY = "log-logistic"


def risk_difference(units: pd.DataFrame, columns: Columns) -> Effect:
    """Return the difference of risks in points, compared less reference.

    `more` holds the risks in percent, their log ratio with its error, and the correlation of two answers of
    a patient.
    """
    y = units["y"].to_numpy(dtype=float)
    patient = units["patient_id"].to_numpy(dtype=object).astype(str)
    fit, kept, notes = _fit(y, columns, patient)
    if fit is None:
        return _plain(units)
    found = regression.standardised(fit, columns.X[:, kept], 0)
    names = [columns.names[j].partition(": ")[0] for j in kept]
    return Effect(
        POINTS * found.difference, POINTS * found.difference_se, fit.df, fit.n_clusters, len(y), GEE,
        p_value=_p_odds(fit), checks=dict(fit.checks), notes=notes,
        held=tuple(v for v in columns.held if v in names),
        more={
            "risk_compared": POINTS * found.compared, "risk_reference": POINTS * found.reference,
            "log_ratio": found.log_ratio, "log_ratio_se": found.log_ratio_se, "correlation": fit.correlation,
            **_fewest(units),
        },
    )  # fmt: skip


def _fit(y: np.ndarray, columns: Columns, patient: np.ndarray):
    """Return the fit with as much held equal as the events carry, its columns, and what is to be noted."""
    for kept, said in (_carried(columns, y), ([0, 1], (f"{NOTHING_HELD}: too few events",))):
        try:
            return regression.logistic(y, columns.X[:, kept], patient), kept, said
        except FitError:
            continue
    return None, [], ()


def _p_odds(fit: regression.MarginalFit) -> float:
    return float(2 * scipy.stats.t.sf(abs(fit.beta[0]) / np.sqrt(fit.cov[0, 0]), fit.df))


def _carried(columns: Columns, y: np.ndarray) -> tuple[list[int], tuple[str, ...]]:
    """Return the columns the events carry: without those that tell yes from no, or the first two."""
    kept = [0, 1, *(j for j in range(2, columns.X.shape[1]) if not _tells(columns.X[:, j], y))]
    lost = [columns.names[j] for j in range(columns.X.shape[1]) if j not in kept]
    notes = (f"not adjusted for, being without an event: {', '.join(lost)}",) if lost else ()
    rarer = min(y.sum(), len(y) - y.sum())
    if rarer >= EVENTS_A_COLUMN * len(kept) or len(kept) == 2:
        return kept, notes
    return [0, 1], (f"{NOTHING_HELD}: too few events",)


def _tells(column: np.ndarray, y: np.ndarray) -> bool:
    """Whether all units an indicator marks have the same answer."""
    values = np.unique(column)
    if len(values) != 2:
        return False
    return any(np.ptp(y[column == v]) == 0 for v in values)


def _plain(units: pd.DataFrame) -> Effect:
    """Return the difference of two shares, the first session of each patient."""
    if not set(units["x"].unique()) <= {0.0, 1.0}:
        return unknown("no event, or nothing but events, for a number as exposure", units)
    first = units.sort_values("session_id", kind="stable").drop_duplicates("patient_id")
    a, b = first[first["x"].eq(1.0)]["y"], first[first["x"].eq(0.0)]["y"]
    if not len(a) or not len(b):
        return unknown("a group is empty", units)
    found = proportions.difference(a.sum(), len(a), b.sum(), len(b))
    se = POINTS * float(found.high - found.low) / (2 * scipy.stats.norm.ppf(0.5 + LEVEL / 2))
    counts = (float(a.sum()), float(len(a)), float(b.sum()), float(len(b)))
    table = [[counts[0], counts[1] - counts[0]], [counts[2], counts[3] - counts[2]]]
    return Effect(
        POINTS * float(found.estimate), se, np.inf, len(first), len(first), NEWCOMBE,
        p_value=float(scipy.stats.fisher_exact(table).pvalue), counts=counts,
        notes=("no event in a group, or nothing but events",), held=(),
        more={
            "risk_compared": POINTS * float(a.mean()), "risk_reference": POINTS * float(b.mean()),
            **_fewest(first),
        },
    )  # fmt: skip


def _fewest(units: pd.DataFrame) -> dict[str, float]:
    """Return the fewest units of one answer in one group: what a difference of shares may give back."""
    cells = units.groupby(["x", "y"]).size() if units["x"].nunique() <= 2 else pd.Series(dtype=int)
    return {"fewest": float(cells.min())} if len(cells) else {}


def bounds(due: pd.DataFrame, *, level: float = LEVEL) -> pd.DataFrame:
    """Return the difference in points with the unseen counted every way: term, estimate, limits, n.

    Parameters
    ----------
    due
        Units that should have an outcome: patient_id, x (0, 1), y (0, 1, NaN where not known).
    """
    cases = {
        "as seen": (np.nan, np.nan),
        "unseen all no": (0.0, 0.0),
        "unseen all yes": (1.0, 1.0),
        "fewest in the compared group": (0.0, 1.0),
        "most in the compared group": (1.0, 0.0),
    }
    out = []
    for term, (in_compared, in_reference) in cases.items():
        filled = np.where(due["x"].eq(1.0), in_compared, in_reference)
        y = due["y"].where(due["y"].notna(), filled)
        seen = due.assign(y=y)[y.notna()]
        a, b = seen[seen["x"].eq(1.0)]["y"], seen[seen["x"].eq(0.0)]["y"]
        if not len(a) or not len(b):
            continue
        found = proportions.difference(a.sum(), len(a), b.sum(), len(b), level=level)
        out.append(
            {
                "term": term,
                "estimate": POINTS * float(found.estimate),
                "ci_low": POINTS * float(found.low),
                "ci_high": POINTS * float(found.high),
                "n_patients": int(seen["patient_id"].nunique()),
                "n_rows": len(seen),
            }
        )
    return pd.DataFrame(out)


def milestone(records: Records, plan: Plan, analysis: Analysis, given: Sample) -> tuple[Effect, pd.DataFrame]:
    """Return the time ratio of a milestone (log scale) and the units with their intervals and reasons."""
    units = spans(records, plan, analysis, given)
    seen = units[units["reason"].eq("")].reset_index(drop=True)
    is_number = given.exposure.is_number
    if few := too_few(seen, is_number=is_number):
        return unknown(few, seen, is_ratio=True), units
    made = design(seen, tuple(v for v in plan.adjusted_for if v != given.exposure.variable))
    return _time_ratio(seen, made, analysis.outcome.percent, is_number), units


def spans(records: Records, plan: Plan, analysis: Analysis, given: Sample) -> pd.DataFrame:
    """Return the units with the months between which each reached the milestone, or why it is left out."""
    found = milestones.intervals(
        records,
        percent=analysis.outcome.percent,
        end_at_therapy=plan.strategy(THERAPY_START) == "while untreated",
    )
    columns = ["placement_id", "left", "right", "n_readings"]
    units = given.units.merge(
        found[[*columns, "reason"]].rename(columns={"reason": "why"}), on="placement_id", how="left",
        validate="many_to_one",
    )  # fmt: skip
    why = units["why"].fillna("no count of the placement").astype(str)
    units = units.assign(reason=units["reason"].mask(units["reason"].eq("") & why.ne(""), why))
    return units.assign(is_due=units["is_due"] & units["reason"].eq(""))


def _time_ratio(seen: pd.DataFrame, made: Columns, percent: float, is_number: bool) -> Effect:
    left, right = seen["left"].to_numpy(dtype=float), seen["right"].to_numpy(dtype=float)
    patient = seen["patient_id"].astype(str).to_numpy(dtype=object).astype(str)
    never = made.X[:, [1, 0]] if percent > PURE_TEMPO_PERCENT and not is_number else None
    fit, notes = _family_fit(left, right, made, patient, never)
    if fit is None:
        return unknown("the time-ratio model could not be fitted", seen, is_ratio=True)
    se = float(np.sqrt(fit.cov_robust[0, 0]))
    more = {"aic": fit.aic}
    if not is_number:
        stratum = seen["session_number"].to_numpy()
        group = np.where(seen["x"].eq(1.0), "compared", "reference")
        try:
            test = scores.permutation_test(
                scores.interval_scores(left, right, stratum=stratum), group, patient=patient, stratum=stratum
            )
            more |= {"sun_z": float(test.z[0]), "sun_p": float(test.p_value)}
        except ParameterError:
            notes = (*notes, "Sun's test could not be made: no exchange of patients moves a group")
    n_patients = len(np.unique(patient))
    return Effect(
        float(fit.beta[0]), se, float(max(n_patients - 1, 1)), n_patients, len(seen),
        f"{FAMILY} time-ratio model of first readings at or above {percent:g} % of planted hairs, known to "
        "lie between two visits, errors over patients"
        + (", with a share that never reaches" if fit.never_logit.size else ""),
        is_ratio=True, checks=dict(fit.checks), notes=notes, more=more,
    )  # fmt: skip


def _family_fit(left, right, made: Columns, patient, never):
    """Return the fit with what is held equal, or with less where that cannot be fitted, and notes."""
    tries = [(made.X, never, ()), (made.X, None, ("no share that never reaches could be fitted",))]
    tries.append((made.X[:, :2], None, (NOTHING_HELD,)))
    for X, share, notes in tries:
        try:
            fit = time_ratios.fit(left, right, X, family=FAMILY, patient=patient, never_design=share)
        except FitError:
            continue
        if np.isfinite(fit.cov_robust[0, 0]) and fit.cov_robust[0, 0] > 0:
            return fit, notes
    return None, ()


def of_curve(records: Records, plan: Plan, analysis: Analysis, given: Sample) -> tuple[Effect, pd.DataFrame]:
    """Return the ratio of half months (log scale) or the difference of plateaus, and the units with reasons.

    One model for both: tempo and plateau are each free to differ, so that neither is taken for the other.
    """
    is_ratio = analysis.outcome.kind == "tempo"
    rows, units = _emergence_rows(records, given)
    seen = units[units["reason"].eq("")]
    if few := too_few(seen, is_number=given.exposure.is_number):
        return unknown(few, seen, is_ratio=is_ratio), units
    try:
        layout, found, dropped = fit_or_simplify(
            partial(_lay_out, rows, plan, given),
            partial(_known_variance, measurement.error_model(records)),
            "REML",
        )
    except FitError:
        why = "the emergence model does not settle on these placements"
        return unknown(why, seen, is_ratio=is_ratio), units
    return _compared(layout, found, dropped, seen, given, is_ratio=is_ratio), units


def _lay_out(rows: EmergenceRows, plan: Plan, given: Sample, sharing: int) -> Layout:
    """Return the emergence model with the exposure on plateau and tempo (a zone is there already)."""
    layout = lay_out(rows, USUAL_CURVE, False, None, sharing=sharing)
    if given.exposure.variable != "zone":
        x = rows.frame["x"].to_numpy(dtype=float)
        column = (x - x.mean())[:, None]
        _add(layout, PLATEAU, np.column_stack([column, _held(rows.frame, plan, given)]))
        _add(layout, HALF, column)
    return layout


def _known_variance(error: measurement.CountError, layout: Layout):
    return partial(expected_variance, layout.counting, error)


def _emergence_rows(records: Records, given: Sample) -> tuple[EmergenceRows, pd.DataFrame]:
    """Return the curve's rows of the placements in the study, and the units with why they are not in it."""
    visits = given.visits
    assert visits is not None
    inside = given.units[given.units["reason"].eq("")].drop_duplicates("placement_id")
    kept = visits[visits["placement_id"].isin(set(inside["placement_id"]))].reset_index(drop=True)
    rows = prepare(kept, records)
    columns = ["placement_id", *[c for c in inside.columns if c not in rows.frame.columns]]
    frame = rows.frame.merge(inside[columns], on="placement_id", how="left", validate="many_to_one")
    after = set(frame.loc[~frame["is_baseline"].astype(bool), "placement_id"])
    unread = given.units["reason"].eq("") & ~given.units["placement_id"].isin(after)
    units = given.units.assign(reason=given.units["reason"].mask(unread, "no reading that serves the curve"))
    made = EmergenceRows(frame, rows.used, rows.zones, rows.mix, rows.planted_cv)
    return made, units.assign(is_due=units["reason"].eq(""))


def _held(frame: pd.DataFrame, plan: Plan, given: Sample) -> np.ndarray:
    """Return what shifts the plateau beside the exposure: what is held equal, zone being in already."""
    wanted = tuple(v for v in plan.adjusted_for if v not in ("zone", given.exposure.variable))
    return design(frame, wanted).X[:, 2:]


def _add(layout: Layout, parameter: int, columns: np.ndarray) -> None:
    whole = np.hstack([layout.designs[parameter], columns])
    kept = diagnostics.independent(whole)
    layout.designs[parameter] = whole[:, kept]
    added = len(kept) - len(layout.start[parameter])
    layout.start[parameter] = np.append(layout.start[parameter], np.zeros(added))


def _zones(layout: Layout, x: np.ndarray, parameter: int) -> np.ndarray:
    """Return the contrast of a parameter: compared zones less reference zones, weighed by readings."""
    means = [layout.designs[parameter][x == g].mean(axis=0) for g in (1.0, 0.0)]
    return means[0] - means[1]


def _contrast(layout: Layout, given: Sample, parameter: int) -> np.ndarray:
    """Return the weights of a parameter's columns that give the effect of what is compared."""
    if given.exposure.variable == "zone":
        return _zones(layout, layout.rows.frame["x"].to_numpy(dtype=float), parameter)
    # The exposure stands behind a parameter's own columns: zones and case mix, or groups of tempo.
    own = len(layout.rows.zones) + len(layout.rows.mix) if parameter == PLATEAU else None
    return np.eye(layout.designs[parameter].shape[1])[-1 if own is None else own]


def _compared(
    layout: Layout, found, dropped: int, seen: pd.DataFrame, given: Sample, *, is_ratio: bool
) -> Effect:
    parameter = HALF if is_ratio else PLATEAU
    weights = np.zeros(len(found.beta))
    weights[found.slices[parameter]] = _contrast(layout, given, parameter)
    cov = _robust(layout, found)
    more = {} if given.exposure.is_number else _levels(layout, found, weights, cov, parameter)
    groups = [int(seen.loc[seen["x"].eq(g), "patient_id"].nunique()) for g in (0.0, 1.0)]
    n_patients = int(seen["patient_id"].nunique())
    df = (n_patients if given.exposure.is_number else min(groups)) - 1.0
    notes = () if not dropped else ("spreads of tempo could not all be estimated and are left out",)
    what, free = (
        ("ratio of half months", "the plateau") if is_ratio else ("difference of plateaus", "the tempo")
    )
    return Effect(
        float(weights @ found.beta), float(np.sqrt(weights @ cov @ weights)), max(df, 1.0), n_patients,
        len(layout.y),
        f"{what}: emergence model on density ({USUAL_CURVE}), {free} free to differ, errors over patients",
        is_ratio=is_ratio, checks={"converged": bool(found.converged)}, notes=notes, more=more,
    )  # fmt: skip


def _levels(layout: Layout, found, weights: np.ndarray, cov: np.ndarray, parameter: int) -> dict[str, float]:
    """Return a parameter of each group, with its error: that of the mean row, moved by what is compared."""
    x = layout.rows.frame["x"].to_numpy(dtype=float)
    middle = np.zeros(len(weights))
    middle[found.slices[parameter]] = layout.designs[parameter].mean(axis=0)
    made: dict[str, float] = {}
    for name, g in (("reference", 0.0), ("compared", 1.0)):
        at = middle + (g - x.mean()) * weights
        made |= {f"level_{name}": float(at @ found.beta), f"level_{name}_se": float(np.sqrt(at @ cov @ at))}
    return made


def _robust(layout, found) -> np.ndarray:
    blocks = [
        (b.codes, z, psi, b.structure)
        for b, z, psi in zip(found.model.blocks, found.working.Z, found.linear.covariances, strict=True)
    ]
    return errors(
        layout.y - found.working.mean, found.working.X, blocks, found.known_variance + found.sigma**2,
        groups=layout.patient, precision=prior_precision(layout),
    ).robust_cov  # fmt: skip
