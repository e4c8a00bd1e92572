"""What will stand in a patient's zones after the next session, before and beside what it plants?

At each month after the session the density of a zone is

    density = standing + planted x yield(month) / 100

*standing* is what would stand there without the session: where the zone was planted before, the practice's
model given this patient's own readings (`regrowth.forecast`), so that growth still to come and native loss
since the last count are in it; where it was only counted, that count drawn towards the practice's mean of the
zone and thinning; where neither, what age and class lead to expect (`native`), or the practice's mean.
*yield* is the practice's distribution of what newly planted hair gives in the zone by that month, given how
this patient's other placements grew. The two are taken as independent; what grows in two zones goes together
as placements of one patient do in that model (`allocate.chance_of_all`). Both hold the error of the curve and
the difference between patients and placements; *standing* also that of the rate at which native hair thins,
from the last count on.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr

from analytics import dictionary, measurement, regrowth, yields
from analytics.errors import ParameterError
from analytics.measurement import CountError
from analytics.planning.native import Native, expected_native
from analytics.records import Records
from analytics.regrowth import PlateauDistribution
from analytics.results import LEVEL

MONTHS = (12.0, 18.0)
# Density past which a draft has no experience behind it: this centile of the planted densities followed in
# the zone.
EXPERIENCE_CENTILE = 99.0
NO_COUNT = "not counted in this patient: the practice's mean"
NATIVE = "not counted in this patient: expected of age and class, from first counts of {} patients"
UNIT = 100.0  # hairs/cm2 planted, from which yields are read
BISECTIONS = 25
COUNTED = ["density_hairs_cm2", "register_month", "roi_area_cm2", "n_fields"]
NEGLIGIBLE = 1e-7


@dataclass(frozen=True, slots=True)
class Ahead:
    """One zone at months after the session, 0 (the session itself) first.

    `months, standing, standing_var` (m,), hairs/cm2; `yields` (m, cells) percent grown of what is planted,
    with `weights` (cells,), parted in `together` (nodes, cells) by what the patient's zones share. `counted`
    is the latest count, `counted_month` the register month it was taken in, both NaN where there is none;
    `note` says what the standing density rests on where that is no count.
    """

    zone: str
    months: np.ndarray
    standing: np.ndarray
    standing_var: np.ndarray
    yields: np.ndarray
    weights: np.ndarray
    together: np.ndarray
    counted: float
    counted_month: float
    hairs_per_graft: float
    most_planted: float
    note: str

    def at(self, month: float) -> int:
        """Return where a month stands."""
        return int(np.flatnonzero(np.isclose(self.months, month))[0])

    @property
    def maturity(self) -> float:
        """Return the month at which the zone is judged."""
        return float(dictionary.MATURITY_MONTH[self.zone])

    def why_not(self, planted: float) -> str:
        """Say why nothing can be predicted for a planted density; empty where it can."""
        if np.isnan(self.most_planted):
            return "this practice has not followed the zone: nothing to predict from"
        if planted > self.most_planted:
            return (
                f"denser than this practice has followed (up to {self.most_planted:.0f} hairs/cm2): nothing "
                "to predict from; fewer grafts or a larger area"
            )
        return ""


@dataclass(frozen=True, slots=True)
class Density:
    """The density to come in one zone at one month: a mixture of normals."""

    mean: np.ndarray
    sd: np.ndarray
    weight: np.ndarray

    @property
    def expected(self) -> float:
        """Return the expected density, hairs/cm2."""
        return float(self.weight @ self.mean)

    @property
    def spread(self) -> float:
        """Return the standard deviation."""
        return float(np.sqrt(self.weight @ (self.sd**2 + self.mean**2) - self.expected**2))

    def reaches(self, target: float) -> float:
        """Return the chance to be at a density or above it."""
        return float(self.weight @ ndtr((self.mean - target) / self.sd))

    def quantile(self, tail: float) -> float:
        """Return the density below which it lies with a chance; never below 0."""
        low, high = float((self.mean - 8 * self.sd).min()), float((self.mean + 8 * self.sd).max())
        for _ in range(BISECTIONS):
            middle = (low + high) / 2
            under = 1 - self.reaches(middle) < tail
            low, high = (middle, high) if under else (low, middle)
        return max((low + high) / 2, 0.0)

    def limits(self, level: float = LEVEL) -> tuple[float, float]:
        """Return central limits."""
        return self.quantile((1 - level) / 2), self.quantile((1 + level) / 2)


@dataclass(frozen=True, slots=True)
class Outlook:
    """A patient's zones ahead of a session in a register month, and the errors of planting and counting.

    `planted_cv` is the error of a zone's planted density as planned, `region_cv` how much a region departs
    from the average of its zone; `count_error, residual` are those of a count.
    """

    session_month: float
    zones: dict[str, Ahead]
    planted_cv: float
    region_cv: float
    count_error: CountError
    residual: float

    def density(self, zone: str, planted: float, month: float, *, before: float = 0.0) -> Density:
        """Return the zone's true density at a month after the session with hairs/cm2 planted.

        `before`: hairs/cm2 of an earlier planned session, mature by then, that `standing` does not hold.
        """
        mean, variance, weight = self._mixed(zone, planted, month, self.planted_cv, before)
        return Density(mean, np.sqrt(variance), weight)

    def count(self, zone: str, planted: float, month: float) -> Density:
        """Return what one count of a marked field of 1 cm2 in the zone would give at a month."""
        mean, variance, weight = self._mixed(zone, planted, month, self.region_cv)
        counting = measurement.count_variance(
            np.maximum(mean, 1.0), 1.0, marked=True, reader_changed=False, error=self.count_error
        )
        return Density(mean, np.sqrt(variance + counting + self.residual), weight)

    def _mixed(
        self, zone: str, planted: float, month: float, cv: float, before: float = 0.0
    ) -> tuple[np.ndarray, ...]:
        ahead = self.zones[zone]
        m = ahead.at(month)
        grown = (planted * ahead.yields[m] + before * ahead.yields[ahead.at(ahead.maturity)]) / 100
        return ahead.standing[m] + grown, ahead.standing_var[m] + (cv * grown) ** 2, ahead.weights


def outlook(
    records: Records,
    patient_id: str,
    zones: tuple[str, ...],
    *,
    plateaus: PlateauDistribution,
    session_month: float = 0.0,
) -> Outlook:
    """Return what may be expected of a patient's zones after a session.

    Parameters
    ----------
    zones
        Zones that may be planted.
    plateaus
        The practice's model: `regrowth.fit_plateaus`.
    session_month
        Register month of the session; 0 for the newest month in the records.

    Returns
    -------
    Outlook
        By zone the density standing at the session and the practice's distribution of yields; the session's
        month; errors of planted densities and of counts.

    Raises
    ------
    ParameterError
        When the month lies before the patient's newest count or session.

    Examples
    --------
    Shown by `drafts`, which rests on it.
    """
    fit = plateaus.fit
    visits = yields.by_visit(records, choices=fit.choices)
    frame = regrowth.rows_for(records, fit).frame
    own = frame[frame["patient_id"].eq(patient_id)]
    at = _session_month(records, visits, patient_id, session_month)
    error = yields.planted_error(records)
    return Outlook(
        session_month=at,
        zones={zone: _ahead(records, visits, frame, own, zone, patient_id, at, plateaus) for zone in zones},
        planted_cv=error.region_cv,
        region_cv=error.zone_cv,
        count_error=fit.count_error,
        residual=float(fit.spread[-1]),
    )


def _session_month(records: Records, visits: pd.DataFrame, patient_id: str, asked: float) -> float:
    """Return the session's register month, the newest of the records where none is asked for."""
    newest = max(float(visits["register_month"].max()), float(records.sessions["register_month"].max()))
    of_patient = visits["patient_id"].eq(patient_id)
    sessions = records.sessions.loc[records.sessions["patient_id"].eq(patient_id), "register_month"]
    early = records.consultations
    if len(early):
        early = early.loc[early["patient_id"].eq(patient_id), "consultation_month"]
        newest = max(newest, float(np.nan_to_num(early.max())))
    latest = np.nanmax([visits.loc[of_patient, "register_month"].max(), sessions.max(), 0.0])
    if not asked:
        return float(np.ceil(newest))
    if asked < latest - 0.5:
        raise ParameterError(
            "planning(session_month): before this patient's newest count or session; give the register month "
            "of the session that is planned"
        )
    return float(asked)


