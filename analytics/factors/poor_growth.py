"""Who grows poorly, and why? Each planted zone's chance of poor growth against what was recorded.

The chance that a planted zone's true yield at maturity lies under 70 % of the planted hairs comes from the
practice's distribution of plateaus and the zone's own readings (`regrowth.posterior`), so it is drawn
towards the practice already. Its difference by one recorded thing at a time is that of a mixed model with a
patient intercept, adjusted for zone and case mix; because the chances are drawn towards one another the
differences are a little too small. A search over many: the limits hold for all differences together
(Bonferroni), and each is also shown drawn towards zero by the share of their spread that is chance
(empirical Bayes, Efron & Morris 1975, J Am Stat Assoc 70:311-319).
"""

from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from analytics import bench, regrowth, results
from analytics.errors import FitError
from analytics.factors.adjusted import FEWEST_A_SIDE, adjusted_for, difference, formula, too_few
from analytics.records import Records
from analytics.regrowth import PlateauDistribution
from analytics.results import LEVEL, Gap, Result, line

THRESHOLD = 70.0  # percent of planted hairs; no definition of poor growth is agreed
NAMED_FROM = 50.0  # percent: a chance from which a planted zone is listed; a choice of ours
FEWEST_EXPECTED = 5.0  # planted zones of poor growth to be expected; a choice of ours
NOT_READ = "no reading after the session from which a chance could be told"
UNIT = "points of chance"
SHARED = {
    "time out of body, an hour more": "time out of body, hours",
    "planted density, 10 grafts/cm2 more": "planted density, tens of grafts/cm2",
}
NUMBERS: dict[str, Callable[[pd.DataFrame], pd.Series]] = {
    "time out of body, an hour more": lambda f: f["out_of_body_min"] / 60,
    "planted density, 10 grafts/cm2 more": lambda f: f["grafts"] / f["area_cm2"] / 10,
    "smoker": lambda f: f["smoker"],
    "planted into a scar": lambda f: f["recipient"].eq("scar").where(f["recipient"].notna()),
    "later session": lambda f: f["session_number"] > 1,
}
SURGEON = "surgeon: "
GROUPS = {"holding_medium": "medium: ", "method": "method: ", "surgeon_id": SURGEON}


def poor_growth(records: Records, *, plateaus: PlateauDistribution, level: float = LEVEL) -> Result:
    """Return by how much the chance of poor growth differs with what was recorded.

    Parameters
    ----------
    plateaus
        The practice's distribution: `regrowth.fit_plateaus`.
    level
        Of all limits together.

    Returns
    -------
    Result
        Two lines per recorded thing: the difference, adjusted for zone, and the same drawn towards zero.
        `extra`: look_at (planted zones with a chance from 50 %), shared (what they share, against all),
        surgeons (each against the one with most planted zones; apart, because not for every reader).

    Examples
    --------
    >>> from analytics import factors, regrowth, simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> model = regrowth.fit_plateaus(clinic, fit=regrowth.fit_emergence(clinic))
    >>> factors.poor_growth(clinic, plateaus=model).table()["unit"].unique().tolist()
    ['points of chance']
    """
    units = bench.units(records, choices=plateaus.fit.choices).frame
    frame = with_chances(units, records, plateaus)
    read = frame[frame["reason"].eq("")].reset_index(drop=True)
    if gap := too_few(read, "what goes with poor growth"):
        return gap
    expected = float(read["chance"].sum() / 100)
    if expected < FEWEST_EXPECTED:
        return results.unanswered(
            Gap(f"Cannot be told: about {expected:.0f} planted zones of poor growth are to be expected here, "
                f"and {FEWEST_EXPECTED:g} are needed.")
        )  # fmt: skip
    compared = list(recorded(read))
    if not compared:
        return results.unanswered(Gap("Cannot be told: nothing recorded differs between enough patients."))
    together = 1 - (1 - level) / len(compared)
    lines, fitted = [], None
    for name, values in compared:
        given = read.assign(compared=values)
        try:
            fitted = bench.model(formula(given, "chance", "compared"), given)
        except FitError:
            continue
        by = {"recorded": name}
        lines.append(
            difference(fitted, "compared", "difference", UNIT, level=level, level_used=together, by=by)
        )
    if fitted is None or not lines:
        return results.unanswered(Gap("Cannot be told: what was recorded does not part from the zones."))
    lines += _drawn_to_zero(lines)
    table = pd.DataFrame(lines)
    of_staff = table["recorded"].str.startswith(SURGEON)
    method = (
        f"chance of a true yield under {THRESHOLD:g} % at maturity, one recorded thing at a time, limits for "
        f"all {len(compared)} together; {adjusted_for(fitted)}"
    )
    named = read[read["chance"].ge(NAMED_FROM)]
    return Result(
        table[~of_staff].reset_index(drop=True),
        frame[["patient_id", "placement_id", "zone", "chance", "reason"]],
        method,
        by=("recorded",),
        extra={
            "look_at": _listed(named),
            "shared": _shared(read, named, compared),
            "surgeons": _of_surgeons(table[of_staff & table["term"].eq("difference")]),
        },
    )


