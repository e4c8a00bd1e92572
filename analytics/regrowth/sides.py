"""Does the crown end lower than the front, or only come later? Both on one axis, from one emergence fit.

The front is hairline and frontal together, weighed by placements followed. *Later* is the difference of the
two half months, in months (delta method on the fit; the ratio of the same two is the tempo ratio); *lower*
the difference of mean yields, each at its own month of maturity.

`extra` holds what lies beneath the curves: `readings` (one row a reading, with its placement), `read`
(placements read within READ_WITHIN of each tick) and `counted` (placements followed, and counted at
maturity).

**What the verdict rests on.** The emergence model says what a zone will carry at maturity from all its
readings, early ones too. Where few crowns have been counted at maturity, that is its curve carried on: equal
plateaus and a slower crown look like a lower one. So *lower* (or *higher*) needs FEWEST_COUNTED patients of
the zone counted at maturity and as many of the front (a choice of ours: ten patients with a spread of 15
points give a mean its standard error of 5); before, the model can say *slower* alone, and here stands the
register month from which the rest can be told: that in which so many more will have reached maturity, if
they are counted as often as those due so far were.

Beside the model stands the *direct* difference: readings at maturity alone, zone against front, error
clustered by patient (Bell & McCaffrey 2002). And one patient at a time is left out, of the TRIED whose own
readings speak for the verdict most: if the model's interval holds 0 without one of them, one patient carries
it.
"""

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from analytics import followup, yields
from analytics.dictionary import FRONT, MATURITY_MONTH
from analytics.errors import FitError
from analytics.numerics import regression
from analytics.records import Records
from analytics.regrowth.emergence import Emergence, fit_emergence
from analytics.regrowth.quantities import FRONT_NAME, degrees, mean_yield, parameters, quantities, weights_of
from analytics.regrowth.rows import select
from analytics.regrowth.tables import between_rows, side_line
from analytics.results import LEAST_FOR_INTERVAL, LEVEL, Curve, line

