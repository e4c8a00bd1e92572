"""The emergence model as a table: by zone, between zones, case mix, spreads; and as curves by zone.

Each function gives lines of a result (`results.line`); what the numbers mean stands in
`regrowth.quantities`. All are estimates of the model: none is a count.

Also what a fitted model leaves over. A patient is judged whole: the distance r' V^-1 r of all of a patient's
readings together, V being the model's covariance of them. Zones, months and quarters of what is expected: the
mean observed less the mean expected. Quantiles of residuals made independent (L' r with V^-1 = L L') stand
against those of a normal distribution; only between the 5th and the 95th centile, so that no reading is told.

Sources: Houseman, Ryan & Coull 2004, J Am Stat Assoc 99:383-394 (independent residuals); Pinheiro & Bates
2000, Mixed-Effects Models in S and S-PLUS, ch. 4.
"""

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import scipy

from analytics.dictionary import FRONT
from analytics.numerics.nonlinear import log_time_of
from analytics.records import Records
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
from analytics.regrowth.rows import select
from analytics.results import LEVEL, Curve, limits, line

NEARLY_ALL = 0.95
FEW_PATIENTS = 5
ALL_ZONES = "all"
ODD = 0.01  # named where a patient's p-value times the number of patients is under this (Bonferroni)
MONTHS = (0.0, 9.0, 12.0, 15.0, 18.0, 24.0, np.inf)
SPANS = tuple(
    f"from {low:g} to under {high:g} months" if np.isfinite(high) else f"from {low:g} months"
    for low, high in pairwise(MONTHS)
)
QUARTERS = ("lowest quarter", "second quarter", "third quarter", "highest quarter")
FEWEST_FOR_QUANTILES = 20  # no source: a centile then rests on more than one
CENTILES = np.linspace(0.05, 0.95, 37)


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
    said = "; ".join(f for f in (flag, few_patients(fit, k)) if f)
    counts = {"n_patients": int(fit.n_patients[k]), "n_rows": int(fit.n_rows[k])}
    return side_line(fit.zones[k], term, unit, found, level, x=x, **counts, flag=said)


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


def few_patients(fit: Emergence, k: int) -> str:
    """Return a flag where a zone has few patients."""
    return few_patients_of(fit, np.arange(len(fit.zones)) == k)


def few_patients_of(fit: Emergence, here: np.ndarray) -> str:
    """Return a flag where the zones named have few patients."""
    return f"fewer than {FEW_PATIENTS} patients" if fit.n_patients[here].max() < FEW_PATIENTS else ""


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


def leftover(records: Records, *, fit: Emergence) -> Curve:
    """Return what the emergence model leaves over of each count; `path` holds the quantiles.

    Parameters
    ----------
    fit
        `regrowth.fit_emergence` of the same records.

    Returns
    -------
    Curve
        By part: the share of patients further off than chance allows; observed less expected density by
        zone, month after the session and quarter of what is expected, with errors by patient.

    Examples
    --------
    >>> from analytics import simulate
    >>> from analytics.regrowth.emergence import fit_emergence
    >>> clinic = simulate.as_records(simulate.register(20)[0])
    >>> leftover(clinic, fit=fit_emergence(clinic)).table()["part"].iloc[0]
    'patients'
    """
    rows = select(records, choices=fit.choices, coded=fit.mix, from_month=fit.from_month, by=fit.by)
    frame, white = rows.frame, fit.independent
    codes = pd.factorize(frame["patient_id"])[0]
    distance, n_rows = np.bincount(codes, white**2), np.bincount(codes)
    p = scipy.stats.chi2.sf(distance, n_rows)
    after = ~frame["is_baseline"].to_numpy(dtype=bool)
    density = frame["density"].to_numpy(dtype=float)
    seen = observed(frame[after], density[after], fit.expected[after], month="month")
    off = far_off(p)
    # A sum of n squares as one normal number: below 0 where a patient lies nearer than most.
    whole = scipy.stats.norm.isf(np.clip(p, 1e-12, 1 - 1e-12))
    return Curve(
        pd.DataFrame([off, *gaps(seen, "hairs/cm2", LEVEL)]), rows.used,
        f"{fit.likelihood}; observed less expected with errors by patient, coefficients taken as known",
        checks={"no_patient_further_off_than_chance_allows": off["numerator"] == 0}, by=("part",),
        picture="quantiles", path=quantiles({"residuals": white, "patients": whole}, len(p)),
        x_name="normal quantile",
    )  # fmt: skip


