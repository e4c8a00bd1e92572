"""How does yield rise by zone, with no curve assumed? The spline view, descriptive.

Linear mixed model in percent of planted hairs: a natural spline of month by zone beside an intercept by zone
(the basis holds no constant), case mix; patient intercept, placement intercept and slope. Known sampling
variances of the readings are in, taken from the density the model expects; the error of the baseline count,
shared by all rows of a placement, is left to the placement intercept. Bands are of the mean by zone at
average case mix, their errors robust (the sandwich over patients).

Natural spline: cubic between knots, straight beyond the outer ones. Knots stand at quantiles of the months.

Sources: Laird & Ware 1982, Biometrics 38:963-74; natural spline basis: Hastie, Tibshirani & Friedman 2009,
Elements of Statistical Learning, 2nd ed., eq. 5.4-5.5 (from memory).
"""

import numpy as np
import pandas as pd

from analytics import measurement, yields
from analytics.errors import FitError
from analytics.numerics import mixed
from analytics.numerics.nonlinear import errors
from analytics.records import Records
from analytics.regrowth.rows import select
from analytics.results import LEVEL, Curve, limits, line

N_KNOTS = 4
MIN_PATIENTS = 8
MIN_ROWS_A_ZONE = 12
_MORE_PASSES = 2


def natural_basis(month, knots) -> np.ndarray:
    """Return a natural cubic spline basis without constant, shape (n, k - 1), in units of the last knot.

    Parameters
    ----------
    month
        Shape (n,).
    knots
        Shape (k,), rising, 3 or more.

    Returns
    -------
    numpy.ndarray
        Shape (n, k - 1), without unit.

    Examples
    --------
    The first column is month itself; beyond the last knot all are straight lines:

    >>> ahead = natural_basis([20.0, 21.0, 22.0], [0.0, 5.0, 10.0])
    >>> np.allclose(np.diff(ahead, 2, axis=0), 0)
    True
    """
    k = np.asarray(knots, dtype=float) / knots[-1]
    t = np.asarray(month, dtype=float) / knots[-1]

    def tail(j):
        cubes = np.maximum(t - k[j], 0.0) ** 3 - np.maximum(t - k[-1], 0.0) ** 3
        return cubes / (k[-1] - k[j])

    last = tail(len(k) - 2)
    return np.column_stack([t, *(tail(j) - last for j in range(len(k) - 2))])


def by_zone(
    records: Records,
    *,
    choices: yields.Choices = yields.USUAL,
    case_mix: tuple[str, ...] = (),
    by: str = "zone",
    level: float = LEVEL,
) -> Curve:
    """Return mean yield by month and zone from a spline mixed model.

    Parameters
    ----------
    case_mix
        Columns that shift yield, in points.
    by
        Column whose values each get a curve.

    Returns
    -------
    Curve
        `table()`: the mean at the last supported month up to maturity, one row per zone, and case-mix terms;
        `path` the bands by month.

    Raises
    ------
    FitError
        When fewer than MIN_PATIENTS patients are followed.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> curve = by_zone(clinic)
    >>> curve.x_name, curve.at(6.0)["zone"].nunique()
    ('month', 5)
    """
    laid = select(records, choices=choices, case_mix=tuple(case_mix), by=by)
    frame = laid.frame[~laid.frame["is_baseline"].astype(bool) & laid.frame["baseline_density"].notna()]
    frame = frame[frame.groupby("group")["month"].transform("size").ge(MIN_ROWS_A_ZONE)]
    if frame["patient_id"].nunique() < MIN_PATIENTS:
        raise FitError(
            f"regrowth.by_zone: {frame['patient_id'].nunique()} patients are followed in zones with "
            f"{MIN_ROWS_A_ZONE} readings, {MIN_PATIENTS} are needed: count more, or later"
        )
    zones = tuple(z for z in laid.zones if frame["group"].eq(z).any())
    knots = {z: _knots(frame.loc[frame["group"].eq(z), "month"].to_numpy(dtype=float)) for z in zones}
    X, names = _design(frame, zones, knots, laid.mix)
    fit, cov = _fit(frame, X, measurement.error_model(records))
    found = (fit.beta, cov)
    path = pd.concat(
        [_band(found, frame, zones, knots, z, len(names), level, by) for z in zones], ignore_index=True
    )
    table = pd.concat(
        [_heads(path, frame, by), _mix_terms(found, frame, names, level, by)], ignore_index=True
    )
    method = (
        "linear mixed model of yield in percent, natural spline of month by zone, patient intercept, "
        f"placement intercept and slope, known counting variances, REML; "
        f"native change {choices.native_change}; level {level:g}"
    )
    checks = {k: bool(v) for k, v in fit.checks.items()}
    return Curve(table, yields.with_reason(laid.used, "curve"), method, (by,), checks, "curve", path=path)


def _knots(months: np.ndarray) -> np.ndarray:
    """Return 0 and quantiles of the months, told apart by at least half a month."""
    inner = np.quantile(months, np.linspace(0.15, 0.95, N_KNOTS))
    knots = [0.0]
    for knot in inner:
        if knot - knots[-1] >= 0.5:
            knots.append(float(knot))
    return np.array(knots if len(knots) >= 3 else [0.0, months.max() / 2, months.max()])


