"""How native hair would have changed anyway, had nothing been planted.

Every path is a factor: native density at a reading over native density at the baseline. It is applied to
native hair only, never to planted hair.

 * `none`: the factor is 1.
 * `assumed`: untreated hair is lost at a constant yearly rate, r. The main rate is 4.8 % a year, halfway
   between 3.7 % (Price et al. 2006, J Am Acad Dermatol 55:71, untreated counts over 192 weeks) and 5.9 %
   (Kaufman et al. 2008, Eur J Dermatol 18:407, placebo over five years), which stand beside it as
   sensitivity. A course of medical therapy lifts the level above the untreated path: by 9.8 % of the
   starting level over its first twelve months, then -1.3 % a year (finasteride trials, counts at one and
   five years, from memory, high confidence), linear in therapy time. After stopping, the lift falls to
   nothing within 24 weeks (Price, Menefee & Strauss 1999, J Am Acad Dermatol 41:717). All kinds of medical
   therapy are given the same course: a stated simplification.
 * `control`: the rate seen in unplanted regions: of the same patient, shrunken towards the practice's own
   mean.

Boundary: a course that starts before the register (month 0 or less) counts from its true start; a course
without a stop month is still running.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.errors import FitError
from analytics.numerics import mixed
from analytics.records import Records
from analytics.yields.choices import ANNUAL_LOSS_PCT, Choices

THERAPY_FIRST_YEAR_PCT = 9.8
THERAPY_LATER_PCT_PER_YEAR = -1.3
WASHOUT_MONTHS = 24 * 7 / (365.25 / 12)
# Months of surgery-related shedding of native hair: onset weeks 2 to 8, back by month 9 (practitioner texts,
# low).
SHED_BACK_BY_MONTH = 9.0
MIN_CONTROL_REGIONS = 5


@dataclass(frozen=True, slots=True)
class ControlRate:
    """Yearly log change of native hair from unplanted regions: practice mean, SE, df, one value a patient.

    `by_patient` has patient_id, rate, rate_se (the patient's own part) and leans: how far the patient's rate
    moves with the practice's, 1 without readings of his own, 0 where they alone decide. The practice's error
    is one and the same for everybody who leans on it.
    """

    practice: float
    practice_se: float
    practice_df: float
    spread: float
    by_patient: pd.DataFrame


@dataclass(frozen=True, slots=True)
class Courses:
    """Spells of therapy, (k, 2) start and stop register months; those of patient i from begin[i] on."""

    patients: pd.Index
    begin: np.ndarray
    spells: np.ndarray


@dataclass(frozen=True, slots=True)
class NativePath:
    """Share of native hair still there, (n,), its own SE, and the SE of the practice's rate, one for all."""

    factor: np.ndarray
    own_se: np.ndarray
    shared_se: np.ndarray
    shared_df: float = np.inf


def path(
    rows: pd.DataFrame,
    records: Records,
    span: tuple[np.ndarray, np.ndarray],
    choices: Choices,
) -> NativePath:
    """Return native density at the end of a span of register months over that at its start, with its errors.

    Parameters
    ----------
    rows
        One row per span, with `patient_id`.
    span
        Start and end, register months, (n,) each.
    choices
        What is said there of native hair.
    """
    start, now = span
    nothing = np.zeros(len(rows))
    if choices.native_change == "none":
        return NativePath(nothing + 1.0, nothing, nothing)
    if choices.native_change == "control":
        control = control_rate(records)
        own = rows[["patient_id"]].merge(
            control.by_patient, on="patient_id", how="left", validate="many_to_one"
        )
        rate = own["rate"].fillna(control.practice).to_numpy(dtype=float)
        years = (now - start) / 12
        a_step = np.abs(years) * np.exp(rate * years)
        return NativePath(
            np.exp(rate * years),
            a_step * own["rate_se"].fillna(control.spread).to_numpy(dtype=float),
            a_step * own["leans"].fillna(1.0).to_numpy(dtype=float) * control.practice_se,
            control.practice_df,
        )
    of_row = _of_rows(merged_courses(records.therapies), rows["patient_id"])
    return NativePath(_assumed(start, now, *of_row, choices.annual_loss_pct), nothing, nothing)


def _of_rows(courses: Courses, patients: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Return the spells of the patient of every row, (k, 2), and the row each belongs to, (k,)."""
    who = courses.patients.get_indexer(pd.Index(patients))
    n_of_row = np.where(who >= 0, np.append(np.diff(courses.begin), 0)[who], 0)
    row = np.repeat(np.arange(len(who)), n_of_row)
    nth = np.arange(len(row)) - np.searchsorted(row, row)
    return courses.spells[courses.begin[who[row]] + nth], row


def assumed_factor(
    from_month: np.ndarray,
    to_month: np.ndarray,
    courses: list[np.ndarray],
    *,
    annual_loss_pct: float = ANNUAL_LOSS_PCT,
) -> np.ndarray:
    """Return native density at `to_month` over native density at `from_month`, register months, (n,).

    Parameters
    ----------
    from_month, to_month
        Register months of baseline and reading, (n,).
    courses
        One (k, 2) array a row: start and stop register month of each course of therapy; (0, 2) where
        untreated.
    annual_loss_pct
        Yearly loss of untreated hair in percent, 0 to 60.

    Examples
    --------
    >>> untreated = [np.empty((0, 2))]
    >>> round(float(assumed_factor(np.array([0.0]), np.array([12.0]), untreated, annual_loss_pct=5.0)[0]), 6)
    0.95
    """
    row = np.repeat(np.arange(len(courses)), [len(course) for course in courses])
    spells = np.concatenate([np.empty((0, 2)), *courses])
    return _assumed(from_month, to_month, spells, row, annual_loss_pct)


def _assumed(from_month, to_month, spells: np.ndarray, row: np.ndarray, annual_loss_pct: float) -> np.ndarray:
    untreated = (1 - annual_loss_pct / 100) ** ((to_month - from_month) / 12)
    return untreated * np.exp(
        _log_level(spells, row, to_month, annual_loss_pct)
        - _log_level(spells, row, from_month, annual_loss_pct)
    )


def therapy_lift(courses: np.ndarray, month: float, annual_loss_pct: float = ANNUAL_LOSS_PCT) -> float:
    """Return native level over its untreated path at a register month, after the courses given, (k, 2).

    Examples
    --------
    Twelve months of therapy from month 0, against 5 % yearly loss: 1.098 over 0.95.

    >>> round(therapy_lift(np.array([[0.0, np.inf]]), 12.0, 5.0), 4)
    1.1558
    >>> therapy_lift(np.array([[0.0, 12.0]]), 18.0, 5.0)
    1.0
    """
    at = np.zeros(len(courses), dtype=int)
    return float(np.exp(_log_level(courses, at, np.array([float(month)]), annual_loss_pct)[0]))


def _log_level(spells: np.ndarray, row: np.ndarray, months: np.ndarray, annual_loss_pct: float) -> np.ndarray:
    """Return the log of native level over its untreated path, (n,): the highest that any spell still gives.

    `spells` (k, 2) start and stop, each of the row `row` (k,) says; `months` (n,) one a row.
    """
    month, start, stop = months[row], spells[:, 0], spells[:, 1]
    on = np.maximum(np.minimum(month, stop) - start, 0.0)
    washed = np.maximum(1 - np.maximum(month - stop, 0.0) / WASHOUT_MONTHS, 0.0)
    level = np.zeros(len(months))
    np.maximum.at(level, row, np.where(start < month, _log_lift(on, annual_loss_pct) * washed, 0.0))
    return level


def merged_courses(therapies: pd.DataFrame) -> Courses:
    """Return each patient's courses of therapy, overlapping ones merged; open ones go on for ever."""
    patient, names = pd.factorize(therapies["patient_id"], sort=True)
    start = therapies["start_register_month"].to_numpy(dtype=float)
    order = np.lexsort((start, patient))
    patient, start = patient[order], start[order]
    stop = therapies["stop_register_month"].astype("float64").fillna(np.inf).to_numpy()[order]
    nth = np.arange(len(patient)) - np.searchsorted(patient, patient)
    before = np.full(len(stop), -np.inf)  # the latest stop of the patient's courses so far
    for k in range(1, int(nth.max(initial=0)) + 1):
        at = np.flatnonzero(nth == k)
        before[at] = np.maximum(before[at - 1], stop[at - 1])
    first = np.flatnonzero(start > before)
    spells = np.column_stack([start[first], np.maximum.reduceat(stop, first) if len(first) else stop])
    begin = np.searchsorted(patient[first], np.arange(len(names) + 1))
    return Courses(pd.Index(names), begin, spells)


def control_rate(records: Records) -> ControlRate:
    """Estimate the yearly log change of native hair from unplanted regions.

    A mixed model with a slope a patient.

    Every region has its own level of log density; the slope on years has a practice mean and a patient
    deviation. A patient without a control region gets the practice mean with the between-patient spread as
    part of its standard error.

    Raises
    ------
    FitError
        With fewer than MIN_CONTROL_REGIONS patients with a followed unplanted region.
    """
    rows = _control_rows(records.measurements)
    n_patients = rows["patient_id"].nunique()
    if n_patients < MIN_CONTROL_REGIONS:
        raise FitError(
            f"yields.by_visit(native_change='control'): {n_patients} patient(s) have an unplanted region "
            f"counted twice, {MIN_CONTROL_REGIONS} are needed; use native_change='assumed'"
        )
    codes, labels = pd.factorize(rows["patient_id"])
    regions = pd.factorize(rows["patient_id"] + "|" + rows["region_id"] + "|" + rows["zone"])[0]
    years = rows["years"].to_numpy()
    X = np.column_stack([np.ones(len(rows)), years])
    levels = [(codes, years[:, None]), (regions, np.ones((len(rows), 1)))]
    fit = mixed.fit(rows["log_density"].to_numpy(), X, levels)
    spread = float(np.sqrt(fit.covariances[0][0, 0]))
    rate, rate_se = float(fit.beta[1]), float(fit.beta_se[1])
    own_se = fit.random_se[0][:, 0]
    leans = np.clip(own_se**2 / spread**2, 0.0, 1.0) if spread > 0 else np.ones(len(labels))
    by_patient = pd.DataFrame(
        {"patient_id": labels, "rate": rate + fit.random[0][:, 0], "rate_se": own_se, "leans": leans}
    )
    return ControlRate(rate, rate_se, float(fit.beta_df[1]), spread, by_patient)


def _log_lift(months_on: np.ndarray, annual_loss_pct: float) -> np.ndarray:
    first = np.minimum(months_on, 12.0) / 12 * THERAPY_FIRST_YEAR_PCT / 100
    later = np.maximum(months_on - 12.0, 0.0) / 12 * np.log1p(THERAPY_LATER_PCT_PER_YEAR / 100)
    return np.log1p(first) + later - np.log1p(-annual_loss_pct / 100) * months_on / 12


def _control_rows(measurements: pd.DataFrame) -> pd.DataFrame:
    standard = measurements["standard_conditions"].fillna(True).astype(bool)
    keep = measurements["region_kind"].eq("unplanted") & measurements["zone"].ne("donor") & standard
    rows = measurements[keep & measurements["density_hairs_cm2"].gt(0)].copy()
    region = [rows["patient_id"], rows["session_id"], rows["zone"], rows["region_id"]]
    rows["years"] = rows["month"] / 12
    rows["log_density"] = np.log(rows["density_hairs_cm2"])
    return rows[rows.groupby(region)["month"].transform("nunique").ge(2)].reset_index(drop=True)
