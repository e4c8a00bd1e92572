"""The emergence model as a table: by zone, between zones, case mix, spreads; and as curves by zone.

Each function gives lines of a result (`results.line`); what the numbers mean stands in
`regrowth.quantities`. All are estimates of the model: none is a count.
"""

import numpy as np
import pandas as pd

from analytics.dictionary import FRONT
from analytics.numerics.nonlinear import log_time_of
from analytics.regrowth.emergence import MATURE_PATIENTS, Emergence
from analytics.regrowth.layout import HALF, PLATEAU
from analytics.regrowth.quantities import (
    FRONT_NAME,
    Quantity,
    degrees,
    mean_yield,
    parameters,
    quantities,
    weights_of,
)
from analytics.results import LEVEL, line

NEARLY_ALL = 0.95
ALL_ZONES = "all"


def zone_rows(fit: Emergence, *, level: float = LEVEL) -> list[dict]:
    """Return the numbers of each zone: plateau, yield at maturity, half month, month of 95 % of plateau."""
    df = _degrees_by_zone(fit)
    plateaus = quantities(fit, lambda b, s: parameters(fit, b)[0], level=level, df=df)
    months = {
        term: quantities(
            fit, lambda b, s, share=share: _months_of(fit, share, b), level=level, df=df, scale="log"
        )
        for share, term in ((0.5, "half_month"), (NEARLY_ALL, "month_of_95_pct_of_plateau"))
    }
    rows: list[dict] = []
    for k, at_maturity in enumerate(yield_at_maturity_rows(fit, level=level)):
        rows.append(_row(fit, k, "plateau_yield", "%", plateaus[k], level, flag=_plateau_flag(fit, k)))
        rows.append(at_maturity)
        for term, found in months.items():
            rows.append(_row(fit, k, term, "months", found[k], level, flag=_tempo_flag(fit, k)))
    return rows


def _degrees_by_zone(fit: Emergence) -> np.ndarray:
    return np.array([degrees(fit, zone) for zone in fit.zones])


def yield_at_maturity_rows(
    fit: Emergence, *, level: float = LEVEL, term: str = "yield_at_maturity"
) -> list[dict]:
    """Return the headline of each zone; at the last supported month where the data end earlier."""
    few = fit.n_mature < MATURE_PATIENTS
    months = np.where(few, np.minimum(fit.maturity_month, fit.last_month), fit.maturity_month)
    found = quantities(fit, lambda b, s: _yields_at(fit, months, b, s), level=level, df=_degrees_by_zone(fit))
    early = f"fewer than {MATURE_PATIENTS} patients counted at maturity: yield at month"
    flags = [f"{early} {m:.0f}, the last supported" if f else "" for f, m in zip(few, months, strict=True)]
    return [
        _row(fit, k, term, "%", one, level, flag=flags[k], x=float(months[k])) for k, one in enumerate(found)
    ]