def _ahead(
    records: Records,
    visits: pd.DataFrame,
    frame: pd.DataFrame,
    own: pd.DataFrame,
    zone: str,
    patient_id: str,
    at: float,
    plateaus: PlateauDistribution,
) -> Ahead:
    months = np.unique([0.0, *MONTHS, float(dictionary.MATURITY_MONTH[zone])])
    last = _latest_count(records, visits, patient_id, zone)
    followed = frame.loc[frame["group"].eq(zone)].drop_duplicates("placement_id")["planted"]
    unknown: dict[str, Any] = {
        "zone": zone,
        "months": months,
        "counted": float(last["density"]) if last is not None else np.nan,
        "counted_month": float(last["register_month"]) if last is not None else np.nan,
        "hairs_per_graft": hairs_per_graft(records, zone),
        "most_planted": float(np.percentile(followed, EXPERIENCE_CENTILE)) if len(followed) else np.nan,
    }
    if zone not in plateaus.fit.zones:
        nothing = np.full(len(months), np.nan)
        return Ahead(
            **unknown, standing=nothing, standing_var=nothing, yields=nothing[:, None],
            weights=np.ones(1), together=np.ones((1, 1)), note="",
        )  # fmt: skip
    standing, since, note = _standing(own, last, zone, at, months, plateaus)
    native = expected_native(records, visits, patient_id, zone) if last is None else None
    if native is not None:
        standing, note = _as_expected(native, standing), NATIVE.format(native.n_patients)
    thins = standing["density"] - standing["planted"] * standing["yield_pct"] / 100
    of_rate = (np.maximum(thins.to_numpy(), 0.0) * (since + months) / 12 * plateaus.fit.native.log_se) ** 2
    found = regrowth.forecast(
        plateaus,
        own if len(own) else None,
        months,
        targets=_targets(zone, own, plateaus),
        marked=True,
        levels=(0.5,),
    )
    bare, planted = (found.path["placement_id"].eq(name).to_numpy() for name in ("bare", "planted"))
    weights = found.weight[planted][0]
    likely = weights > NEGLIGIBLE
    whole = weights[likely].sum()
    grown = (found.mean[planted] - found.mean[bare])[:, likely] * 100 / UNIT
    return Ahead(
        **unknown,
        standing=standing["density"].to_numpy(),
        standing_var=np.maximum(standing["density_var"] - standing["count_var"], 1e-6).to_numpy() + of_rate,
        yields=grown,
        weights=weights[likely] / whole,
        together=found.together["planted"][:, likely] / whole,
        note=note,
    )