def _design(frame: pd.DataFrame, zones, knots, mix) -> tuple[np.ndarray, list[str]]:
    """Return one block of columns per zone (intercept and spline), then case mix."""
    month = frame["month"].to_numpy(dtype=float)
    columns, names = [], []
    for zone in zones:
        here = frame["group"].eq(zone).to_numpy(dtype=float)
        basis = natural_basis(month, knots[zone])
        columns += [here, *(here * b for b in basis.T)]
        names += [zone] * (1 + basis.shape[1])
    for i, term in enumerate(mix):
        columns.append(frame[f"mix_{i}"].to_numpy(dtype=float))
        names.append(f"case mix: {term.term}")
    return np.column_stack(columns), names


def _fit(frame: pd.DataFrame, X: np.ndarray, error) -> tuple[mixed.MixedFit, np.ndarray]:
    """Fit with variances from the density expected, and return it with a robust covariance (patients).

    The errors of the rate of native loss and of the readers' habit, one for all readings, are in it.

    The first variances come from the readings, the next ones from the fit itself.
    """
    planted = frame["planted"].to_numpy(dtype=float)
    before = frame["baseline_density"].to_numpy(dtype=float) * frame["kept"].to_numpy(dtype=float)
    density = frame["density"].to_numpy(dtype=float)
    y = 100 * (density - before) / planted
    area = frame["counted_area_cm2"].to_numpy(dtype=float)
    month = frame["month"].to_numpy(dtype=float) / 12.0
    levels = [
        (_codes(frame["patient_id"]), np.ones((len(y), 1))),
        (_codes(frame["placement_id"]), np.column_stack([np.ones(len(y)), month - month.mean()])),
    ]

    def known_at(expected):
        variance = measurement.count_variance(
            expected,
            area,
            marked=frame["both_marked"].to_numpy(dtype=bool),
            reader_changed=frame["reader_changed"].to_numpy(dtype=bool),
            error=error,
        )
        return variance * (100 / planted) ** 2

    known = known_at(measurement.plus_one_hair(density, area))
    fit = mixed.fit(y, X, levels, known_variance=known)
    for _ in range(_MORE_PASSES):
        known = known_at(np.maximum(before + planted * (X @ fit.beta) / 100, 1.0 / area))
        fit = mixed.fit(y, X, levels, known_variance=known, start=fit.theta)
    blocks = [(c, z, psi, "full") for (c, z), psi in zip(levels, fit.covariances, strict=True)]
    lost = -100 * frame["baseline_density"].to_numpy(dtype=float) * frame["kept_se"].to_numpy(dtype=float)
    habit = measurement.habit_cv(frame["reader_id"], error.between_reader_cv) * (X @ fit.beta)
    shared = np.column_stack([lost / planted, habit])
    variance = known + fit.sigma**2
    robust = errors(y - X @ fit.beta, X, blocks, variance, groups=levels[0][0], patterns=shared)
    return fit, robust.robust_cov + robust.moves @ robust.moves.T


def _codes(labels: pd.Series) -> np.ndarray:
    return pd.factorize(labels)[0]


def _band(
    found: tuple[np.ndarray, np.ndarray], frame, zones, knots, zone: str, width: int, level: float, by: str
) -> pd.DataFrame:
    """Return the mean of one zone month by month, from its first to its last reading."""
    here = frame[frame["group"].eq(zone)]
    low, high = float(here["month"].min()), float(np.sort(here["month"])[-min(3, len(here))])
    months = np.append(np.arange(low, high, 0.5), high)
    start = sum(1 + len(knots[z]) - 1 for z in zones[: zones.index(zone)])
    basis = np.column_stack([np.ones(len(months)), natural_basis(months, knots[zone])])
    L = np.zeros((len(months), width))
    L[:, start : start + basis.shape[1]] = basis
    beta, cov = found
    se = np.sqrt(np.einsum("ip,pq,iq->i", L, cov, L))
    df = max(float(here["patient_id"].nunique()) - 1, 1.0)
    mean = L @ beta
    return pd.DataFrame(
        line(
            "yield",
            mean,
            "%",
            by={by: zone},
            x=months,
            se=se,
            ci=limits(mean, se, level=level, df=df),
            level=level,
            n_patients=here["patient_id"].nunique(),
            n_rows=len(here),
            df=df,
            flag=np.where(months < yields.YIELD_FROM_MONTH, "gain, not yet yield", ""),
        )
    )


def _heads(path: pd.DataFrame, frame: pd.DataFrame, by: str) -> pd.DataFrame:
    """Return the row of each zone nearest to maturity."""
    maturity = frame.groupby("group")["maturity_month"].first()
    heads = []
    for zone, rows in path.groupby(by, sort=False):
        wanted = float(maturity[zone])
        row = rows.iloc[[int((rows["x"] - wanted).abs().to_numpy().argmin())]]
        early = float(row["x"].iloc[0]) < wanted - 1
        heads.append(row.assign(flag="before the zone's maturity month" if early else ""))
    return pd.concat(heads, ignore_index=True)


def _mix_terms(found, frame: pd.DataFrame, names: list[str], level: float, by: str) -> pd.DataFrame:
    at = [i for i, n in enumerate(names) if n.startswith("case mix: ")]
    beta, cov = found
    df = max(float(frame["patient_id"].nunique() - len(names)), 1.0)
    estimate, se = beta[at], np.sqrt(np.diag(cov)[at])
    low, high = limits(estimate, se, level=level, df=df)
    return pd.DataFrame(
        {
            by: "all",
            "term": [names[i] for i in at],
            "estimate": estimate,
            "se": se,
            "ci_low": low,
            "ci_high": high,
            "level": level,
            "unit": "points",
            "df": df,
            "flag": "",
        }
    )
