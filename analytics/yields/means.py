"""What is the mean yield at maturity?

One reading for each placement: the one nearest to the month asked for (by default its zone's maturity month)
inside its window (`followup.clock`); repeated counts of that visit are averaged, several regions by the area
counted in each. The
mean of a group is a coefficient of a mixed model with a patient intercept, the placements' own spread as
residual and known sampling variances (`numerics.mixed`, REML, Satterthwaite df), or least squares where no
patient has two placements. Sampling variances come from the group's own mean (expected density), never from
the reading itself: weights from observed counts favour low readings and bias yield by 2 to 3 points. A
zone-average planted density is multiplied by the mean ratio of region over zone first (`yields.link`): an
error in a denominator inflates a mean.

Every error has its place: a patient's, a placement's, a reading's, and everybody's. Some are one and the
same for many placements and do not shrink with their number: that of the mean ratio of region over zone
(`yields.link`), that of the practice's rate of native loss from unplanted regions (`yields.native`), those of
readers' or devices' shifts taken out (`measurement`), of the season (`yields.level`) and of what the clinic's
readers together read above or below the truth (`measurement.habit_cv`). A shared error moves
all readings by a known pattern c times one unknown number; it moves the coefficients by A c, A being what the
fit does to the readings, and c c' is added to their covariance that way. Degrees of freedom of the sum are
Satterthwaite's.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from analytics import dictionary, followup, measurement
from analytics.errors import FitError, ParameterError
from analytics.measurement import CountError
from analytics.numerics import mixed
from analytics.records import Records
from analytics.results import LEAST_FOR_INTERVAL, LEVEL, NO_INTERVAL, Result, counted, limits
from analytics.yields.choices import USUAL, Choices
from analytics.yields.rows import by_visit, with_reason


def average(
    records: Records,
    *,
    by: str | Sequence[str] = ("zone",),
    month: float | None = None,
    adjust: Sequence[str] = (),
    level: float = LEVEL,
    choices: Choices = USUAL,
    rows: pd.DataFrame | None = None,
    count_error: CountError | None = None,
) -> Result:
    """Return mean yield by group with patient-clustered intervals, one reading for each placement.

    Parameters
    ----------
    by
        One column or several to group by, of the rows or of patients: `zone`, `surgeon_id`, `smoker`.
    month
        Month since the session, 6 to 60; by default each zone's maturity month.
    adjust
        Columns of patients (case mix) or of the rows held at their mean.
    rows
        Rows of `by_visit` under these choices, where the caller has them already.
    count_error
        As in `by_visit`.

    Returns
    -------
    Result
        One row per group: mean yield in percent of planted hairs, interval, n, flag in words.

    Raises
    ------
    ParameterError
        When a grouping column is unknown, or month or level are out of range.
    FitError
        When no reading is usable.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> average(clinic, by="method").by
    ('method',)
    >>> average(clinic).table()["unit"].unique().tolist()
    ['% of planted hairs']
    """
    _check(month, level)
    by = (by,) if isinstance(by, str) else tuple(by)
    error = measurement.error_model(records) if count_error is None else count_error
    if rows is None:
        rows = by_visit(records, choices=choices, count_error=error)
    visits = with_case_mix(rows, records, (*by, *adjust))
    unknown = [c for c in (*by, *adjust) if c not in visits.columns]
    if unknown:
        raise ParameterError(
            f"yields.average(by): unknown column {', '.join(unknown)}; use a column of by_visit or patients"
        )
    picked = one_reading(visits, month=month)
    if picked.empty:
        raise FitError(
            "yields.average: no planted zone has a usable count near its month of maturity yet; see what was "
            "left out"
        )
    table, checks = _means(picked, list(by), list(adjust), level, error)
    method = _method(month, adjust, level)
    used = with_reason(visits, "headline")
    return Result(table, used, method, by=tuple(by), checks=checks, notes=_notes(picked))


def _check(month: float | None, level: float) -> None:
    if month is not None and not 6 <= month <= 60:
        raise ParameterError(
            "yields.average(month): out of range; expected 6 to 60 months (before 6 it is gain)"
        )
    if not 0.5 <= level <= 0.999:
        raise ParameterError("yields.average(level): out of range; expected 0.5 to 0.999")


def with_case_mix(visits: pd.DataFrame, records: Records, adjust: Sequence[str]) -> pd.DataFrame:
    """Add case-mix columns of `patients` to the rows, where asked for."""
    wanted = [c for c in adjust if c not in visits.columns and c in records.patients.columns]
    if not wanted:
        return visits
    return visits.merge(
        records.patients[["patient_id", *wanted]], on="patient_id", how="left", validate="many_to_one"
    )


def one_reading(rows: pd.DataFrame, *, month: float | None = None) -> pd.DataFrame:
    """Return one row per placement: the usable reading nearest to the month, repeats and regions averaged.

    Parameters
    ----------
    rows
        Rows of `by_visit`.
    month
        Months since the session; by default the zone's maturity month. With a month given, readings before
        maturity but after month 6 may serve (and are flagged provisional).

    Returns
    -------
    pandas.DataFrame
        One row per placement that has a usable reading: the columns of `by_visit`, means where a visit was
        counted more than once or in several regions, and `n_repeats`.

    Examples
    --------
    >>> from analytics import simulate
    >>> picked = one_reading(by_visit(simulate.as_records(simulate.register(40)[0])))
    >>> late = picked["month"] - picked["maturity_month"]
    >>> bool(picked["placement_id"].is_unique), bool(late.between(-1, 6).all())
    (True, True)
    """
    target = rows["maturity_month"] if month is None else pd.Series(float(month), index=rows.index)
    usable = rows["for_headline"] if month is None else rows["for_curve"] & rows["quantity"].eq("yield")
    late = rows["month"] - target
    inside = usable & late.between(-followup.OPENS_EARLY, followup.CLOSES_LATE)
    place = rows.loc[inside, ["placement_id", "region_id", "month", "count_number"]]
    distance, number = late[inside].abs(), place.groupby(["placement_id", "region_id"]).ngroup()
    is_nearest = distance.eq(distance.groupby(number).transform("min")).to_numpy()
    place, number = place[is_nearest], number[is_nearest].to_numpy(dtype=int)
    # Of repeated counts the first stands for reader and marking, whatever the order of rows.
    order = np.lexsort((place["count_number"], place["month"], number))
    nearest = rows.iloc[np.flatnonzero(inside)[is_nearest][order]]
    return _placement_means(_region_means(nearest, number[order]))


def _region_means(nearest: pd.DataFrame, number: np.ndarray) -> pd.DataFrame:
    """Return one row per region: the mean of its counts, in all else the first that is recorded.

    Parameters
    ----------
    nearest
        Counts, region by region.
    number
        Of the region of each, (n,), from 0 on.
    """
    first = nearest[np.diff(number, prepend=-1) > 0].reset_index(drop=True)
    first = first.assign(n_repeats=np.bincount(number))
    if len(first) == len(nearest):
        return first
    groups, hollow = nearest.groupby(number), list(first.columns[first.isna().any()])
    means = groups[["yield_pct", "density"]].mean()
    return first.assign(**(groups[hollow].first() if hollow else {}), **means)


def _placement_means(picked: pd.DataFrame) -> pd.DataFrame:
    """Return one row per placement: its regions together, each by the area counted in it.

    Fields of a zone add up to one field of their whole area; marked regions, whose error does not shrink
    with area, count as so many repeats.
    """
    several = picked["placement_id"].duplicated(keep=False)
    if not several.any():
        return picked
    of_several = picked[several]
    area = of_several["counted_area_cm2"].fillna(1.0)
    share = area / area.groupby(of_several["placement_id"]).transform("sum")
    weighted = (
        "yield_pct density baseline_density native_factor native_change_se native_shared_se season_1 season_2"
    ).split()
    n_regions = of_several.groupby("placement_id")["region_id"].transform("size")
    parts = of_several.assign(
        n_repeats=of_several["n_repeats"] * np.where(of_several["both_marked"], n_regions, 1),
        **{c: of_several[c] * share for c in weighted},
    )
    groups = parts.groupby("placement_id")
    merged = groups.first().reset_index()
    for c in [*weighted, "counted_area_cm2", "baseline_area"]:
        merged[c] = groups[c].sum().to_numpy()
    for c, how in (("both_marked", "min"), ("reader_changed", "max"), ("n_repeats", "min")):
        merged[c] = groups[c].agg(how).to_numpy()
    return pd.concat([picked[~several], merged[picked.columns]], ignore_index=True)


def _means(
    picked: pd.DataFrame, by: list[str], adjust: list[str], level: float, error: CountError
) -> tuple[pd.DataFrame, dict[str, bool]]:
    """Fit group means twice: plainly for the expected densities, then with their sampling variances known."""
    groups = picked.groupby(by, sort=True, dropna=False)
    code = groups.ngroup().to_numpy()
    labels = groups.size().reset_index(name="n_rows")
    y = (picked["yield_pct"] / picked["planted_ratio"]).to_numpy(dtype=float)
    X = np.eye(len(labels))[code]
    X = np.column_stack([X, indicators(picked, adjust)]) if adjust else X
    mean = np.array([y[code == g].mean() for g in range(len(labels))])
    variance = expected_variance(picked, mean[code], error)
    few = picked.groupby(by, sort=True, dropna=False)["patient_id"].nunique().to_numpy()
    fit = estimate(y, X, picked, variance, len(labels))
    told = few >= LEAST_FOR_INTERVAL
    low, high = (np.where(told, bound, np.nan) for bound in limits(fit.beta, fit.se, level=level, df=fit.df))
    table = labels.assign(
        term="yield",
        estimate=fit.beta,
        se=fit.se,
        ci_low=low,
        ci_high=high,
        level=level,
        unit="% of planted hairs",
        basis="model",
        n_patients=few,
        df=fit.df,
        flag=np.where(~told, NO_INTERVAL, ""),
    )
    return table, fit.checks


def _method(month: float | None, adjust: Sequence[str], level: float) -> str:
    when = "at each zone's maturity month" if month is None else f"at month {month:g}"
    mix = f", adjusted for {', '.join(adjust)}" if adjust else ""
    return (
        f"mean yield {when}, one reading a placement{mix}: mixed model with a patient intercept and "
        f"known sampling variances, REML, Satterthwaite df, {100 * level:g} % interval"
    )


def _notes(picked: pd.DataFrame) -> tuple[str, ...]:
    zone = int(picked["planted_source"].eq("zone").sum())
    over, under = int((picked["yield_pct"] > 100).sum()), int((picked["yield_pct"] < 0).sum())
    return (
        f"{counted(zone, of=len(picked))} readings rest on a zone-average planted density",
        f"readings over 100 % ({counted(over)}) and below 0 % ({counted(under)}) are kept as they are",
        f"months counted as mature: {', '.join(f'{z} {m}' for z, m in dictionary.MATURITY_MONTH.items())}",
    )


def indicators(picked: pd.DataFrame, adjust: list[str]) -> np.ndarray:
    """Return centred case-mix columns, (n, k): numbers as they are, words as indicators."""
    if not adjust:
        return np.empty((len(picked), 0))
    frame = pd.get_dummies(picked[adjust].convert_dtypes(), drop_first=True).astype("Float64")
    frame = frame.fillna(frame.mean()).astype(float)
    frame = frame.loc[:, frame.nunique() > 1]
    return (frame - frame.mean()).to_numpy()


@dataclass(frozen=True, slots=True)
class Means:
    """The first k coefficients, (k,), with SE and df; `own_se` is what is left without shared errors."""

    beta: np.ndarray
    se: np.ndarray
    df: np.ndarray
    own_se: np.ndarray
    checks: dict[str, bool] = field(default_factory=dict)


def estimate(y: np.ndarray, X: np.ndarray, picked: pd.DataFrame, variance: np.ndarray, k: int) -> Means:
    """Return the first k coefficients: mixed model, or least squares if no patient repeats.

    Parameters
    ----------
    y, X
        Yields, (n,), and design, (n, p).
    picked
        Their rows, as `one_reading` gives them.
    variance
        Sampling variances that no other placement shares, (n,).
    """
    patient = pd.factorize(picked["patient_id"])[0]
    if len(np.unique(patient)) == len(y) or len(y) <= X.shape[1] + 1:
        takes = np.linalg.pinv(X)
        beta, se, df = _plain(y, X, takes, variance, k)
        checks = {}
    else:
        fit = mixed.fit(y, X, [(patient, np.ones((len(y), 1)))], known_variance=variance)
        beta, se, df, checks = fit.beta[:k], fit.beta_se[:k], fit.beta_df[:k], fit.checks
        takes = _generalised(X, patient, variance + fit.sigma**2, float(fit.covariances[0][0, 0]))
    total, by_df = se**2, se**4 / df
    for pattern, pattern_df in shared_errors(picked, y):
        added = (takes[:k] @ pattern) ** 2
        total, by_df = total + added, by_df + added**2 / pattern_df
    some = by_df > 0
    joined = np.where(some, total**2 / np.where(some, by_df, 1.0), df)
    return Means(beta, np.sqrt(total), joined, se, checks)


def _plain(
    y: np.ndarray, X: np.ndarray, takes: np.ndarray, variance: np.ndarray, k: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return least-squares coefficients, SE from the spread (HC2; a reading alone: its sampling SE), df."""
    beta = takes @ y
    leverage = np.einsum("ij,ji->i", X, takes)
    alone = leverage > 1 - 1e-9
    spread = np.where(alone, variance, (y - X @ beta) ** 2 / np.where(alone, 1.0, 1 - leverage))
    se = np.sqrt(takes**2 @ spread)
    df = np.maximum(np.minimum((X[:, :k] != 0).sum(axis=0) - 1, max(len(y) - X.shape[1], 1)), 1)
    return beta[:k], se[:k], df


