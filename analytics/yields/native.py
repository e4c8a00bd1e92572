"""How native hair would have changed anyway, had nothing been planted.

Every path is a factor: native density at a reading over native density at the baseline. It is applied to
native hair only, never to planted hair.

 * `none`: the factor is 1.
 * `assumed`: untreated hair is lost at a constant yearly rate, taken as known: 4.8 % a year, halfway
   between 3.7 % (Price et al. 2006, J Am Acad Dermatol 55:71, untreated counts over 192 weeks) and 5.9 %
   (Kaufman et al. 2008, Eur J Dermatol 18:407, placebo over five years), which stand beside it as
   sensitivity. A course of medical therapy lifts the level above the untreated path: by 9.8 % of the
   starting level over its first twelve months, then -1.3 % a year (finasteride trials, counts at one and
   five years, from memory, high confidence), linear in therapy time. After stopping, the lift falls to
   nothing within 24 weeks (Price, Menefee & Strauss 1999, J Am Acad Dermatol 41:717). All kinds of medical
   therapy are given the same course: a stated simplification.
 * `combined` (the usual choice): the same path at a rate that is not taken as known. Beforehand the clinic's
   rate is normal about 4.8 with an SD of 1.6 % a year, the SD of the two published rates (neither gives a
   standard error; how far clinics differ is not published). Where unplanted regions of MIN_CONTROL_REGIONS
   patients or more were counted twice, the rate that they show, therapy allowed for, joins it by
   precision. What error is left is one and the same for every reading of the clinic.
 * `control`: the rate seen in unplanted regions: of the same patient, shrunken towards the practice's own
   mean.

Boundary: a course that starts before the register (month 0 or less) counts from its true start; a course
without a stop month is still running.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy

from analytics.errors import FitError
from analytics.numerics import mixed
from analytics.records import Records, numbered, once
from analytics.results import counted
from analytics.yields.choices import ANNUAL_LOSS_PCT, ANNUAL_LOSS_SD_PCT, Choices

THERAPY_FIRST_YEAR_PCT = 9.8
THERAPY_LATER_PCT_PER_YEAR = -1.3
WASHOUT_MONTHS = 24 * 7 / (365.25 / 12)
MIN_CONTROL_REGIONS = 5
LEAST_LIFT = 0.02  # of log density between counts, for a region to say anything of therapy; a choice of ours
LEAST_UNTREATED_YEARS = 0.25  # of a patient's control region, for it to say anything of untreated loss


@dataclass(frozen=True, slots=True)
class ControlRate:
    """Yearly log change of native hair from unplanted regions: practice mean, SE, df, one value per patient.

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
    """Share of native hair still there, (n,), its own SE, and the SE of the practice's rate, one for all.

    `untreated`, (n,), is that share without therapy; what unplanted regions show is not parted.
    """

    factor: np.ndarray
    own_se: np.ndarray
    shared_se: np.ndarray
    untreated: np.ndarray
    shared_df: float = np.inf


@dataclass(frozen=True, slots=True)
class UntreatedRate:
    """Yearly loss of untreated native hair, percent, with the standard error of its log change.

    `n_patients` whose unplanted regions have a part in it; 0: published alone, or a choice.
    """

    loss_pct: float
    log_se: float = 0.0
    n_patients: int = 0

    @property
    def published_share(self) -> float:
        """Return the share of the rate that rests on the published ones and not on unplanted regions."""
        prior = ANNUAL_LOSS_SD_PCT / (100 - ANNUAL_LOSS_PCT)
        return (self.log_se / prior) ** 2 if self.n_patients else float(self.loss_pct > 0)

    @property
    def loss_se_pct(self) -> float:
        """Return the standard error in percent a year."""
        return self.log_se * (100 - self.loss_pct)

    @property
    def in_words(self) -> str:
        """Return the rate, its error and where it comes from."""
        said = f"native loss {self.loss_pct:.1f} % a year"
        if not self.log_se:
            return said
        said += f" (standard error {self.loss_se_pct:.1f}; published"
        if self.n_patients:
            said += f", joined with unplanted regions of {counted(self.n_patients)} patients"
        return f"{said})"


