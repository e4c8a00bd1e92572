"""The emergence model as a table: by zone, between zones, case mix, spreads; and as curves by zone.

What follows from a fitted emergence model, each with its standard error by the delta method.

A quantity is a function of the fixed effects and the spreads; its error joins the robust covariance of the
one and the covariance of the other (they are independent to first order). Definitions, for a placement
drawn at random, case mix average:

* yield at month m: the *mean over placements*, E[(P + b) F(m / (H exp(t)))], b and t the random plateau and
  log tempo;
* half month, month of 95 % of plateau: those of the placement of usual tempo (t = 0).

Shares past a milestone and medians come from `regrowth.distribution`.

The spread of the true plateau is the estimated one less what errors add: that of planted density, (plateau
x planted CV) squared, and that of readers' habits, alike. Integrals over t: 21 Gauss-Hermite nodes.
Intervals: t quantiles on as many degrees of freedom as patients of the zone, less one; months and ratios on
the log, shares on the logit scale.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit, logit

from analytics.dictionary import FRONT
from analytics.errors import ParameterError
from analytics.numerics.nonlinear import curves, log_time_of
from analytics.regrowth.emergence import Emergence
from analytics.regrowth.layout import HALF, PLATEAU, STEEPNESS
from analytics.results import LEVEL

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
_STEP = 1e-5
FRONT_NAME = "front"
_TINY = 1e-9


def _inside(share: np.ndarray) -> np.ndarray:
    return np.clip(share, _TINY, 1 - _TINY)


# Each scale: the way there, the slope there, the way back.
_SCALES: dict[str, tuple[Callable, Callable, Callable]] = {
    "identity": (lambda v: v, np.ones_like, lambda v: v),
    "log": (lambda v: np.log(np.maximum(v, _TINY)), lambda v: 1 / np.maximum(v, _TINY), np.exp),
    "logit": (lambda v: logit(_inside(v)), lambda v: 1 / (_inside(v) * (1 - _inside(v))), expit),
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """One derived number: estimate, standard error, limits, degrees of freedom."""

    estimate: float
    se: float
    ci_low: float
    ci_high: float
    df: float


def weights_of(fit: Emergence, zone: str) -> np.ndarray:
    """Return the weight of every zone in a named one: itself, or `front` (by placements).

    Raises
    ------
    ParameterError
        When the zone is not in the fit.
    """
    if zone != FRONT_NAME:
        one = np.zeros(len(fit.zones))
        one[fit.zone_index(zone)] = 1.0
        return one
    share = np.array([n if z in FRONT else 0.0 for z, n in zip(fit.zones, fit.n_placements, strict=True)])
    if not share.sum() > 0:
        raise ParameterError(
            "regrowth(zone): no zone of the front in this fit; use one of " + ", ".join(fit.zones)
        )
    return share / share.sum()


def parameters(fit: Emergence, beta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return plateau, log half month and log steepness of every zone at given fixed effects."""
    (p0, _), (h0, h1), (s0, s1) = fit.slices[PLATEAU], fit.slices[HALF], fit.slices[STEEPNESS]
    own = beta[s0:s1] if s1 > s0 else np.zeros(max(fit.steepness_of_zone) + 1)
    log_k = own[list(fit.steepness_of_zone)] + fit.held_log_steepness
    return beta[p0 : p0 + len(fit.zones)], beta[h0:h1][list(fit.half_of_zone)], log_k


def true_plateau_variances(fit: Emergence, beta: np.ndarray, spread: np.ndarray) -> tuple[float, float]:
    """Return the variance of the true plateau between patients, and between placements of a patient.

    Not floored at 0, where a derivative would vanish and an interval be too narrow; callers floor the sum.
    """
    named = dict(zip(fit.spread_names, spread, strict=True))
    plateau = float(np.average(parameters(fit, beta)[0], weights=fit.n_placements))
    source = next(s for s in ("region", "zone") if f"placement: plateau ({s})" in named)
    placement = named[f"placement: plateau ({source})"] - (plateau * fit.planted_cv[source]) ** 2
    reader = (plateau * fit.reader_cv) ** 2
    if "patient: plateau" not in named:
        return 0.0, placement - reader
    return named["patient: plateau"] - reader, placement


