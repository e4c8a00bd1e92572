"""The emergence model as an answer: table and curves by zone, shares past a milestone or under a threshold.

Shares come from the distribution of plateaus on the fit (`regrowth.distribution`).

Two names, never mixed: `yield_at_maturity` is the mean yield at the zone's maturity month, `plateau_yield`
the asymptote; they differ by 2 to 4 points.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics import yields
from analytics.errors import ParameterError
from analytics.records import Records, once
from analytics.regrowth import distribution
from analytics.regrowth import plateaus as of_plateaus
from analytics.regrowth.distribution import PlateauDistribution
from analytics.regrowth.emergence import USUAL_CURVE, Emergence, fit_emergence
from analytics.regrowth.quantities import Quantity, degrees, parameters
from analytics.regrowth.rows import EmergenceRows, prepare, select
from analytics.regrowth.single_cases import chance_below, posterior
from analytics.regrowth.tables import (
    between_rows,
    mix_rows,
    path,
    shared_rows,
    spread_rows,
    yield_at_maturity_rows,
    zone_rows,
)
from analytics.results import LEVEL, Curve, Result, counted, line, of_share

OTHER_SHAPE = {"Burr": "log-logistic", "log-logistic": "log-normal"}
YIELD_THRESHOLD_PCT = 70.0
NEARLY_ALL = 0.99  # a share past which the poor part of the distribution decides
SAID_FROM = 0.05  # points
FEW_FOLLOWED = f"no interval: fewer than {distribution.FEW_PLACEMENTS} planted zones followed"
TOO_WIDE = 50.0  # points: a share with wider limits is flagged (a choice of ours)


def emergence(
    records: Records,
    *,
    fit: Emergence | None = None,
    curve: str = USUAL_CURVE,
    choices: yields.Choices = yields.USUAL,
    case_mix: tuple[str, ...] = (),
    early_shedding: bool = False,
    from_month: float | None = None,
    level: float = LEVEL,
    both_shapes: bool = True,
) -> Curve:
    """Return the emergence model as a table and as curves by zone.

    Parameters
    ----------
    fit
        A fit already made by `fit_emergence` on the same records; fitted here if not given.
    curve, choices, case_mix, early_shedding, from_month
        As in `fit_emergence`.
    both_shapes
        Show the headline under a second curve shape too.

    Returns
    -------
    Curve
        Terms by zone: `plateau_yield, yield_at_maturity` (and under the second shape), `half_month,
        month_of_95_pct_of_plateau`; between zones: `tempo_ratio, yield_difference_at_maturity,
        plateau_difference`; `case mix: ...`; `SD ...`; `shared error: ...`. `path` is the mean yield by
        month.

    Raises
    ------
    FitError
        When too few placements are followed.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> emergence(clinic, both_shapes=False).table()["term"].unique().tolist()[:3]
    ['plateau_yield', 'yield_at_maturity', 'half_month']
    """
    if fit is None:
        fit = fit_emergence(
            records,
            curve=curve,
            choices=choices,
            case_mix=tuple(case_mix),
            early_shedding=early_shedding,
            from_month=from_month,
        )
    rows = zone_rows(fit, level=level)
    if both_shapes:
        rows += _other_shape(records, fit, level)
    rows += between_rows(fit, level=level)
    rows += mix_rows(fit, level=level) + spread_rows(fit, level=level) + shared_rows(fit, level=level)
    return Curve(
        pd.DataFrame(rows),
        rows_for(records, fit).used,
        _method(fit, level),
        ("zone",),
        dict(fit.checks),
        "curve",
        (*fit.words, *_shared_in_words(fit)),
        path=path(fit, level=level),
    )


def _shared_in_words(fit: Emergence) -> tuple[str, ...]:
    """Return how much of a yield's error all placements share."""
    found = {row["term"].removeprefix("shared error: "): row["estimate"] for row in shared_rows(fit)}
    told = [f"{name} {size:.1f}" for name, size in found.items() if size >= SAID_FROM]
    if not told:
        return ()
    return (
        f"of a final yield's standard error these points are shared by all placements: {', '.join(told)}; "
        "more patients do not make them smaller, and they fall out of a difference as far as both sides "
        "share them",
    )


def _other_shape(records: Records, fit: Emergence, level: float) -> list[dict]:
    shape = OTHER_SHAPE.get(fit.curve, "log-logistic")
    other = fit_emergence(
        records,
        curve=shape,
        choices=fit.choices,
        case_mix=tuple(dict.fromkeys(m.column for m in fit.mix)),
        early_shedding=fit.has_shed,
        from_month=fit.from_month,
        by=fit.by,
        near=fit,
    )
    term = f"yield_at_maturity ({shape})"
    return yield_at_maturity_rows(other, level=level, term=term)


def _method(fit: Emergence, level: float) -> str:
    late = "" if fit.from_month is None else f", readings from month {fit.from_month:g} on"
    rate = f"; {fit.native.in_words}" if fit.choices.native_change == "combined" else ""
    return (
        f"emergence model on density, {fit.curve} by zone, random plateau and log tempo (patient, "
        f"placement), native density by region; {fit.likelihood}; {fit.choices.in_words}{rate}{late}; robust "
        f"errors over {counted(fit.n_patients_all)} patients, and three errors that all placements share "
        f"({', '.join(fit.shared)}); level {level:g}"
    )


