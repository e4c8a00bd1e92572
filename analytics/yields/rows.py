"""What share of the planted hairs grew?

    yield_pct = 100 * (density(m) - density(0) - native_change(m)) / planted_hairs_cm2

in percent of planted hairs, never clipped: published readings pass 100 %, because 6 to 15 % of follicles
carry no countable shaft at any moment. Before month 6 the same quantity is called *gain*. This is the only
definition of yield in the workbook; everything that speaks of yield starts from the rows of `by_visit`.

Baseline is the standard count nearest to month 0 among months -6 to 0; repeated counts of that month are
averaged (`Choices(baseline="mean")`: all of them). A count before a second session in a zone is at once that
session's baseline and the earlier session's last reading: it stands in the rows twice, the second time with
`reads_as` "earlier session".
Native change is applied to native hair only (`yields.native`). The standard error is by the delta method
from counting error (`measurement.count_variance`, at one hair more than was counted), planted density and
native change. A row says what it may be used for and, coded, why not.

Conventions at boundaries: month 6.0 is yield; a reading is mature from one month before its zone's maturity
month (the window of a visit opens one month early); an earlier session is immature in a zone if it is
younger than the zone's maturity month when the next one is planted.

Of records that are promised to stay as they are (`records.promise_unchanged`) rows are made once.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analytics import followup, measurement
from analytics.errors import ParameterError
from analytics.measurement import CountError
from analytics.records import Records, once
from analytics.yields import level, link, native
from analytics.yields.choices import USUAL, Choices
from analytics.yields.link import PlantedError, planted_density, planted_error

YIELD_FROM_MONTH = 6.0
# Pooled survival of micrografts, used only to guess what of a later baseline is native hair where the first
# baseline is missing (Stoneburner et al. 2020, Aesthetic Plast Surg, doi 10.1007/s00266-019-01529-9).
POOLED_YIELD = 0.85

REASONS = {
    "not_planted": "no planting of this zone in this session is recorded",
    "no_planted_density": "the planted density is not known",
    "no_baseline": "no count before the session (month -6 to 0)",
    "no_new_baseline": "the zone was planted before and not counted again before this session: whose hairs "
    "these are cannot be told",
    "baseline_not_standard": "the only count before the session was taken under non-standard conditions",
    "baseline": "the count before the session itself",
    "not_standard": "taken under non-standard conditions",
    "hair_length": "hair length differs from the baseline's",
    "cut_off": "finer or coarser hair was counted than at the baseline",
    "early": "before month 6 it is gain, not yield",
    "immature": "before the zone's maturity month",
    "overlap": "the zone still carries an immature earlier session: joint view only",
    "counted_once": "already in the joint view as the later session's baseline",
}
# What another count, taken as the first was, can mend.
MENDABLE = ("not_standard", "hair_length", "cut_off")
USES = ("headline", "curve", "milestone", "joint")

CARRIED = (
    "patient_id session_id placement_id zone site region_id count_number month reads_as session_number "
    "register_month surgeon_id team_id method holding_medium out_of_body_min"
).split()
NUMBERS = (
    "density density_se counted_area_cm2 roi_marked both_marked reader_id reader_changed reader_cv "
    "device_class "
    "hair_length thinnest_counted_um standard_conditions is_baseline baseline_density baseline_se "
    "baseline_area native_factor native_density native_change native_change_se native_shared_se "
    "native_shared_df native_untreated planted_hairs_cm2 planted_se planted_cv planted_source "
    "planted_ratio planted_ratio_se planted_before is_later is_overlap patient_month yield_pct yield_pct_se "
    "bridge_of bridge_se baseline_bridge_of baseline_bridge_se season_1 season_2 surgery_season "
    "quantity is_mature maturity_month"
).split()


def by_visit(
    records: Records, *, choices: Choices = USUAL, count_error: CountError | None = None
) -> pd.DataFrame:
    """Return one row per count of a planted region: yield, its standard error, what it may be used for.

    Parameters
    ----------
    count_error
        Counting error; by default estimated from the clinic's duplicates (`measurement.error_model`).

    Returns
    -------
    pandas.DataFrame
        `yield_pct`, `yield_pct_se`, their parts and the placement's columns. None is dropped: `for_headline,
        for_curve, for_milestone, for_joint` say what a row serves, `why_not_...` holds a code of REASONS
        where it does not.

    Raises
    ------
    FitError
        When counts are to be levelled and the season cannot be estimated, or control regions are too few.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> rows = by_visit(clinic)  # one row per measurement of a planted region, none left out
    >>> sorted(rows.loc[~rows["for_headline"], "why_not_headline"].unique())[:3]
    ['baseline', 'baseline_not_standard', 'early']
    """
    rows = once(records, "rows", (choices, count_error), lambda: _made(records, choices, count_error))
    return rows.copy(deep=False)  # columns added to it stay with the caller


def _made(records: Records, choices: Choices, count_error: CountError | None) -> pd.DataFrame:
    error = measurement.error_model(records) if count_error is None else count_error
    asked = choices.photographs, choices.planted, choices.baseline, choices.bridge
    rows, records = once(records, "linked", asked, lambda: linked(records, choices))
    visits = finished(rows, records, error, choices)
    if choices.season == "as counted":
        return visits
    levelled = level.levelled(rows, level.estimate(visits, error))
    return finished(levelled, records, error, choices)


def yield_pct(
    after: ArrayLike,
    after_se: ArrayLike,
    before: ArrayLike,
    before_se: ArrayLike,
    planted: ArrayLike,
    *,
    planted_se: ArrayLike = 0.0,
    native_change: ArrayLike = 0.0,
    native_change_se: ArrayLike = 0.0,
    carried: ArrayLike = 1.0,
    shift_se: ArrayLike = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Return yield and its standard error, both in percent of planted hairs, by the delta method.

        yield = 100 * (after - before - native_change) / planted

    The errors of all that enters are taken as independent.

    Parameters
    ----------
    after, before
        Density at the reading and at the baseline, hairs/cm2, with their standard errors; numbers, or columns
        of shape (n,) like all that follows.
    planted
        Planted density, hairs/cm2, above 0 (NaN where it is not known), with its standard error.
    native_change
        Change of native density between the two, hairs/cm2, with its standard error.
    carried
        How much of an error of the baseline is still there at the reading: the share of native hair left
        where the baseline is all native, 1 where native hair was told from earlier sessions.
    shift_se
        Standard error of what was taken out of the change of density: a reader's or a device's shift, the
        season, hairs/cm2.

    Returns
    -------
    tuple of numpy.ndarray
        Yield and its standard error, (n,).

    Raises
    ------
    ParameterError
        When a planted density is not above 0.

    Examples
    --------
    A gain of 40 of 50 planted, errors of 3 and 4 hairs/cm2: 5 of 50 are 10 points.

    >>> value, se = yield_pct(80.0, 3.0, 40.0, 4.0, 50.0)
    >>> float(value), float(se)
    (80.0, 10.0)
    """
    hairs, lost, hairs_se = (np.asarray(v, dtype=float) for v in (planted, native_change, planted_se))
    if np.any(hairs <= 0):
        raise ParameterError("yields.yield_pct(planted): not above 0; give the planted density in hairs/cm2")
    share = (np.asarray(after, dtype=float) - np.asarray(before, dtype=float) - lost) / hairs
    errors = (after_se, np.asarray(carried, dtype=float) * before_se, native_change_se, shift_se)
    variance = sum(np.asarray(e, dtype=float) ** 2 for e in errors) + (share * hairs_se) ** 2
    return 100 * share, 100 * np.sqrt(variance) / hairs


def linked(
    records: Records, choices: Choices, *, planting: PlantedError | None = None
) -> tuple[pd.DataFrame, Records]:
    """Return the counts of `by_visit` with all but native change and yield, and the records they are from."""
    bridge = choices.bridge
    shifts = measurement.bridge(records, by=bridge).extra["shifts"] if bridge else pd.DataFrame()
    records = measurement.bridged(records, by=bridge) if bridge else records
    rows = once(
        records, "counted", (), lambda: link.with_earlier_readings(link.counts(records), records)
    ).copy(deep=False)
    planting = planted_error(records) if planting is None else planting
    rows = planted_density(rows, planting, choice=choices.planted)
    rows = link.with_baseline(rows, choices.photographs, rule=choices.baseline)
    rows = link.with_bridge(rows, bridge, shifts)
    asked = choices.planted, planting
    history = once(
        records,
        "history",
        asked,
        lambda: link.history(link.placed(records, planting, choice=choices.planted)),
    )
    return link.with_history(rows, history), records


def finished(rows: pd.DataFrame, records: Records, error: CountError, choices: Choices) -> pd.DataFrame:
    """Return the rows of `by_visit` from `linked` ones: native change, yield, uses."""
    rows = _with_native(rows, records, choices)
    rows = _with_yield(_with_count_errors(_with_seasons(rows), error))
    # Columns of a type side by side: every choice of rows then costs half.
    return _with_uses(rows, choices)[_output_columns()].reset_index(drop=True).copy()


def native_rate(records: Records, choices: Choices = USUAL) -> native.UntreatedRate:
    """Return the yearly loss of untreated native hair that yields under these choices rest on.

    Returns
    -------
    UntreatedRate
        Percent a year with its standard error, where it comes from in words.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> native_rate(clinic, Choices(native_change="none")).loss_pct
    0.0
    """
    asked = (choices.native_change, choices.annual_loss_pct)
    return once(records, "native rate", asked, lambda: native.untreated_rate(records, choices))


def with_reason(rows: pd.DataFrame, use: str) -> pd.DataFrame:
    """Return all rows with `reason`: empty where usable for this use, else the sentence why not.

    Parameters
    ----------
    rows
        Rows of `by_visit`.
    use
        One of USES: `headline`, `curve`, ...

    Returns
    -------
    pandas.DataFrame
        The rows with a column `reason`, in words.

    Examples
    --------
    >>> coded = pd.DataFrame({"why_not_headline": ["", next(iter(REASONS))]})
    >>> with_reason(coded, "headline")["reason"].str.len().gt(0).tolist()
    [False, True]
    """
    return rows.assign(reason=rows[f"why_not_{use}"].map(REASONS).fillna(""))


def _with_native(rows: pd.DataFrame, records: Records, choices: Choices) -> pd.DataFrame:
    """Add native density expected at the reading, the change since baseline and its standard error."""
    start = (rows["session_month"] + rows["baseline_month"]).to_numpy(dtype=float)
    now = (rows["session_month"] + rows["month"]).to_numpy(dtype=float)
    known = np.isfinite(start)
    origin = np.where(rows["is_later"], rows["first_at"].to_numpy(dtype=float), start)
    rate = native_rate(records, choices)
    path = native.path(rows, records, (start, now), choices, rate)
    since_first = native.path(rows, records, (origin, start), choices, rate).factor
    baseline = rows["baseline_density"].to_numpy(dtype=float)
    carried = rows["first_density"].to_numpy(dtype=float) * since_first
    before = rows["planted_before"].fillna(rows["planted_hairs_cm2"]).to_numpy(dtype=float)
    guessed = np.maximum(baseline - POOLED_YIELD * before, 0.0)
    later = np.minimum(np.where(np.isfinite(carried), carried, guessed), baseline)
    native_at_baseline = np.where(rows["is_later"], later, baseline)
    return rows.assign(
        register_month=now,
        native_factor=np.where(known, path.factor, np.nan),
        native_density=np.where(known, native_at_baseline * path.factor, np.nan),
        native_change=np.where(known, native_at_baseline * (path.factor - 1), np.nan),
        native_change_se=np.where(known, native_at_baseline * np.hypot(path.own_se, path.shared_se), np.nan),
        native_shared_se=np.where(known, native_at_baseline * path.shared_se, np.nan),
        native_shared_df=path.shared_df,
        native_untreated=np.where(known, native_at_baseline * (path.untreated - 1), np.nan),
    )


def _with_seasons(rows: pd.DataFrame) -> pd.DataFrame:
    """Add the quarter of the register's year of the session; a season not taken out has no error."""
    months = rows["session_month"].to_numpy(dtype=float)
    quarter = np.nan_to_num((months - 1) % 12 // 3).astype(int)
    words = [f"quarter {q + 1} of the year, months {3 * q + 1} to {3 * q + 3}" for q in range(4)]
    names = pd.array(words, dtype="string")
    shifts = {c: rows.get(c, 0.0) for c in ("season_1", "season_2")}
    return rows.assign(surgery_season=names.take(quarter), **shifts)


def _with_count_errors(rows: pd.DataFrame, error: CountError) -> pd.DataFrame:
    """Add the standard errors of reading and baseline, and what they hang on: marking, change of reader."""
    density = rows["density_hairs_cm2"].to_numpy(dtype=float)
    area = rows["counted_area_cm2"].to_numpy(dtype=float)
    baseline = rows["baseline_density"].to_numpy(dtype=float)
    baseline_area = rows["baseline_area"].fillna(1.0).to_numpy(dtype=float)
    marked = _is_yes(rows["roi_marked"]) & _is_yes(rows["baseline_marked"])
    changed = _differs(rows["reader_id"], rows["baseline_reader"])
    after_baseline = ~rows["is_baseline"].to_numpy(dtype=bool)
    same_reader = np.zeros(len(rows), dtype=bool)
    repeats = np.where(marked, rows["n_baseline"].fillna(1.0).to_numpy(dtype=float), 1.0)
    return rows.assign(
        density=density,
        density_se=np.sqrt(_reading_variance(density, area, marked, changed & after_baseline, error)),
        baseline_se=np.sqrt(_reading_variance(baseline, baseline_area, marked, same_reader, error) / repeats),
        reader_changed=changed,
        reader_cv=error.between_reader_cv,
        both_marked=marked,
    )


def _with_yield(rows: pd.DataFrame) -> pd.DataFrame:
    """Add yield with its standard error, in percent of planted hairs; a baseline has none."""
    value, se = yield_pct(
        rows["density"],
        rows["density_se"],
        rows["baseline_density"],
        rows["baseline_se"],
        rows["planted_hairs_cm2"],
        planted_se=rows["planted_se"],
        native_change=rows["native_change"],
        native_change_se=rows["native_change_se"],
        carried=np.where(rows["is_later"], 1.0, rows["native_factor"]),
        shift_se=_shift_se(rows),
    )
    is_baseline = rows["is_baseline"].to_numpy(dtype=bool)
    return rows.assign(
        yield_pct=np.where(is_baseline, np.nan, value), yield_pct_se=np.where(is_baseline, np.nan, se)
    )


def _shift_se(rows: pd.DataFrame) -> np.ndarray:
    """Return what errors of shifts and seasons taken out do to a change of density, (n,), hairs/cm2.

    Where one shift was taken out of reading and baseline, only the difference of what it does is left.
    """
    now = rows["density"].to_numpy(dtype=float) * rows["bridge_se"].to_numpy(dtype=float)
    before = rows["baseline_density"].to_numpy(dtype=float) * rows["baseline_bridge_se"].to_numpy(dtype=float)
    is_one = rows["bridge_of"].eq(rows["baseline_bridge_of"]).to_numpy(dtype=bool)
    bridge = np.where(is_one, (now - before) ** 2, now**2 + before**2)
    season = (rows[c].to_numpy(dtype=float) ** 2 for c in ("season_1", "season_2"))
    return np.sqrt(bridge + sum(season))


def _reading_variance(density, area, marked, reader_changed, error: CountError) -> np.ndarray:
    """Return the variance of readings, (n,), from one hair more than was read; NaN where none was."""
    known = np.isfinite(density) & np.isfinite(area)
    expected = measurement.plus_one_hair(np.where(known, density, 0.0), np.where(known, area, 1.0))
    variance = measurement.count_variance(
        expected, np.where(known, area, 1.0), marked=marked, reader_changed=reader_changed, error=error
    )
    return np.where(known, variance, np.nan)


def _is_yes(column: pd.Series) -> np.ndarray:
    return column.astype("boolean").fillna(False).to_numpy(dtype=bool)


def _differs(now: pd.Series, before: pd.Series) -> np.ndarray:
    """Return True where both are known and differ."""
    # Names are compared as numbers of names: of whatever two kinds the columns are, each once.
    both, _ = pd.factorize(np.concatenate([now.to_numpy(object), before.to_numpy(object)]))
    first, second = both[: len(now)], both[len(now) :]
    return (first >= 0) & (second >= 0) & (first != second)


def _with_uses(rows: pd.DataFrame, choices: Choices) -> pd.DataFrame:
    """Add quantity, maturity, for each use whether a row serves it and why not, and the flag in words."""
    month = rows["month"].to_numpy(dtype=float)
    is_baseline = rows["is_baseline"].to_numpy(dtype=bool)
    is_mature = month >= rows["maturity_month"].to_numpy() - followup.OPENS_EARLY
    why = _why_not(rows, choices.photographs, is_mature)
    value = rows["yield_pct"].to_numpy(dtype=float)
    flag = np.select([value > 100, value < 0], ["over 100 %", "below 0 %"], default="")
    provisional = ~is_mature & ~is_baseline & (month >= YIELD_FROM_MONTH) & (flag == "")
    return rows.assign(
        quantity=np.where(is_baseline, "baseline", np.where(month < YIELD_FROM_MONTH, "gain", "yield")),
        is_mature=is_mature,
        flag=np.where(provisional, "provisional", flag),
        **{f"for_{use}": reason == "" for use, reason in why.items()},
        **{f"why_not_{use}": reason for use, reason in why.items()},
    )


def _why_not(rows: pd.DataFrame, photographs: str, is_mature: np.ndarray) -> dict[str, np.ndarray]:
    """Return for each use the code of the first reason against every row, (n,), empty where there is none."""
    month = rows["month"].to_numpy(dtype=float)
    is_baseline = rows["is_baseline"].to_numpy(dtype=bool)
    no_baseline = rows["baseline_density"].isna().to_numpy()
    planting = [
        (rows["placement_id"].isna(), "not_planted"),
        (rows["planted_hairs_cm2"].isna(), "no_planted_density"),
    ]
    baseline = [
        (no_baseline & rows["any_baseline"].to_numpy(), "baseline_not_standard"),
        (no_baseline & rows["is_later"].to_numpy(), "no_new_baseline"),
        (no_baseline, "no_baseline"),
    ]
    photograph = _against_photographs(rows, photographs)
    overlap = [(rows["is_overlap"], "overlap")]
    young = [(is_baseline, "baseline"), (month < YIELD_FROM_MONTH, "early"), (~is_mature, "immature")]
    # The joint view carries native hair on from the first baseline: a new one is not needed there.
    unseen = no_baseline & rows["first_density"].isna().to_numpy()
    never_counted = [(unseen & test, code) for test, code in baseline]
    once = [(rows["reads_as"].eq("earlier session"), "counted_once")]
    curve = _first_reason([*planting, *baseline, *photograph, *overlap])
    return {
        "headline": _first_reason([*planting, *baseline, *photograph, *overlap, *young]),
        "curve": curve,
        "milestone": curve,
        "joint": _first_reason([*planting, *never_counted, *photograph, *once]),
    }


def _against_photographs(rows: pd.DataFrame, photographs: str) -> list[tuple]:
    """Return the tests of a photograph, in order, each with its code; those not asked for never fail."""
    after = ~rows["is_baseline"].to_numpy(dtype=bool)
    failed = ~rows["is_standard"].to_numpy() & (photographs != "all")
    same_length = photographs in ("standard", "any_cut_off")
    same_cut_off = photographs in ("standard", "any_length")
    length = _differs(rows["hair_length"], rows["baseline_length"]) & after & same_length
    cut_off = _differs(rows["thinnest_counted_um"], rows["baseline_thinnest"]) & after & same_cut_off
    return [(failed, "not_standard"), (length, "hair_length"), (cut_off, "cut_off")]


def _first_reason(conditions: Iterable[tuple]) -> np.ndarray:
    tests, codes = zip(*conditions, strict=True)
    place = np.select([np.asarray(t, dtype=bool) for t in tests], range(1, len(tests) + 1), default=0)
    return np.array(["", *codes], dtype=object)[place]  # one text for all rows of a reason


def _output_columns() -> list[str]:
    uses = [*(f"for_{use}" for use in USES), *(f"why_not_{use}" for use in USES)]
    return [*CARRIED, *NUMBERS, *uses, "flag"]