def variances(fit: Emergence, beta: np.ndarray, spread: np.ndarray) -> tuple[float, float, float]:
    """Return the variances of true plateau and log tempo, all levels together, and their covariance."""
    named = dict(zip(fit.spread_names, spread, strict=True))
    tempo = named.get("patient: log tempo", 0.0) + named.get("placement: log tempo", 0.0)
    covariance = named.get("patient: log tempo with plateau", 0.0)
    return sum(true_plateau_variances(fit, beta, spread)), tempo, covariance


def mean_yield(fit: Emergence, k: int, months, beta, spread) -> np.ndarray:
    """Return the mean yield of zone number k at the months given, percent of planted hairs."""
    plateau, log_half, log_k = (v[k] for v in parameters(fit, beta))
    _, tempo, covariance = variances(fit, beta, spread)
    sd = np.sqrt(max(tempo, 0.0))
    slope = covariance / tempo if tempo > 1e-12 else 0.0
    t = sd * _NODES
    ratio = np.asarray(months, dtype=float)[:, None] * np.exp(-log_half - t)
    emerged = curves.share(fit.curve, ratio, log_k)[0]
    return ((plateau + slope * t) * emerged) @ _WEIGHTS


def quantities(
    fit: Emergence, function: Callable, *, level: float = 0.95, df: float, scale: str = "identity"
) -> list[Quantity]:
    """Return quantities function(beta, spread) -> (m,); limits are made on a scale."""
    estimate = np.asarray(function(fit.beta, fit.spread), dtype=float)
    se = np.sqrt(np.maximum(_quadratic(fit, *_slopes(fit, function)), 0.0))
    forward, stretch, back = _SCALES[scale]
    half = stats.t.ppf(0.5 + level / 2, df) * se * stretch(estimate)
    low, high = back(forward(estimate) - half), back(forward(estimate) + half)
    return [
        Quantity(float(e), float(s), float(a), float(b), df)
        for e, s, a, b in zip(estimate, se, low, high, strict=True)
    ]


def _slopes(fit: Emergence, function: Callable) -> tuple[np.ndarray, np.ndarray]:
    by_beta = _differences(lambda b: function(b, fit.spread), fit.beta, np.sqrt(np.diag(fit.beta_cov)))
    by_spread = _differences(lambda s: function(fit.beta, s), fit.spread, np.sqrt(np.diag(fit.spread_cov)))
    return by_beta, by_spread


