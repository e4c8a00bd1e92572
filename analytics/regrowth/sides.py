"""Does the crown end lower than the front, or only come later? Both on one axis, from one emergence fit.

The front is hairline and frontal together, weighed by placements followed. *Later* is the difference of the
two half months, in months (delta method on the fit; the ratio of the same two is the tempo ratio); *lower*
the difference of mean yields, each at its own month of maturity.

`extra` holds what lies beneath the curves: `readings` (one row a reading, with its placement), `read`
(placements read within READ_WITHIN of each tick) and `counted` (placements followed, and counted at
maturity).
"""

import numpy as np
import pandas as pd

from analytics import yields
from analytics.dictionary import FRONT
from analytics.errors import FitError
from analytics.records import Records
from analytics.regrowth.emergence import Emergence, fit_emergence
from analytics.regrowth.quantities import FRONT_NAME, degrees, mean_yield, parameters, quantities, weights_of
from analytics.regrowth.rows import select
from analytics.regrowth.tables import between_rows, few_patients_of, side_line
from analytics.results import LEVEL, Curve

TICKS = np.arange(3.0, 25.0, 3.0)  # months at which placements read are counted
READ_WITHIN = 1.5  # months
FEW_READ = 10  # placements: with fewer the curve is carried by the model
STEP = 0.5  # months


def against_front(
    records: Records, *, fit: Emergence | None = None, zone: str = "crown", level: float = LEVEL
) -> Curve:
    """Return a zone and the front on one axis: yield, half month, and their differences.

    Parameters
    ----------
    fit
        A fit made by `fit_emergence` on the same records; fitted here if not given.
    zone
        The zone set against the front.
    level
        Of the intervals.

    Returns
    -------
    Curve
        For front and zone `yield_at_maturity` (x is the month) and `half_month`; for `zone : front`
        `yield_difference_at_maturity`, `half_month_difference` (months) and `tempo_ratio`. `path` is the mean
        yield by month; its rows with few placements read nearby carry a flag.

    Raises
    ------
    FitError
        When the zone or the front was not followed often enough to be in the fit.
    """
    fit = fit_emergence(records) if fit is None else fit
    if zone not in fit.zones or not set(fit.zones) & set(FRONT):
        missing = zone if zone not in fit.zones else FRONT_NAME
        raise FitError(
            f"regrowth.against_front: too few placements of the {missing} were followed to set the {zone} "
            "against the front"
        )
    sides = (FRONT_NAME, zone)
    rows = _readings(records, fit, zone)
    read = _read_near(rows, sides)
    lines = [line for side in sides for line in _own(fit, side, level)]
    lines += _difference(fit, zone, level)
    visits = yields.by_visit(records, choices=fit.choices)
    used = select(records, choices=fit.choices, coded=fit.mix, from_month=fit.from_month, by=fit.by).used
    return Curve(
        pd.DataFrame(lines),
        used[used["zone"].isin([*FRONT, zone])],
        f"emergence model on density, {fit.curve} by zone; front: hairline and frontal weighed by "
        f"placements; differences by the delta method; level {level:g}",
        ("zone",),
        dict(fit.checks),
        "sides",
        extra={"readings": rows, "read": read, "counted": _counted(rows, visits, sides)},
        path=pd.DataFrame([line for side in sides for line in _path(fit, side, read, level)]),
    )


def _readings(records: Records, fit: Emergence, zone: str) -> pd.DataFrame:
    """Return one row a reading of either side that the curve rests on, in percent of planted hairs."""
    visits = yields.with_reason(yields.by_visit(records, choices=fit.choices), "curve")
    used = visits[visits["reason"].eq("") & ~visits["is_baseline"].astype(bool) & visits["yield_pct"].notna()]
    used = used[used["zone"].isin([*FRONT, zone])]
    side = used["zone"].astype(str).where(used["zone"].eq(zone), FRONT_NAME)
    columns = {"zone": side, "patient_id": used["patient_id"], "placement_id": used["placement_id"]}
    return pd.DataFrame({**columns, "x": used["month"], "y": used["yield_pct"]}).reset_index(drop=True)