def path(
    rows: pd.DataFrame,
    records: Records,
    span: tuple[np.ndarray, np.ndarray],
    choices: Choices,
    rate: UntreatedRate,
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
    rate
        `untreated_rate` of the records under these choices.
    """
    start, now = span
    nothing = np.zeros(len(rows))
    if choices.native_change == "none":
        return NativePath(nothing + 1.0, nothing, nothing, nothing + 1.0)
    if choices.native_change == "control":
        control = once(records, "control rate", (), lambda: control_rate(records))
        return _of_control_regions(rows, control, (now - start) / 12)
    spells, row = _of_rows(merged_courses(records.therapies), rows["patient_id"])
    factor = assumed_factor(start, now, spells, row, annual_loss_pct=rate.loss_pct)
    by_rate = factor * _untreated_years(start, now, spells, row, rate.loss_pct)
    untreated = (1 - rate.loss_pct / 100) ** ((now - start) / 12)
    return NativePath(factor, nothing, by_rate * rate.log_se, untreated)


def untreated_rate(records: Records, choices: Choices) -> UntreatedRate:
    """Return the rate at which untreated hair is taken to be lost, for `none`, `assumed` and `combined`."""
    if choices.native_change == "none":
        return UntreatedRate(0.0)
    if choices.native_change != "combined":
        return UntreatedRate(choices.annual_loss_pct)
    published, sd = np.log1p(-ANNUAL_LOSS_PCT / 100), ANNUAL_LOSS_SD_PCT / (100 - ANNUAL_LOSS_PCT)
    apart, se, n_patients = _seen_in_controls(records)
    share = sd**2 / (sd**2 + se**2) if n_patients else 0.0
    return UntreatedRate(
        float(-100 * np.expm1(published + share * apart)), float(sd * np.sqrt(1 - share)), n_patients
    )


def _seen_in_controls(records: Records) -> tuple[float, float, int]:
    """Return how far the log rate of unplanted regions lies from the published one, its SE and the patients.

    Log density less the path at the published rate, on the years that count as untreated, by a mixed model:
    a level of each region, a slope with a practice mean and a deviation of each patient.
    """
    rows = _control_rows(records.measurements)
    if rows["patient_id"].nunique() < MIN_CONTROL_REGIONS:
        return 0.0, np.inf, 0
    since = rows["session_id"].map(records.sessions.set_index("session_id")["register_month"])
    now = (since + rows["month"]).to_numpy(dtype=float)
    (regions,) = numbered(["patient_id", "region_id", "zone"], rows)
    start = pd.Series(now).groupby(regions).transform("min").to_numpy()
    spells, row = _of_rows(merged_courses(records.therapies), rows["patient_id"])
    expected = np.log(assumed_factor(start, now, spells, row))
    years = _untreated_years(start, now, spells, row, ANNUAL_LOSS_PCT)
    longest = pd.Series(years).groupby(rows["patient_id"].to_numpy()).transform("max").to_numpy()
    told = longest >= LEAST_UNTREATED_YEARS
    codes, labels = pd.factorize(rows["patient_id"][told])
    if len(labels) < MIN_CONTROL_REGIONS:
        return 0.0, np.inf, 0
    apart = (rows["log_density"].to_numpy() - expected)[told]
    X = np.column_stack([np.ones(told.sum()), years[told]])
    levels = [(codes, X[:, 1:]), (regions[told], np.ones((len(X), 1)))]
    fit = mixed.fit(apart, X, levels)
    # Few patients: a normal error as wide as the t interval.
    wider = scipy.special.stdtrit(max(float(fit.beta_df[1]), 1.0), 0.975) / scipy.special.ndtri(0.975)
    return float(fit.beta[1]), float(fit.beta_se[1]) * wider, len(labels)


def therapy_seen(records: Records, rate: UntreatedRate) -> tuple[float, float, float, int]:
    """Return the lift of therapy in unplanted regions over the published one: ratio, SE, df, patients.

    Log density on years and on the published log lift, by a mixed model: a level of each region, a slope of
    each patient. NaN where fewer than MIN_CONTROL_REGIONS treated patients have a followed region.

    Parameters
    ----------
    rate
        Of `native_rate`.

    Returns
    -------
    tuple
        Ratio of the lift seen over the published one, its standard error, degrees of freedom, and how many
        treated patients have a followed region; the first three NaN where they are too few.

    Examples
    --------
    Without a course of therapy there is nothing to see:

    >>> from dataclasses import replace
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> bare = replace(clinic, therapies=clinic.therapies.head(0))
    >>> therapy_seen(bare, untreated_rate(bare, Choices()))
    (nan, nan, nan, 0)
    """
    rows = _control_rows(records.measurements)
    since = rows["session_id"].map(records.sessions.set_index("session_id")["register_month"])
    now = (since + rows["month"]).to_numpy(dtype=float)
    (regions,) = numbered(["patient_id", "region_id", "zone"], rows)
    spells, row = _of_rows(merged_courses(records.therapies), rows["patient_id"])
    lift = _log_level(spells, row, now, rate.loss_pct)
    first = pd.Series(lift).groupby(regions).transform("min").to_numpy()
    n_treated = rows.loc[lift - first > LEAST_LIFT, "patient_id"].nunique()
    if n_treated < MIN_CONTROL_REGIONS:
        return np.nan, np.nan, np.nan, n_treated
    years = (now - pd.Series(now).groupby(regions).transform("min").to_numpy()) / 12
    X = np.column_stack([np.ones(len(rows)), years, lift])
    levels = [(pd.factorize(rows["patient_id"])[0], years[:, None]), (regions, np.ones((len(rows), 1)))]
    fit = mixed.fit(rows["log_density"].to_numpy(), X, levels)
    # No more degrees of freedom than treated patients carry: the others tell nothing of the lift.
    return float(fit.beta[2]), float(fit.beta_se[2]), min(float(fit.beta_df[2]), n_treated - 1.0), n_treated


def _untreated_years(start, now, spells, row, annual_loss_pct: float) -> np.ndarray:
    """Return how many years of a span the rate of untreated loss acts on: d log factor / d log rate."""
    step = 0.1
    low, high = (
        np.log(assumed_factor(start, now, spells, row, annual_loss_pct=annual_loss_pct + s))
        for s in (-step, step)
    )
    years = (high - low) / np.log((100 - annual_loss_pct - step) / (100 - annual_loss_pct + step))
    return np.maximum(years, 0.0)


def assumed_factor(
    from_month: np.ndarray,
    to_month: np.ndarray,
    spells: np.ndarray,
    row: np.ndarray,
    *,
    annual_loss_pct: float = ANNUAL_LOSS_PCT,
) -> np.ndarray:
    """Return native density at `to_month` over native density at `from_month`, (n,), by the assumed rate.

    Parameters
    ----------
    from_month, to_month
        Register months of baseline and reading, (n,).
    spells, row
        Start and stop register month of each course of therapy, (k, 2), infinite where it goes on, and the
        row, (k,), that each belongs to.
    annual_loss_pct
        Yearly loss of untreated hair in percent, 0 to 60.

    Examples
    --------
    Two patients over twelve months at 5 % a year: one untreated, one treated from the start, 9.8 % up.

    >>> start, now = np.array([0.0, 0.0]), np.array([12.0, 12.0])
    >>> factor = assumed_factor(start, now, np.array([[0.0, np.inf]]), np.array([1]), annual_loss_pct=5.0)
    >>> factor.round(6).tolist()
    [0.95, 1.098]
    """
    untreated = (1 - annual_loss_pct / 100) ** ((to_month - from_month) / 12)
    return untreated * np.exp(
        _log_level(spells, row, to_month, annual_loss_pct)
        - _log_level(spells, row, from_month, annual_loss_pct)
    )


def _log_level(spells: np.ndarray, row: np.ndarray, months: np.ndarray, annual_loss_pct: float) -> np.ndarray:
    """Return the log of native level over its untreated path, (n,): the highest that any spell still gives.

    `spells` (k, 2) start and stop, each of the row `row` (k,) says; `months` (n,) one per row.
    """
    month, start, stop = months[row], spells[:, 0], spells[:, 1]
    on = np.maximum(np.minimum(month, stop) - start, 0.0)
    washed = np.maximum(1 - np.maximum(month - stop, 0.0) / WASHOUT_MONTHS, 0.0)
    level = np.zeros(len(months))
    np.maximum.at(level, row, np.where(start < month, _log_lift(on, annual_loss_pct) * washed, 0.0))
    return level


def _log_lift(months_on: np.ndarray, annual_loss_pct: float) -> np.ndarray:
    """Return the log of native level over its untreated path after so many months of therapy."""
    first = np.minimum(months_on, 12.0) / 12 * THERAPY_FIRST_YEAR_PCT / 100
    later = np.maximum(months_on - 12.0, 0.0) / 12 * np.log1p(THERAPY_LATER_PCT_PER_YEAR / 100)
    return np.log1p(first) + later - np.log1p(-annual_loss_pct / 100) * months_on / 12


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


def _of_rows(courses: Courses, patients: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Return the spells of the patient of every row, (k, 2), and the row each belongs to, (k,)."""
    who = courses.patients.get_indexer(pd.Index(patients))
    n_of_row = np.where(who >= 0, np.append(np.diff(courses.begin), 0)[who], 0)
    row = np.repeat(np.arange(len(who)), n_of_row)
    nth = np.arange(len(row)) - np.searchsorted(row, row)
    return courses.spells[courses.begin[who[row]] + nth], row


def _of_control_regions(rows: pd.DataFrame, control: ControlRate, years: np.ndarray) -> NativePath:
    """Return the path at each patient's own rate; a patient without a control region has the practice's."""
    own = rows[["patient_id"]].merge(control.by_patient, on="patient_id", how="left", validate="many_to_one")
    rate = own["rate"].fillna(control.practice).to_numpy(dtype=float)
    factor = np.exp(rate * years)
    by_rate = np.abs(years) * factor
    return NativePath(
        factor,
        by_rate * own["rate_se"].fillna(control.spread).to_numpy(dtype=float),
        by_rate * own["leans"].fillna(1.0).to_numpy(dtype=float) * control.practice_se,
        factor,
        control.practice_df,
    )


def control_rate(records: Records) -> ControlRate:
    """Estimate the yearly log change of native hair from unplanted regions, by a mixed model.

    Every region has its own level of log density; the slope on years has a practice mean and a deviation of
    each patient. A patient without a control region gets the practice mean with the between-patient spread as
    part of its standard error.

    Raises
    ------
    FitError
        With fewer than MIN_CONTROL_REGIONS patients with a followed unplanted region.
    """
    rows = _control_rows(records.measurements)
    n_patients = rows["patient_id"].nunique()
    if n_patients < MIN_CONTROL_REGIONS:
        have = "1 patient has" if n_patients == 1 else f"{n_patients} patients have"
        raise FitError(
            f"yields.by_visit(native_change='control'): {have} an unplanted region counted twice, "
            f"{MIN_CONTROL_REGIONS} are needed; use native_change='assumed'"
        )
    codes, labels = pd.factorize(rows["patient_id"])
    (regions,) = numbered(["patient_id", "region_id", "zone"], rows)
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


def _control_rows(measurements: pd.DataFrame) -> pd.DataFrame:
    standard = measurements["standard_conditions"].fillna(True).to_numpy(dtype=bool)
    followed = measurements["region_kind"].eq("unplanted") & measurements["zone"].ne("donor")
    is_counted = measurements["density_hairs_cm2"].gt(0).to_numpy()
    rows = measurements[followed.to_numpy(dtype=bool, na_value=False) & standard & is_counted]
    (region,) = numbered(["patient_id", "session_id", "zone", "region_id"], rows)
    month = rows["month"]
    again = month.groupby(region).transform("max").gt(month.groupby(region).transform("min"))
    rows = rows.assign(years=month / 12, log_density=np.log(rows["density_hairs_cm2"]))
    return rows[again & (region >= 0)].reset_index(drop=True)