def _differences(function: Callable, at: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    columns = []
    for i in range(len(at)):
        step = np.zeros(len(at))
        step[i] = _STEP * max(np.nan_to_num(sizes[i]), 1e-8)
        rise = np.asarray(function(at + step)) - np.asarray(function(at - step))
        columns.append(rise / (2 * step[i]))
    return np.column_stack(columns)


def _quadratic(fit: Emergence, by_beta: np.ndarray, by_spread: np.ndarray) -> np.ndarray:
    fixed = np.einsum("ip,pq,iq->i", by_beta, fit.beta_cov, by_beta)
    return fixed + np.einsum("ip,pq,iq->i", by_spread, fit.spread_cov, by_spread)


def degrees(fit: Emergence, *zones: str) -> float:
    """Return degrees of freedom: patients of the zone (the smallest of those named), less one."""
    counts = [float(fit.n_patients[weights_of(fit, z) > 0].max()) for z in zones]
    return max(min(counts) - 1.0, 1.0)


NEARLY_ALL = 0.95
FEW_PATIENTS = 5
ALL_ZONES = "all"


def zone_rows(fit: Emergence, *, level: float = LEVEL) -> list[dict]:
    """Return the numbers of each zone: plateau, yield at maturity, half month, month of 95 % of plateau."""
    rows: list[dict] = []
    for k, zone in enumerate(fit.zones):
        df = degrees(fit, zone)
        plateau = quantities(fit, lambda b, s, k=k: [parameters(fit, b)[0][k]], level=level, df=df)[0]
        rows.append(_row(fit, k, "plateau_yield", "%", plateau, level, flag=_plateau_flag(fit, k)))
        rows.append(yield_at_maturity_row(fit, k, level=level))
        for share, term in ((0.5, "half_month"), (NEARLY_ALL, "month_of_95_pct_of_plateau")):
            found = quantities(
                fit,
                lambda b, s, k=k, share=share: [_month_of(fit, k, share, b)],
                level=level,
                df=df,
                scale="log",
            )[0]
            rows.append(_row(fit, k, term, "months", found, level, flag=_tempo_flag(fit, k)))
    return rows


def yield_at_maturity_row(
    fit: Emergence, k: int, *, level: float = LEVEL, term: str = "yield_at_maturity"
) -> dict:
    """Return the headline of one zone; at the last supported month where the data end earlier."""
    month = float(fit.maturity_month[k])
    flag = ""
    if fit.last_month[k] < month - 1.0:
        month = float(fit.last_month[k])
        flag = f"no readings at maturity: yield at month {month:.0f}, the last supported"
    found = quantities(
        fit, lambda b, s: mean_yield(fit, k, [month], b, s), level=level, df=degrees(fit, fit.zones[k])
    )[0]
    row = _row(fit, k, term, "%", found, level, flag=flag)
    return {**row, "x": month}


def between_rows(fit: Emergence, *, level: float = LEVEL) -> list[dict]:
    """Return tempo ratios and differences of yield, against the front and between any two zones.

    Patients are those of the side that has fewer, on which the degrees of freedom rest.
    """
    rows: list[dict] = []
    has_front = sum(z in FRONT for z in fit.zones) > 0
    named = [z for z in fit.zones if z not in FRONT] if has_front else []
    pairs = [(z, FRONT_NAME) for z in named]
    pairs += [(a, b) for i, a in enumerate(fit.zones) for b in fit.zones[:i]]
    for one, other in pairs:
        rows.extend(_between(fit, one, other, level))
    return rows


def _between(fit: Emergence, one: str, other: str, level: float) -> list[dict]:
    of, against = weights_of(fit, one), weights_of(fit, other)
    df = degrees(fit, one, other)
    fewer = int(min(fit.n_patients[side > 0].max() for side in (of, against)))

    def ratio(beta, spread):
        return [np.exp((of - against) @ parameters(fit, beta)[1])]

    def plateau_gap(beta, spread):
        return [(of - against) @ parameters(fit, beta)[0]]

    def yield_gap(beta, spread):
        weight = of - against
        months = fit.maturity_month
        each = [w * mean_yield(fit, k, months[[k]], beta, spread)[0] for k, w in enumerate(weight) if w]
        return [sum(each)]

    same_tempo = len({fit.half_of_zone[k] for k in np.flatnonzero(of + against)}) == 1
    flag = "one tempo for both: too few placements" if same_tempo else ""
    made = (
        ("tempo_ratio", "ratio", ratio, "log", flag),
        ("yield_difference_at_maturity", "points", yield_gap, "identity", ""),
        ("plateau_difference", "points", plateau_gap, "identity", ""),
    )
    rows = []
    for term, unit, function, scale, said in made:
        found = quantities(fit, function, level=level, df=df, scale=scale)[0]
        cells = _cells(found, term, unit, level)
        rows.append({"zone": f"{one} : {other}", **cells, "n_patients": fewer, "flag": said})
    return rows


def mix_rows(fit: Emergence, *, level: float = LEVEL) -> list[dict]:
    """Return what each case-mix term adds to the plateau, in points."""
    start = fit.slices[PLATEAU][0] + len(fit.zones)
    rows = []
    for i, mix in enumerate(fit.mix):
        found = quantities(
            fit, lambda b, s, i=i: [b[start + i]], level=level, df=max(fit.n_patients_all - len(fit.beta), 1)
        )[0]
        rows.append(
            {"zone": ALL_ZONES, **_cells(found, f"case mix: {mix.term}", "points", level), "flag": ""}
        )
    return rows


def spread_rows(fit: Emergence, *, level: float = LEVEL) -> list[dict]:
    """Return standard deviations of plateau, log tempo, native density (share) and residual."""
    rows = []
    for name, value, variance in zip(fit.spread_names, fit.spread, np.diag(fit.spread_cov), strict=True):
        if " with " in name:
            continue
        unit = "points" if "plateau" in name else "hairs/cm2" if name == "residual" else "log"
        sd = float(np.sqrt(max(value, 0.0)))
        on_edge = sd < 1e-6
        se = float("nan") if on_edge else float(np.sqrt(variance)) / (2 * sd)
        flag = "none beyond the known errors" if on_edge else ""
        row = {"term": f"SD {name}", "estimate": sd, "se": se, "level": level, "unit": unit, "flag": flag}
        rows.append({"zone": ALL_ZONES, "x": np.nan, **row})
    return rows


def path(fit: Emergence, *, level: float = LEVEL, step: float = 0.5) -> pd.DataFrame:
    """Return the mean yield of every zone month by month, as far as its data reach."""
    parts = []
    for k, zone in enumerate(fit.zones):
        months = np.arange(0.0, float(fit.last_month[k]) + 1e-9, step)
        found = quantities(
            fit,
            lambda b, s, k=k, m=months: mean_yield(fit, k, m, b, s),
            level=level,
            df=degrees(fit, zone),
        )
        rows = [
            {"zone": zone, **_cells(f, "yield", "%", level), "x": m, "flag": few_patients(fit, k)}
            for f, m in zip(found, months, strict=True)
        ]
        parts.append(pd.DataFrame(rows).assign(n_patients=int(fit.n_patients[k]), n_rows=int(fit.n_rows[k])))
    return pd.concat(parts, ignore_index=True)


def _month_of(fit: Emergence, k: int, share: float, beta: np.ndarray) -> float:
    _, log_half, log_k = parameters(fit, beta)
    return float(np.exp(log_half[k] + log_time_of(fit.curve, share, log_k[k])[0]))


def _row(fit: Emergence, k: int, term: str, unit: str, found: Quantity, level: float, *, flag: str) -> dict:
    said = "; ".join(f for f in (flag, few_patients(fit, k)) if f)
    counts = {"n_patients": int(fit.n_patients[k]), "n_rows": int(fit.n_rows[k])}
    return {"zone": fit.zones[k], **_cells(found, term, unit, level), **counts, "flag": said}


def _cells(found: Quantity, term: str, unit: str, level: float) -> dict:
    return {
        "term": term,
        "x": np.nan,
        "estimate": found.estimate,
        "se": found.se,
        "ci_low": found.ci_low,
        "ci_high": found.ci_high,
        "level": level,
        "unit": unit,
        "df": found.df,
    }


def few_patients(fit: Emergence, k: int) -> str:
    """Return a flag where a zone has few patients."""
    return "fewer than 5 patients" if fit.n_patients[k] < FEW_PATIENTS else ""


def _plateau_flag(fit: Emergence, k: int) -> str:
    if fit.reached[k]:
        return ""
    return (
        "no readings past 90 % of the plateau: an extrapolation; read the yield at the last supported month"
    )


def _tempo_flag(fit: Emergence, k: int) -> str:
    start = fit.slices[HALF][0] + fit.half_of_zone[k]
    if not np.sqrt(fit.beta_cov[start, start]) < 0.25:
        return "not determined by the data"
    if fit.half_of_zone.count(fit.half_of_zone[k]) > 1:
        return "tempo shared with other zones: too few placements"
    return ""