def with_chances(units: pd.DataFrame, records: Records, plateaus: PlateauDistribution) -> pd.DataFrame:
    """Return planted zones with `chance` of poor growth in percent; a reason where there was no reading."""
    rows = regrowth.rows_for(records, plateaus.fit).frame
    seen = set(rows.loc[rows["month"].gt(0), "placement_id"].astype(str))
    chance = units["placement_id"].map(100 * regrowth.chances_below(plateaus, rows, THRESHOLD))
    is_read = units["placement_id"].isin(seen) & chance.notna()
    return units.assign(chance=chance, reason=np.where(is_read, "", NOT_READ))


def recorded(frame: pd.DataFrame) -> Iterator[tuple[str, pd.Series]]:
    """Return name and values of each thing recorded of enough patients on either side."""
    for name, made in NUMBERS.items():
        values = pd.to_numeric(made(frame), errors="coerce").astype(float)
        if _enough(frame, values):
            yield name, values
    for column, name in GROUPS.items():
        words = frame[column]
        usual = words.value_counts().index
        for other in usual[1:]:
            values = words.eq(other).astype(float).where(words.isin([other, usual[0]]))
            if _enough(frame, values):
                yield f"{name}{other} against {usual[0]}", values


def _enough(frame: pd.DataFrame, values: pd.Series) -> bool:
    high = values > values.median() if values.nunique() > 2 else values.eq(values.max())
    sides = (frame.loc[high & values.notna(), "patient_id"], frame.loc[~high & values.notna(), "patient_id"])
    return values.nunique() > 1 and min(side.nunique() for side in sides) >= FEWEST_A_SIDE


def _drawn_to_zero(lines: list[dict]) -> list[dict]:
    """Return the differences drawn towards zero by the share of their spread that is chance."""
    z = np.array([one["statistic"] for one in lines if "statistic" in one], dtype=float)
    real = max(float(np.mean(z**2)) - 1.0, 0.0)
    kept = real / (real + 1.0)
    return [
        line("drawn towards zero", one["estimate"] * kept, UNIT, by={"recorded": one["recorded"]},
             basis="model", n_patients=one["n_patients"], n_rows=one.get("n_rows"))
        for one in lines
        if "statistic" in one
    ]  # fmt: skip


LISTED = [
    "patient_id", "session_number", "zone", "chance", "out_of_body_min", "holding_medium", "method", "smoker",
    "recipient", "surgeon_id",
]  # fmt: skip


def _listed(named: pd.DataFrame) -> pd.DataFrame:
    return named.sort_values("chance", ascending=False)[LISTED].reset_index(drop=True)


def _of_surgeons(lines: pd.DataFrame) -> pd.DataFrame:
    told = lines.assign(surgeon=lines["recorded"].str.removeprefix(SURGEON))
    return told[["surgeon", "estimate", "ci_low", "ci_high", "n_patients", "flag"]].reset_index(drop=True)


def _shared(read: pd.DataFrame, named: pd.DataFrame, compared: list) -> pd.DataFrame:
    """Return each recorded thing's mean among the planted zones listed and among all."""
    rows = []
    for name, values in compared:
        if name.startswith(SURGEON) or named.empty:
            continue
        means = [float(values.reindex(part.index).mean()) for part in (named, read)]
        rows.append((SHARED.get(name, name), *means, named["patient_id"].nunique()))
    return pd.DataFrame(rows, columns=["recorded", "mean_of_those_listed", "mean_of_all", "n_patients"])