FEWEST_COUNTED = 10  # patients of each side
TRIED = 3  # patients left out, one at a time
MOST_PATIENTS = 300  # with more on the zone's side one patient carries nothing, and refits are slow
FEWEST_DUE = 5  # closed windows from which the share counted is taken; with fewer, that of all zones
HOLDS, HANGS = "holds without any one patient tried", "hangs on one patient"
NOT_TRIED = "the interval includes 0 with everyone in"
GAP = "yield_difference_at_maturity"
FOLLOWED, COUNTED_AT_MATURITY = "followed", "counted at maturity"
DIRECT, MONTH = "direct difference at maturity", "month from which it can be told"
WITHOUT_ONE = "difference without one patient"
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

    Returns
    -------
    Curve
        For front and zone `yield_at_maturity` (x is the month) and `half_month`; for `zone : front`
        `yield_difference_at_maturity`, `half_month_difference` (months) and `tempo_ratio`; then what the
        verdict rests on (`rests_on`): who was counted at maturity, the direct difference, from when
        it can be told, whether it holds without one patient. `path` is the mean
        yield by month; its rows with few placements read nearby carry a flag.

    Raises
    ------
    FitError
        When the zone or the front was not followed often enough to be in the fit.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(20)[0])
    >>> found = against_front(clinic, zone="crown").table()
    >>> found.loc[found["zone"].eq("crown : front"), "term"].tolist()[:3]
    ['tempo_ratio', 'yield_difference_at_maturity', 'half_month_difference']
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
    between = _difference(fit, zone, level)
    visits = yields.by_visit(records, choices=fit.choices)
    gap = next(line for line in between if line["term"] == GAP)
    lines += [*between, *rests_on(records, fit, visits, gap, zone=zone, level=level)]
    used = select(records, choices=fit.choices, coded=fit.mix, from_month=fit.from_month, by=fit.by).used
    return Curve(
        pd.DataFrame(lines),
        used[used["zone"].isin([*FRONT, zone])],
        f"emergence model on density, {fit.curve} by zone; front: hairline and frontal weighed by "
        f"placements; differences by the delta method; level {level:g}; direct difference: readings at "
        "maturity alone, error clustered by patient, t",
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
    month, df = _maturity(fit, side), degrees(fit, side)
    mean = quantities(fit, _mean(fit, side, [month]), level=level, df=df)[0]
    half = quantities(fit, lambda b, s: [_half(fit, side, b)], level=level, df=df, scale="log")[0]
    n = int(fit.n_patients[weights_of(fit, side) > 0].max())
    return [
        side_line(side, "yield_at_maturity", "%", mean, level, x=month, n_patients=n, flag=""),
        side_line(side, "half_month", "months", half, level, n_patients=n, flag=""),
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
    if fit.n_patients[weights_of(fit, side) > 0].max() < LEAST_FOR_INTERVAL:
        found = [replace(one, ci_low=np.nan, ci_high=np.nan) for one in found]
    return [
        side_line(
            side, "yield", "%", one, level, x=month,
            flag=f"fewer than {FEW_READ} placements read near this month" if n < FEW_READ else "",
        )
        for one, month, n in zip(found, months, nearest, strict=True)
    ]  # fmt: skip


def rests_on(
    records: Records, fit: Emergence, visits: pd.DataFrame, gap: dict, *, zone: str, level: float = LEVEL
) -> list[dict]:
    """Return what the verdict on a zone against the front rests on, as lines of a result by zone.

    Parameters
    ----------
    fit, visits
        The emergence model of these records, and `yields.by_visit` under its choices.
    gap
        The line of the model's difference at maturity, zone less front.
    zone, level
        The zone set against the front (hairline and frontal); level of the intervals.

    Returns
    -------
    list of dict
        Of the zone and of the front `followed` and `counted at maturity` (patients); of the pair `direct
        difference at maturity` (points), `month from which it can be told` (register month; missing where it
        can be told now, or not from the sessions so far), `difference without one patient` (that of the
        refits nearest to 0, its flag whether the verdict holds).
    """
    pair = f"{zone} : {FRONT_NAME}"
    read = _read_at_maturity(visits, zone)
    sides = {zone: [zone], FRONT_NAME: list(FRONT)}
    counted = {side: int(read.loc[read["zone"].isin(z), "patient_id"].nunique()) for side, z in sides.items()}
    followed = {side: _followed(visits, z) for side, z in sides.items()}
    return [
        *(
            line(term, float(numbers[side]), "patients", by={"zone": side}, basis="count", flag="")
            for side in sides
            for term, numbers in ((FOLLOWED, followed), (COUNTED_AT_MATURITY, counted))
        ),
        _direct(read, zone, pair, level),
        _when(records, visits, counted, zone, pair),
        _without_one(records, fit, visits, gap, zone, level),
    ]


def _read_at_maturity(visits: pd.DataFrame, zone: str) -> pd.DataFrame:
    read = yields.one_reading(visits)
    read = read[read["zone"].isin([zone, *FRONT])]
    return read.assign(value=read["yield_pct"] / read["planted_ratio"])[["patient_id", "zone", "value"]]


def _followed(visits: pd.DataFrame, zones: list[str]) -> int:
    after = visits[visits["for_curve"] & ~visits["is_baseline"] & visits["zone"].isin(zones)]
    return int(after["patient_id"].nunique())


def _direct(read: pd.DataFrame, zone: str, pair: str, level: float) -> dict:
    """Return the difference of the mean readings at maturity, zone less front."""
    term, by = DIRECT, {"zone": pair}
    here = read["zone"].eq(zone).to_numpy()
    fewer = int(min(read.loc[side, "patient_id"].nunique() for side in (here, ~here)))
    about: dict[str, Any] = {
        "by": by,
        "level": level,
        "basis": "model",
        "n_patients": fewer,
        "n_rows": len(read),
    }
    if fewer < 2:
        return line(term, np.nan, "points", flag="fewer than two patients counted on one side", **about)
    design = np.column_stack([np.ones(len(read)), here])
    fit = regression.values(read["value"].to_numpy(dtype=float), design, read["patient_id"].to_numpy())
    found = regression.contrast(fit, [0.0, 1.0], level=level)
    return line(
        term, found.estimate, "points", se=found.se, ci=(found.low, found.high), df=found.df, flag="", **about
    )


def _when(records: Records, visits: pd.DataFrame, counted: dict[str, int], zone: str, pair: str) -> dict:
    """Return the register month in which enough of the zone should have been counted at maturity."""
    term, by, unit = MONTH, {"zone": pair}, "register month"
    needed = FEWEST_COUNTED - counted[zone]
    if needed <= 0:
        flag = "now" if counted[FRONT_NAME] >= FEWEST_COUNTED else "too few of the front counted at maturity"
        return line(term, np.nan, unit, by=by, basis="model", flag=flag)
    became = followup.states(records, visits)
    due = became[became["is_closed"] & became["state"].isin(followup.DUE_STATES)]
    own = due[due["zone"].eq(zone)]
    share = (own if len(own) >= FEWEST_DUE else due)["state"].eq(followup.COUNTED).mean()
    coming = became[became["zone"].eq(zone) & became["state"].isin([followup.IN_WINDOW, followup.NOT_YET])]
    months = coming.drop_duplicates("patient_id")["register_month"] + MATURITY_MONTH[zone]
    months = np.sort(np.maximum(months.to_numpy(dtype=float), followup.register_end(records) + 1))
    most = int(np.ceil(needed / share)) if share > 0 else len(months) + 1
    if most > len(months):
        said = f"not from the sessions so far: {FEWEST_COUNTED} patients counted are needed"
        return line(term, np.nan, unit, by=by, basis="model", flag=said)
    return line(term, months[most - 1], unit, by=by, basis="model", flag="if counted as often as so far")


def _without_one(
    records: Records, fit: Emergence, visits: pd.DataFrame, gap: dict, zone: str, level: float
) -> dict:
    """Return the model's difference without one patient, the one of those tried that moves it most to 0."""
    term, by = WITHOUT_ONE, {"zone": gap["zone"]}
    side = np.sign(gap["estimate"])
    if not (gap["ci_low"] > 0 or gap["ci_high"] < 0):
        return line(term, np.nan, "points", by=by, basis="model", flag=NOT_TRIED)
    many = fit.n_patients[fit.zone_index(zone)] > MOST_PATIENTS
    if many or gap["n_patients"] <= LEAST_FOR_INTERVAL:
        why = f"more than {MOST_PATIENTS} patients on the side of the zone" if many else "too few patients"
        said = f"not tried: {why}"
        return line(term, np.nan, "points", by=by, basis="model", flag=said)
    tried = [_refitted(records, fit, who, gap["zone"], level) for who in _speaking(fit, visits, zone, side)]
    found = [f for f in tried if f is not None]
    if not found:
        return line(term, np.nan, "points", by=by, basis="model", flag="not tried: no fit without one")
    nearest = min(found, key=lambda f: side * (f["ci_low"] if side > 0 else f["ci_high"]))
    holds = all(side * (f["ci_low"] if side > 0 else f["ci_high"]) > 0 for f in found)
    return line(
        term, nearest["estimate"], "points", by=by, se=nearest["se"],
        ci=(nearest["ci_low"], nearest["ci_high"]), level=level, df=nearest["df"],
        n_patients=nearest["n_patients"], basis="model", flag=HOLDS if holds else HANGS,
    )  # fmt: skip


def _speaking(fit: Emergence, visits: pd.DataFrame, zone: str, side: float) -> list[str]:
    """Return the patients whose readings of the zone lie furthest off its course, on the verdict's side.

    Weighed by the square root of their number: two readings alike say more than one.
    """
    rows = visits[visits["for_curve"] & ~visits["is_baseline"] & visits["zone"].eq(zone)]
    course = mean_yield(fit, fit.zone_index(zone), rows["month"].to_numpy(dtype=float), fit.beta, fit.spread)
    off = rows.assign(off=side * (rows["yield_pct"].to_numpy(dtype=float) - course))
    summed = off.groupby("patient_id")["off"].agg(["mean", "size"])
    strength = summed["mean"] * np.sqrt(summed["size"])
    return [str(who) for who in strength.sort_values(ascending=False).index[:TRIED]]


def _refitted(records: Records, fit: Emergence, who: str, pair: str, level: float) -> dict | None:
    """Return the difference from the fit without one patient; None where there is none."""
    others = {
        name: frame[frame["patient_id"].ne(who)].reset_index(drop=True)
        for name in ("patients", "sessions", "placements", "measurements", "visits", "therapies")
        for frame in (getattr(records, name),)
        if "patient_id" in frame
    }
    try:
        again = fit_emergence(
            replace(records, **others),
            curve=fit.curve,
            choices=fit.choices,
            case_mix=tuple(dict.fromkeys(m.column for m in fit.mix)),
            early_shedding=fit.has_shed,
            from_month=fit.from_month,
            near=fit,
        )
    except FitError:
        return None
    rows = [r for r in between_rows(again, level=level) if r["zone"] == pair and r["term"] == GAP]
    return rows[0] if rows else None