def _latest_count(records: Records, visits: pd.DataFrame, patient_id: str, zone: str) -> pd.Series | None:
    """Return the patient's latest count in a zone: planted or not, after a session or before any."""
    start = records.sessions.set_index("session_id")["register_month"]
    timed = records.measurements
    parts = [timed.assign(register_month=timed["session_id"].map(start).astype(float) + timed["month"])]
    if len(records.consultations):
        parts.append(records.consultations.rename(columns={"consultation_month": "register_month"}))
    mine = [
        p[p["patient_id"].eq(patient_id) & p["zone"].eq(zone) & p["region_kind"].ne("donor")] for p in parts
    ]
    rows = pd.concat([part[COUNTED].astype(float) for part in mine], ignore_index=True)
    seen = visits[visits["patient_id"].eq(patient_id) & visits["zone"].eq(zone) & visits["density"].notna()]
    if len(seen):  # a planted region, where there is one
        return seen.loc[seen["register_month"].idxmax(), ["density", "register_month", "counted_area_cm2"]]
    if rows.empty:
        return None
    last = rows.loc[rows["register_month"].idxmax()]
    area = last["roi_area_cm2"] * last["n_fields"]
    of = {"density": last["density_hairs_cm2"], "register_month": last["register_month"]}
    return pd.Series({**of, "counted_area_cm2": area})