def rows_for(records: Records, fit: Emergence) -> EmergenceRows:
    """Return the rows a fit rests on, laid out for `forecast` (all patients; choose by `patient_id`).

    Parameters
    ----------
    records
        The records the fit was made on, or some patients of them.
    fit
        Of `fit_emergence`.

    Returns
    -------
    EmergenceRows
        `frame` has one row per reading and region, baselines included; `used` every row with its reason.

    Examples
    --------
    Shown by `forecast`, which takes them for one patient.
    """
    return select(records, choices=fit.choices, coded=fit.mix, from_month=fit.from_month, by=fit.by)


def tempo(fit: Emergence) -> dict[str, tuple[float, float]]:
    """Return half month and steepness of every zone: what `yields.joint(records, tempo=)` holds.

    Parameters
    ----------
    fit
        Of `fit_emergence`.

    Returns
    -------
    dict
        Zone -> (half month in months since the session, steepness), both above 0.

    Examples
    --------
    Shown with `fit_plateaus`: it needs a fitted practice.
    """
    _, log_half, log_k = parameters(fit, fit.beta)
    return {
        zone: (float(np.exp(h)), float(np.exp(k)))
        for zone, h, k in zip(fit.zones, log_half, log_k, strict=True)
    }


def fit_plateaus(records: Records, *, fit: Emergence | None = None, seed: int = 1) -> PlateauDistribution:
    """Fit how plateaus are spread over a practice's placements, on the emergence model.

    Parameters
    ----------
    fit
        The emergence model of the same records; fitted here if not given.
    seed
        Of the bootstraps behind the limits.

    Returns
    -------
    PlateauDistribution
        How plateau and tempo differ between placements, zone by zone, on a grid, with draws for limits.

    Raises
    ------
    FitError
        When too few placements are followed.

    Examples
    --------
    What a fitted practice says: half month and steepness by zone, and who stays under a yield:

    >>> from analytics import simulate
    >>> plateaus = fit_plateaus(simulate.as_records(simulate.register(20)[0]))
    >>> sorted(tempo(plateaus.fit))
    ['crown', 'frontal', 'hairline', 'midscalp', 'temples']
    >>> half, low = (share_below(plateaus, "crown", threshold).estimate for threshold in (50.0, 80.0))
    >>> 0 <= half <= low <= 1
    True
    >>> shares(plateaus, [6.0, 12.0], 50.0, zones=("crown",)).table()["x"].dropna().tolist()
    [6.0, 12.0]
    """
    found = fit_emergence(records) if fit is None else fit
    return of_plateaus.fit_distribution(rows_for(records, found), found, seed=seed)


def shares(
    plateaus: PlateauDistribution, months, percent: float, *, zones=None, level: float = LEVEL
) -> Result:
    """Return the share of placements whose true yield has reached a milestone by month, and the median.

    Parameters
    ----------
    plateaus
        How the practice's plateaus are spread: `fit_plateaus`.
    months
        Months after the session, above 0.
    percent
        The milestone, percent of planted hairs, above 0.
    zones
        Zones wanted; all of the fit if not given.

    Returns
    -------
    Result
        By zone: `share_past_<percent>_pct` (x is the month, percent of placements) and
        `median_month_to_<percent>_pct`.

    Raises
    ------
    ParameterError
        When the milestone is not above 0 or a zone is not in the fit.

    Examples
    --------
    Shown with `fit_plateaus`: it needs a fitted practice.
    """
    if not percent > 0:
        raise ParameterError(
            "regrowth.shares(percent): not above 0; give a milestone in percent of planted hairs"
        )
    wanted = np.atleast_1d(np.asarray(months, dtype=float))
    fit = plateaus.fit
    rows: list[dict] = []
    for zone in zones or fit.zones:
        rows += _share_lines(plateaus, zone, wanted, percent, level)
        rows.append(_median_line(plateaus, zone, percent, level))
    return Result(
        pd.DataFrame(rows),
        pd.DataFrame(),
        "model-based shares, marginal over patients and placements; plateaus spread as a beta of unknown "
        f"upper end, some of them poor growth, found by empirical Bayes from {plateaus.n_used} placements; "
        f"{of_plateaus.DRAWS} draws over patients, seed {plateaus.seed}; {_method(fit, level)}",
        ("zone",),
        dict(fit.checks) | {"plateaus_converged": plateaus.converged},
        notes=fit.words,
    )


