"""Is one group later? Time ratios of milestones, and ratios of tempo with the plateau held apart.

Milestone: first readings at or above so many percent of planted hairs, known to lie between two visits
(`milestones.intervals`); a log-logistic time-ratio model with errors over patients, above 25 % with a share
that never reaches. Beside it Sun's score test, patients exchanged within session number.

Tempo: the emergence model on density (`regrowth`) with the exposure both on the plateau and on log half
month, so that fewer hairs are not taken for later ones; where a zone is compared, the ratio of half months.
Errors are robust over patients; t limits with the patients of the smaller group less one.

Sources: Kalbfleisch & Prentice 2002, chapter 3; Sun 1996, Stat Med 15:1387; Lindstrom & Bates 1990,
Biometrics 46:673-687.
"""

from functools import partial

import numpy as np
import pandas as pd

from analytics import measurement, milestones, regrowth_layout, regrowth_rows
from analytics.errors import FitError, ParameterError
from analytics.numerics import nonlinear_clusters, scores, timeratios
from analytics.records import Records
from analytics.regrowth_layout import HALF, PLATEAU, Layout
from analytics.study_columns import Columns, design, independent
from analytics.study_effects import Effect, too_few, unknown
from analytics.study_plan import THERAPY_START, Analysis, Plan
from analytics.study_rows import Sample

PURE_TEMPO_PERCENT = 25.0
FAMILY = "log-logistic"
CURVE = "log-logistic"


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
    tries.append((made.X[:, :2], None, ("nothing could be held equal",)))
    for X, share, notes in tries:
        try:
            fit = timeratios.fit(left, right, X, family=FAMILY, patient=patient, never_design=share)
        except FitError:
            continue
        if np.isfinite(fit.cov_robust[0, 0]) and fit.cov_robust[0, 0] > 0:
            return fit, notes
    return None, ()


def tempo(records: Records, plan: Plan, given: Sample) -> tuple[Effect, pd.DataFrame]:
    """Return the ratio of half months (log scale), plateau held apart, and the units with reasons."""
    rows, units = _emergence_rows(records, given)
    seen = units[units["reason"].eq("")]
    if few := too_few(seen, is_number=given.exposure.is_number):
        return unknown(few, seen, is_ratio=True), units
    try:
        layout, found, dropped = regrowth_layout.fit_or_simplify(
            partial(_lay_out, rows, plan, given),
            partial(_known_variance, measurement.error_model(records)),
            "REML",
        )
    except FitError:
        why = "the emergence model does not settle on these placements"
        return unknown(why, seen, is_ratio=True), units
    return _ratio_of_half_months(layout, found, dropped, seen, given), units


def _lay_out(rows: regrowth_rows.EmergenceRows, plan: Plan, given: Sample, sharing: int) -> Layout:
    """Return the emergence model with the exposure on plateau and tempo (a zone is there already)."""
    layout = regrowth_layout.lay_out(rows, CURVE, False, None, sharing=sharing)
    if given.exposure.variable != "zone":
        x = rows.frame["x"].to_numpy(dtype=float)
        column = (x - x.mean())[:, None]
        _add(layout, PLATEAU, np.column_stack([column, _held(rows.frame, plan, given)]))
        _add(layout, HALF, column)
    return layout


def _known_variance(error: measurement.CountError, layout: Layout):
    return partial(regrowth_layout.expected_variance, layout.counting, error)


def _emergence_rows(records: Records, given: Sample) -> tuple[regrowth_rows.EmergenceRows, pd.DataFrame]:
    """Return the curve's rows of the placements in the study, and the units with why they are not in it."""
    visits = given.visits
    assert visits is not None
    inside = given.units[given.units["reason"].eq("")].drop_duplicates("placement_id")
    kept = visits[visits["placement_id"].isin(set(inside["placement_id"]))].reset_index(drop=True)
    rows = regrowth_rows.prepare(kept, records)
    columns = ["placement_id", *[c for c in inside.columns if c not in rows.frame.columns]]
    frame = rows.frame.merge(inside[columns], on="placement_id", how="left", validate="many_to_one")
    after = set(frame.loc[~frame["is_baseline"].astype(bool), "placement_id"])
    unread = given.units["reason"].eq("") & ~given.units["placement_id"].isin(after)
    units = given.units.assign(reason=given.units["reason"].mask(unread, "no reading that serves the curve"))
    made = regrowth_rows.EmergenceRows(frame, rows.used, rows.zones, rows.mix, rows.planted_cv)
    return made, units.assign(is_due=units["reason"].eq(""))


def _held(frame: pd.DataFrame, plan: Plan, given: Sample) -> np.ndarray:
    """Return what shifts the plateau beside the exposure: what is held equal, zone being in already."""
    wanted = tuple(v for v in plan.adjusted_for if v not in ("zone", given.exposure.variable))
    return design(frame, wanted).X[:, 2:]


def _add(layout: Layout, parameter: int, columns: np.ndarray) -> None:
    whole = np.hstack([layout.designs[parameter], columns])
    kept = independent(whole)
    layout.designs[parameter] = whole[:, kept]
    added = len(kept) - len(layout.start[parameter])
    layout.start[parameter] = np.append(layout.start[parameter], np.zeros(added))


def _zones(layout: Layout, x: np.ndarray) -> np.ndarray:
    """Return the contrast of log half months: compared zones less reference zones, weighed by readings."""
    means = [layout.designs[HALF][x == g].mean(axis=0) for g in (1.0, 0.0)]
    return means[0] - means[1]


def _ratio_of_half_months(layout: Layout, found, dropped: int, seen: pd.DataFrame, given: Sample) -> Effect:
    n_half = layout.designs[HALF].shape[1]
    weights = np.zeros(len(found.beta))
    x = layout.rows.frame["x"].to_numpy(dtype=float)
    is_zone = given.exposure.variable == "zone"
    weights[found.slices[HALF]] = _zones(layout, x) if is_zone else np.eye(n_half)[-1]
    cov = _robust(layout, found)
    groups = [int(seen.loc[seen["x"].eq(g), "patient_id"].nunique()) for g in (0.0, 1.0)]
    n_patients = int(seen["patient_id"].nunique())
    df = (n_patients if given.exposure.is_number else min(groups)) - 1.0
    notes = () if not dropped else ("spreads of tempo could not all be estimated and are left out",)
    return Effect(
        float(weights @ found.beta), float(np.sqrt(weights @ cov @ weights)), max(df, 1.0), n_patients,
        len(layout.y),
        f"ratio of half months: emergence model on density ({CURVE}), the plateau free to differ, errors "
        "over patients",
        is_ratio=True, checks={"converged": bool(found.converged)}, notes=notes,
    )  # fmt: skip


def _robust(layout, found) -> np.ndarray:
    blocks = [
        (b.codes, z, psi, b.structure)
        for b, z, psi in zip(found.model.blocks, found.working.Z, found.linear.covariances, strict=True)
    ]
    return nonlinear_clusters.errors(
        layout.y - found.working.mean, found.working.X, blocks, found.known_variance + found.sigma**2,
        groups=layout.patient,
    ).robust_cov  # fmt: skip