def _targets(
    zone: str, own: pd.DataFrame, plateaus: PlateauDistribution, *, thins: bool = False
) -> pd.DataFrame:
    """Return two places of a zone, one with nothing planted and one with UNIT hairs/cm2."""
    mixes = {f"mix_{i}": 0.0 for i in range(len(plateaus.fit.mix))}
    if len(own):
        mixes = {m: float(own[m].iloc[-1]) for m in mixes}
    common = {
        "region_id": zone,
        "group": zone,
        "zone": zone,
        "planted_source": "zone",
        "is_later": False,
        "planted_before": 0.0,
        "native_share": 1.0 if thins else 0.0,
        **mixes,
    }
    return pd.DataFrame(
        [
            {**common, "placement_id": name, "planted": hairs}
            for name, hairs in (("bare", 0.0), ("planted", UNIT))
        ]
    )


def _standing(
    own: pd.DataFrame,
    last: pd.Series | None,
    zone: str,
    at: float,
    months: np.ndarray,
    plateaus: PlateauDistribution,
) -> tuple[pd.DataFrame, float, str]:
    """Return what stands in the zone at months after the session without it, and what that rests on.

    With the hairs/cm2 planted there, and between the two the months from the last count to the session.
    """
    here = own[own["group"].eq(zone)]
    if len(here):
        newest = here.loc[here["register_month"].idxmax()]
        begun = float(newest["register_month"]) - float(newest["month"])
        target = here[
            here["placement_id"].eq(newest["placement_id"]) & here["region_id"].eq(newest["region_id"])
        ]
        ask = np.maximum(at - begun, 0.0) + months
        found = regrowth.forecast(plateaus, own, ask, targets=target.head(1), marked=True, levels=(0.5,))
        planted = float(target["planted"].iloc[0])
        return found.path.assign(planted=planted), max(at - float(newest["register_month"]), 0.0), ""
    bare = _targets(zone, own, plateaus, thins=True).head(1)
    if last is None:
        rows = own if len(own) else None
        found = regrowth.forecast(plateaus, rows, months, targets=bare, marked=True, levels=(0.5,))
        return found.path.assign(planted=0.0), 0.0, NO_COUNT
    baseline = bare.assign(
        is_baseline=True, month=0.0, kept=1.0, shed=0.0, reader_changed=False,
        density=float(last["density"]), counted_area_cm2=float(last["counted_area_cm2"]), both_marked=False,
    )  # fmt: skip
    seen = pd.concat([own, baseline], ignore_index=True) if len(own) else baseline
    since = max(at - float(last["register_month"]), 0.0)
    found = regrowth.forecast(plateaus, seen, since + months, targets=bare, marked=True, levels=(0.5,))
    return found.path.assign(planted=0.0), since, ""


def _as_expected(native: Native, thinning: pd.DataFrame) -> pd.DataFrame:
    """Return a density expected of age and class at months, thinning as the practice's mean does."""
    left = thinning["kept"] / thinning["kept"].iloc[0]
    return thinning.assign(density=native.density * left, density_var=(native.sd * left) ** 2, count_var=0.0)


def hairs_per_graft(records: Records, zone: str) -> float:
    """Return the practice's mean hairs per graft in the zone, or over all zones where it has none there."""
    known = records.placements.dropna(subset=["hairs", "grafts"])
    own = known[known["zone"].eq(zone)]
    use = own if len(own) else known
    return float(use["hairs"].sum() / use["grafts"].sum()) if len(use) else np.nan