def _read_near(rows: pd.DataFrame, sides: tuple[str, str]) -> pd.DataFrame:
    """Return how many placements of each side were read near each tick."""
    return pd.DataFrame(
        [
            {"zone": side, "x": tick, "n": _placements_near(rows[rows["zone"].eq(side)], tick)}
            for side in sides
            for tick in TICKS
        ]
    )


def _placements_near(rows: pd.DataFrame, month: float) -> int:
    return int(rows.loc[(rows["x"] - month).abs().le(READ_WITHIN), "placement_id"].nunique())


def _counted(rows: pd.DataFrame, visits: pd.DataFrame, sides: tuple[str, str]) -> pd.DataFrame:
    """Return how many placements of each side are in the curve, and how many were counted at maturity."""
    at_maturity = set(yields.one_reading(visits)["placement_id"])
    out = []
    for side in sides:
        followed = set(rows.loc[rows["zone"].eq(side), "placement_id"])
        out.append({"zone": side, "n_followed": len(followed), "n_counted": len(followed & at_maturity)})
    return pd.DataFrame(out)


def _maturity(fit: Emergence, side: str) -> float:
    return float(fit.maturity_month[weights_of(fit, side) > 0].max())


def _mean(fit: Emergence, side: str, months):
    """Return the function of fixed effects and spreads that gives a side's mean yield at the months."""
    weights = weights_of(fit, side)
    return lambda b, s: sum(w * mean_yield(fit, k, months, b, s) for k, w in enumerate(weights) if w)


def _half(fit: Emergence, side: str, beta: np.ndarray) -> float:
    return float(np.exp(weights_of(fit, side) @ parameters(fit, beta)[1]))


def _own(fit: Emergence, side: str, level: float) -> list[dict]:
    """Return the yield at maturity and the half month of one side."""
    month, df, flag = (
        _maturity(fit, side),
        degrees(fit, side),
        few_patients_of(fit, weights_of(fit, side) > 0),
    )
    mean = quantities(fit, _mean(fit, side, [month]), level=level, df=df)[0]
    half = quantities(fit, lambda b, s: [_half(fit, side, b)], level=level, df=df, scale="log")[0]
    n = int(fit.n_patients[weights_of(fit, side) > 0].max())
    return [
        side_line(side, "yield_at_maturity", "%", mean, level, x=month, n_patients=n, flag=flag),
        side_line(side, "half_month", "months", half, level, n_patients=n, flag=flag),
    ]


def _difference(fit: Emergence, zone: str, level: float) -> list[dict]:
    """Return the differences of yield and of half months, and the ratio of half months."""
    pair = f"{zone} : {FRONT_NAME}"
    terms = ("yield_difference_at_maturity", "tempo_ratio")
    known = [r for r in between_rows(fit, level=level) if r["zone"] == pair and r["term"] in terms]
    found = quantities(
        fit,
        lambda b, s: [_half(fit, zone, b) - _half(fit, FRONT_NAME, b)],
        level=level,
        df=degrees(fit, zone, FRONT_NAME),
    )[0]
    later = side_line(
        pair, "half_month_difference", "months", found, level, n_patients=known[0]["n_patients"],
        flag=next(r["flag"] for r in known if r["term"] == "tempo_ratio"),
    )  # fmt: skip
    return [*known, later]


def _path(fit: Emergence, side: str, read: pd.DataFrame, level: float) -> list[dict]:
    """Return a side's mean yield by month, flagged where few placements were read nearby."""
    last = min(float(fit.last_month[weights_of(fit, side) > 0].min()), float(TICKS[-1]))
    months = np.arange(0.0, last + 1e-9, STEP)
    found = quantities(fit, _mean(fit, side, months), level=level, df=degrees(fit, side))
    near = read[read["zone"].eq(side)].set_index("x")["n"]
    nearest = [near.iloc[int(np.argmin(np.abs(TICKS - month)))] for month in months]
    return [
        side_line(
            side, "yield", "%", one, level, x=month,
            flag=f"fewer than {FEW_READ} placements read near this month" if n < FEW_READ else "",
        )
        for one, month, n in zip(found, months, nearest, strict=True)
    ]  # fmt: skip