def _generalised(X: np.ndarray, patient: np.ndarray, own: np.ndarray, between: float) -> np.ndarray:
    """Return A, (p, n), with beta = A y, for variances `own` and a patient's variance `between`."""
    weighted = X / own[:, None]
    of_patient = np.zeros((patient.max() + 1, X.shape[1]))
    np.add.at(of_patient, patient, weighted)
    of_all = np.bincount(patient, 1 / own)
    shrunk = between / (1 + between * of_all)
    inverse = weighted - (of_patient * shrunk[:, None])[patient] / own[:, None]
    return np.linalg.pinv(X.T @ inverse) @ inverse.T


def shared_errors(picked: pd.DataFrame, y: np.ndarray) -> Iterator[tuple[np.ndarray, float]]:
    """Give what one standard error of each shared number does to all readings, (n,), and its df."""
    ratio = picked["planted_ratio"].to_numpy(dtype=float)
    yield y * picked["planted_ratio_se"].to_numpy(dtype=float) / ratio, np.inf
    planted = picked["planted_hairs_cm2"].to_numpy(dtype=float) * ratio
    native = picked["native_shared_se"].fillna(0.0).to_numpy(dtype=float)
    yield 100 * native / planted, float(picked["native_shared_df"].iloc[0])
    habit = measurement.habit_cv(picked["reader_id"], picked["reader_cv"].iloc[0])
    yield y * habit, np.inf
    for name in ("season_1", "season_2"):
        if name in picked and picked[name].ne(0).any():
            yield 100 * picked[name].to_numpy(dtype=float) / planted, np.inf
    for name in sorted(set(picked["bridge_of"]) | set(picked["baseline_bridge_of"])):
        now = picked["density"] * picked["bridge_se"] * picked["bridge_of"].eq(name)
        before = (
            picked["baseline_density"] * picked["baseline_bridge_se"] * picked["baseline_bridge_of"].eq(name)
        )
        pattern = (now - before).to_numpy(dtype=float)
        if pattern.any():
            yield 100 * pattern / planted, np.inf