def _yields_at(fit: Emergence, months: np.ndarray, beta: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Return the mean yield of each zone at a month of its own, (zones,)."""
    return np.array([mean_yield(fit, k, [month], beta, spread)[0] for k, month in enumerate(months)])


def between_rows(fit: Emergence, *, level: float = LEVEL) -> list[dict]:
    """Return tempo ratios and differences of yield, against the front and between any two zones.

    Patients are those of the side that has fewer, on which the degrees of freedom rest.
    """
    has_front = sum(z in FRONT for z in fit.zones) > 0
    named = [z for z in fit.zones if z not in FRONT] if has_front else []
    pairs = [(z, FRONT_NAME) for z in named]
    pairs += [(a, b) for i, a in enumerate(fit.zones) for b in fit.zones[:i]]
    if not pairs:
        return []
    sides = np.array([[weights_of(fit, side) for side in pair] for pair in pairs])
    gap, df = sides[:, 0] - sides[:, 1], np.array([degrees(fit, *pair) for pair in pairs])
    ratios = quantities(
        fit, lambda b, s: np.exp(gap @ parameters(fit, b)[1]), level=level, df=df, scale="log"
    )
    yields = quantities(fit, lambda b, s: gap @ _yields_at(fit, fit.maturity_month, b, s), level=level, df=df)
    plateaus = quantities(fit, lambda b, s: gap @ parameters(fit, b)[0], level=level, df=df)
    rows: list[dict] = []
    for i, pair in enumerate(pairs):
        for term, unit, found, flag in (
            ("tempo_ratio", "ratio", ratios[i], _same_tempo(fit, sides[i].any(axis=0))),
            ("yield_difference_at_maturity", "points", yields[i], ""),
            ("plateau_difference", "points", plateaus[i], ""),
        ):
            fewer = int(min(fit.n_patients[side > 0].max() for side in sides[i]))
            rows.append(side_line(" : ".join(pair), term, unit, found, level, n_patients=fewer, flag=flag))
    return rows


def _same_tempo(fit: Emergence, named: np.ndarray) -> str:
    """Return a flag where the zones named share one half month."""
    same = len({fit.half_of_zone[k] for k in np.flatnonzero(named)}) == 1
    return "one tempo for both: too few placements" if same else ""


def mix_rows(fit: Emergence, *, level: float = LEVEL) -> list[dict]:
    """Return what each case-mix term adds to the plateau, in points."""
    start = fit.slices[PLATEAU][0] + len(fit.zones)
    df = max(fit.n_patients_all - len(fit.beta), 1)
    rows = []
    for i, mix in enumerate(fit.mix):
        found = quantities(fit, lambda b, s, i=i: [b[start + i]], level=level, df=df)[0]
        rows.append(side_line(ALL_ZONES, f"case mix: {mix.term}", "points", found, level, flag=""))
    return rows


def shared_rows(fit: Emergence, *, level: float = LEVEL) -> list[dict]:
    """Return what one standard error of each thing all placements share does to a plateau, in points.

    The mean over zones by placements. More patients do not make these smaller.
    """
    start = fit.slices[PLATEAU][0]
    rows = []
    for name, moves in fit.shared.items():
        size = np.average(np.abs(moves[start : start + len(fit.zones)]), weights=fit.n_placements)
        rows.append(line(f"shared error: {name}", float(size), "points", by={"zone": ALL_ZONES}, level=level))
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
        rows.append(line(f"SD {name}", sd, unit, by={"zone": ALL_ZONES}, se=se, level=level, flag=flag))
    return rows


def path(fit: Emergence, *, level: float = LEVEL, step: float = 0.5) -> pd.DataFrame:
    """Return the mean yield of every zone month by month, as far as its data reach."""
    rows: list[dict] = []
    for k, zone in enumerate(fit.zones):
        months = np.arange(0.0, float(fit.last_month[k]) + 1e-9, step)
        found = quantities(
            fit,
            lambda b, s, k=k, m=months: mean_yield(fit, k, m, b, s),
            level=level,
            df=degrees(fit, zone),
        )
        rows += [
            _row(fit, k, "yield", "%", one, level, flag="", x=month)
            for one, month in zip(found, months, strict=True)
        ]
    return pd.DataFrame(rows)


def _months_of(fit: Emergence, share: float, beta: np.ndarray) -> np.ndarray:
    """Return the month at which each zone has grown a share of its plateau, (zones,)."""
    _, log_half, log_k = parameters(fit, beta)
    return np.exp(log_half + log_time_of(fit.shape_at(beta), share, log_k)[0])


def _row(
    fit: Emergence,
    k: int,
    term: str,
    unit: str,
    found: Quantity,
    level: float,
    *,
    flag: str,
    x: float = np.nan,
) -> dict:
    """Return a line of one zone, with its counts and what must be said of it."""
    counts = {"n_patients": int(fit.n_patients[k]), "n_rows": int(fit.n_rows[k])}
    return side_line(fit.zones[k], term, unit, found, level, x=x, **counts, flag=flag)


def side_line(
    zone: str,
    term: str,
    unit: str,
    found: Quantity,
    level: float,
    *,
    flag: str,
    x: float = np.nan,
    n_patients: int | None = None,
    n_rows: int | None = None,
) -> dict:
    """Return a line of a zone, a side or a pair of them, with its limits and degrees of freedom."""
    return line(
        term,
        found.estimate,
        unit,
        by={"zone": zone},
        x=x,
        se=found.se,
        ci=(found.ci_low, found.ci_high),
        level=level,
        n_patients=n_patients,
        n_rows=n_rows,
        df=found.df,
        flag=flag,
    )


def _plateau_flag(fit: Emergence, k: int) -> str:
    if fit.reached[k]:
        return ""
    return (
        f"fewer than {MATURE_PATIENTS} patients counted at maturity and past 90 % of the plateau: an "
        "extrapolation; read the yield at the last supported month"
    )


def _tempo_flag(fit: Emergence, k: int) -> str:
    start = fit.slices[HALF][0] + fit.half_of_zone[k]
    if not np.sqrt(fit.beta_cov[start, start]) < 0.25:
        return "not determined by the data"
    if fit.half_of_zone.count(fit.half_of_zone[k]) > 1:
        return "tempo shared with other zones: too few placements"
    return ""
