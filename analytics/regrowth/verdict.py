"""What does *the crown carries less than the front* rest on: who was counted at maturity, and does it hold?

The emergence model says what a zone will carry at maturity from all its readings, early ones too. Where few
crowns have been counted at maturity, that is its curve carried on: equal plateaus and a slower crown look
like a lower one. So *lower* (or *higher*) needs FEWEST_COUNTED patients of the zone counted at maturity and
as many of the front (a choice of ours: ten patients with a spread of 15 points give a mean its standard
error of 5); before, the model can say *slower* alone, and here stands the register month from which the rest
can be told: that in which so many more will have reached maturity, if they are counted as often as those due
so far were.

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
from analytics.regrowth.quantities import FRONT_NAME, mean_yield
from analytics.regrowth.tables import between_rows
from analytics.results import LEVEL, line

FEWEST_COUNTED = 10  # patients of each side
TRIED = 3  # patients left out, one at a time
MOST_PATIENTS = 300  # with more on the zone's side one patient carries nothing, and refits are slow
FEWEST_DUE = 5  # closed windows from which the share counted is taken; with fewer, that of all zones
HOLDS, HANGS = "holds without any one patient tried", "hangs on one patient"
NOT_TRIED = "holds 0: nothing to hang"
GAP = "yield_difference_at_maturity"
FOLLOWED, COUNTED_AT_MATURITY = "followed", "counted at maturity"
DIRECT, MONTH = "direct difference at maturity", "month from which it can be told"
WITHOUT_ONE = "difference without one patient"


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
    if fit.n_patients[fit.zone_index(zone)] > MOST_PATIENTS:
        said = f"not tried: more than {MOST_PATIENTS} patients on the side of the zone"
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