def far_off(p: np.ndarray) -> dict[str, Any]:
    """Return the line of how many patients (p-value each) are further off than chance allows.

    Parameters
    ----------
    p
        A p-value for each patient, (n,).

    Returns
    -------
    dict
        A line of a result, percent of patients.

    Examples
    --------
    Of two patients, one whose p-value of 0.001 is unusual among two:

    >>> far_off(np.array([0.001, 0.5]))["estimate"]
    50.0
    """
    far, n = int((p * len(p) < ODD).sum()), len(p)
    return line(
        "further off than chance allows", 100 * far / n, "% of patients", by={"part": "patients"},
        basis="share", numerator=far, denominator=n, n_patients=n,
    )  # fmt: skip


def observed(frame: pd.DataFrame, y: np.ndarray, expected: np.ndarray, *, month: str) -> pd.DataFrame:
    """Return the mean observed and expected outcome by zone, month of the reading and quarter of expected.

    Columns: by, group, observed, expected, se (of observed less expected, by patient), n_rows, n_patients.

    Parameters
    ----------
    frame
        Rows (n,) with `patient_id`, and `zone` or a column of the month where there are such.
    y
        Observed outcome, (n,).
    expected
        What a model expects of it, (n,), in the same unit.
    month
        Name of the column of months since the session.

    Returns
    -------
    pandas.DataFrame
        Columns by, group, observed, expected, se (of observed less expected, by patient), n_rows, n_patients.

    Examples
    --------
    >>> rows = pd.DataFrame({"patient_id": ["a", "a", "b"], "zone": "crown"})
    >>> seen = observed(rows, np.array([3.0, 5.0, 7.0]), np.array([4.0, 5.0, 3.0]), month="month")
    >>> seen[["group", "observed", "expected", "n_patients"]].values.tolist()
    [['crown', 5.0, 4.0, 2]]
    """
    rows = []
    own = frame.assign(seen=y, expected=expected).reset_index(drop=True)
    sides = {"zone": own.get("zone")}
    if month in own:
        sides["month"] = pd.cut(own[month], MONTHS, right=False, labels=SPANS)
    if len(own) >= FEWEST_FOR_QUANTILES:
        rank = own["expected"].rank(method="average", pct=True)
        sides["what is expected"] = pd.cut(rank, np.linspace(0, 1, len(QUARTERS) + 1), labels=QUARTERS)
    for by, groups in sides.items():
        if groups is None or groups.isna().all():
            continue
        for group, some in own.groupby(groups, observed=True):
            gap = (some["seen"] - some["expected"]).groupby(some["patient_id"]).sum()
            rows.append(
                {
                    "by": by, "group": str(group), "observed": some["seen"].mean(),
                    "expected": some["expected"].mean(), "se": np.sqrt((gap**2).sum()) / len(some),
                    "n_rows": len(some), "n_patients": some["patient_id"].nunique(),
                }
            )  # fmt: skip
    columns = ["by", "group", "observed", "expected", "se", "n_rows", "n_patients"]
    return pd.DataFrame(rows, columns=columns)


def gaps(seen: pd.DataFrame, unit: str, level: float) -> list[dict]:
    """Return the lines of `observed`: observed less expected, with its interval.

    Parameters
    ----------
    seen
        Of `observed`.
    unit
        Of the outcome, in words.

    Returns
    -------
    list of dict
        A line of a result for each row.
    """
    rows = []
    for one in seen.itertuples():
        gap = float(one.observed - one.expected)
        counts: dict[str, Any] = {"n_patients": int(one.n_patients), "n_rows": int(one.n_rows)}
        ci = limits(gap, float(one.se), level=level) if one.n_patients > 1 else None
        by = {"part": f"observed less expected, by {one.by}"}
        rows.append(line(one.group, gap, unit, by=by, se=one.se, ci=ci, level=level, basis="model", **counts))
    return rows


def quantiles(shown: Mapping[str, np.ndarray], n_patients: int) -> pd.DataFrame:
    """Return quantiles against normal ones, and the line on which they would lie."""
    z = scipy.stats.norm.ppf(CENTILES)
    made = []
    for part, values in shown.items():
        if len(values) < FEWEST_FOR_QUANTILES:
            continue
        for term, at in (("observed", np.quantile(values, CENTILES)), ("normal distribution", z)):
            made.append(pd.DataFrame({"part": part, "term": term, "x": z, "estimate": at}))
    if not made:
        return pd.DataFrame(columns=["part", "term", "x", "estimate", "unit", "basis", "n_patients"])
    return pd.concat(made, ignore_index=True).assign(
        unit="standard deviations", basis="model", n_patients=n_patients
    )