def _share_lines(
    plateaus: PlateauDistribution, zone: str, months, percent: float, level: float
) -> list[dict]:
    fit, k = plateaus.fit, plateaus.fit.zone_index(zone)
    found = distribution.share_quantities(plateaus, zone, months, percent, level=level)
    lines = []
    for month, one in zip(months, found, strict=True):
        (low, high), why = of_share(100 * one.ci_low, 100 * one.ci_high, fit.n_patients[k])
        flags = [
            "past the last supported month" if month > fit.last_month[k] + 1 else "",
            "over 99 %: finer cannot be told" if one.estimate > NEARLY_ALL else "",
            why or ("too few to say" if high - low > TOO_WIDE else ""),
            FEW_FOLLOWED if np.isnan(one.ci_low) and not why else "",
        ]
        se = 100 * one.se if np.isfinite(low) else np.nan
        of_100 = replace(one, estimate=100 * one.estimate, se=se, ci_low=low, ci_high=high)
        lines.append(_line(fit, k, f"share_past_{percent:g}_pct", "%", of_100, level, float(month), flags))
    return lines


def _median_line(plateaus: PlateauDistribution, zone: str, percent: float, level: float) -> dict:
    fit, k = plateaus.fit, plateaus.fit.zone_index(zone)
    found = distribution.median_quantity(plateaus, zone, percent, level=level)
    flag = ""
    if found is None:
        found = Quantity(np.nan, np.nan, np.nan, np.nan, degrees(fit, zone))
        flag = "fewer than half ever reach it, says the model"
    elif found.estimate > fit.last_month[k]:
        flag = "past the last supported month"
    term = f"median_month_to_{percent:g}_pct"
    return _line(fit, k, term, "months", found, level, np.nan, [flag])


def _line(fit: Emergence, k: int, term: str, unit: str, found: Quantity, level: float, x, flags) -> dict:
    return line(
        term,
        found.estimate,
        unit,
        by={"zone": fit.zones[k]},
        x=x,
        se=found.se,
        ci=(found.ci_low, found.ci_high),
        level=level,
        df=found.df,
        n_patients=int(fit.n_patients[k]),
        n_rows=int(fit.n_rows[k]),
        flag="; ".join(f for f in flags if f),
    )


def share_below(
    plateaus: PlateauDistribution,
    zones: str | Sequence[str],
    threshold: float = YIELD_THRESHOLD_PCT,
    *,
    level: float = LEVEL,
) -> Quantity:
    """Return the share (0 to 1) of placements with a true yield at maturity under a threshold.

    Parameters
    ----------
    plateaus
        How the practice's plateaus are spread: `fit_plateaus`.
    zones
        A zone, or several taken together by their placements followed.
    threshold
        Percent of planted hairs, above 0.

    Returns
    -------
    Quantity
        `estimate`, `se`, `low`, `high`, shares of 0 to 1, and `df`.

    Examples
    --------
    Shown with `fit_plateaus`: it needs a fitted practice.
    """
    named = (zones,) if isinstance(zones, str) else tuple(zones)
    return distribution.share_below_quantity(plateaus, named, threshold, level=level)


def chances_below(
    plateaus: PlateauDistribution, frame: pd.DataFrame, threshold: float = YIELD_THRESHOLD_PCT
) -> pd.Series:
    """Return the chance (0 to 1) of each placement that its true yield at maturity lies under a threshold.

    Parameters
    ----------
    plateaus
        How the practice's plateaus are spread: `fit_plateaus`.
    frame
        Rows of `rows_for(records, plateaus.fit).frame`; all rows of a patient or none.
    threshold
        Percent of planted hairs, above 0.

    Returns
    -------
    pandas.Series
        Chances of 0 to 1 by placement_id.
    """
    post = posterior(plateaus, frame)
    months = plateaus.fit.maturity_month[post.of.zone]
    names = pd.Index([str(name) for name in post.of.names])
    return pd.Series(chance_below(post, months[:, None], threshold)[:, 0], index=names)


def poor_growth(
    records: Records, visits: pd.DataFrame, choices: yields.Choices, threshold: float
) -> pd.Series:
    """Return `chances_below` by the practice's own distribution, of rows of `yields.by_visit` made as chosen.

    Raises
    ------
    FitError
        When too few placements are followed.
    """

    def make() -> PlateauDistribution:
        return fit_plateaus(records, fit=fit_emergence(records, choices=choices))

    plateaus = once(records, "plateaus", choices, make)
    return chances_below(plateaus, prepare(visits, records, choices=choices).frame, threshold)


def not_drawn(chance: pd.Series) -> pd.Series:
    """Return chances spread out again, so that the difference of two groups' means is not too small.

    A chance is drawn towards the practice's share s: its mean is a among those truly above the threshold and
    b among those truly below, neither 0 nor 1. (chance - a) / (b - a) has means 0 and 1; where a chance c
    comes true with chance c, a = mean c (1 - c) / (1 - s) and b = mean c^2 / s. Single values leave 0 to 1.

    Parameters
    ----------
    chance
        Chances of 0 to 1, both sides of their mean among them.

    Returns
    -------
    pandas.Series
        Of the same index; single values leave 0 to 1.

    Examples
    --------
    >>> not_drawn(pd.Series([0.2, 0.2, 0.8, 0.8])).round(3).tolist()
    [-0.333, -0.333, 1.333, 1.333]
    """
    share = chance.mean()
    above = (chance * (1 - chance)).mean() / (1 - share)
    below = (chance**2).mean() / share
    return (chance - above) / (below - above)