def expected_variance(picked: pd.DataFrame, mean: np.ndarray, error: CountError) -> np.ndarray:
    """Return sampling variances of yields, (n,), from the densities that the group means let expect.

    What all placements share is not in them: it is no placement's own (`shared_errors`). A planted density
    from a zone average is expected too, as its zone's mean: an average too low would make a yield too high
    and its weight too small, which pulls the mean down by a point.

    Parameters
    ----------
    picked
        Rows of `one_reading`, (n,).
    mean
        Shape (n,), percent of planted hairs: the mean yield of each row's group.
    error
        The clinic's counting error, `measurement.error_model`.

    Returns
    -------
    numpy.ndarray
        Shape (n,), points of yield squared.

    Examples
    --------
    More repeats make a reading more certain:

    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> picked = one_reading(by_visit(clinic))
    >>> once, twice = (
    ...     expected_variance(picked.assign(n_repeats=n), np.full(len(picked), 90.0), CountError())
    ...     for n in (1.0, 2.0)
    ... )
    >>> bool((twice < once).all())
    True
    """
    from_zone = picked["planted_source"].eq("zone").to_numpy()
    of_zone = picked.groupby("zone")["planted_hairs_cm2"].transform("mean")
    known = np.where(from_zone, of_zone, picked["planted_hairs_cm2"]).astype(float)
    planted = known * picked["planted_ratio"].to_numpy(dtype=float)
    level_before = picked.groupby("zone")["baseline_density"].transform("mean").to_numpy(dtype=float)
    factor = picked["native_factor"].to_numpy(dtype=float)
    after = np.maximum(level_before * factor + planted * mean / 100, 1.0)
    marked = picked["both_marked"].to_numpy(dtype=bool)
    changed = picked["reader_changed"].to_numpy(dtype=bool)
    area = picked["counted_area_cm2"].to_numpy(dtype=float)
    repeats = picked["n_repeats"].to_numpy(dtype=float)
    v_after = (
        measurement.count_variance(after, area, marked=marked, reader_changed=changed, error=error) / repeats
    )
    v_before = measurement.count_variance(
        np.maximum(level_before, 1.0),
        picked["baseline_area"].to_numpy(dtype=float),
        marked=marked,
        reader_changed=np.zeros(len(picked), dtype=bool),
        error=error,
    )
    carry = np.where(picked["is_later"], 1.0, factor)
    native = picked["native_change_se"] ** 2 - picked["native_shared_se"] ** 2
    counting = v_after + carry**2 * v_before + np.maximum(native.to_numpy(dtype=float), 0.0)
    return 1e4 * counting / planted**2 + (mean * picked["planted_cv"].to_numpy(dtype=float)) ** 2
