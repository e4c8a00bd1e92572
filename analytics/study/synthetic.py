"""A register of the same shape with invented outcomes, so that a plan can be finished before looking.

Patients, sessions, placements, visits, regions, months and readers stay as they are; every density after and
before is drawn anew from the invented clinic's curve (`simulate.Truth`), complications are dealt to other
sessions that were asked, answers are exchanged, and so are shares of transected grafts. What is compared has
no effect by construction.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.records import Records
from analytics.simulate import Truth, emerged
from analytics.yields import ANNUAL_LOSS_PCT

OTHER_ZONE = "midscalp"
FEWEST_HAIRS = 0.0


def synthetic(records: Records, *, seed: int) -> Records:
    """Return the register with invented outcomes.

    Parameters
    ----------
    seed
        The same seed gives the same copy.

    Returns
    -------
    Records
        Same patients, sessions and placements; measurements, events and ratings invented.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> copy = synthetic(clinic, seed=1)
    >>> copy.patients.equals(clinic.patients), len(copy.placements) == len(clinic.placements)
    (True, True)
    """
    rng = np.random.default_rng(seed)
    truth = Truth()
    return replace(
        records,
        sessions=_sessions(records.sessions, seed),
        measurements=_densities(records, truth, rng),
        events=_events(records, rng),
        ratings=_ratings(records.ratings, rng),
        sources=pd.DataFrame(),
        warnings=(),
    )


def _sessions(sessions: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Return the sessions with the shares of transected grafts dealt anew to those that were counted."""
    # A stream of its own: the other outcomes of a seed stay as they were.
    rng = np.random.default_rng([seed, 1])
    told = sessions["grafts_transected"].notna()
    out = sessions["grafts_out"].astype(float)
    share = (sessions["grafts_transected"].astype(float) / out)[told].to_numpy()
    dealt = pd.Series(np.nan, index=sessions.index)
    dealt[told] = (rng.permutation(share) * out[told]).round()
    return sessions.assign(grafts_transected=dealt.astype(sessions["grafts_transected"].dtype))


def _densities(records: Records, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    counts = records.measurements.copy()
    operated = records.sessions.set_index("session_id")["patient_month"].astype(float)
    at = counts["session_id"].map(operated).to_numpy(dtype=float) + counts["month"].to_numpy(dtype=float)
    native = _native(counts, at, truth, rng)
    grown = _grown(counts, at, records, operated, truth, rng)
    expected = np.maximum(native + grown, 1.0)
    area = (counts["roi_area_cm2"] * counts["n_fields"]).fillna(1.0).to_numpy(dtype=float)
    spread = np.sqrt(truth.phi * expected / np.maximum(area, 0.1))
    drawn = np.maximum(expected + spread * rng.standard_normal(len(counts)), FEWEST_HAIRS)
    known = counts["density_hairs_cm2"].notna()
    return counts.assign(
        density_hairs_cm2=pd.Series(drawn.round(1), index=counts.index).where(known),
        density_fu_cm2=np.nan, hair_calibre_um=np.nan,
    )  # fmt: skip


def _native(counts: pd.DataFrame, at: np.ndarray, truth: Truth, rng: np.random.Generator) -> np.ndarray:
    region = (counts["patient_id"] + "|" + counts["region_id"]).to_numpy(dtype=object).astype(str)
    _, code = np.unique(region, return_inverse=True)
    zones = counts["zone"].to_numpy(dtype=object).astype(str)
    of = [truth.zones.get(z, truth.zones[OTHER_ZONE]) for z in zones]
    mean = np.array([80.0 if z == "donor" else t.native_density for z, t in zip(zones, of, strict=True)])
    sd = np.array([t.native_sd for t in of])
    level = np.maximum(mean + sd * rng.standard_normal(code.max() + 1)[code], 2.0)
    return level * np.where(zones == "donor", 1.0, (1 - ANNUAL_LOSS_PCT / 100) ** (np.maximum(at, 0.0) / 12))


def _grown(
    counts: pd.DataFrame, at: np.ndarray, records: Records, operated: pd.Series, truth: Truth,
    rng: np.random.Generator,
) -> np.ndarray:  # fmt: skip
    """Return what all plantings of a zone up to the reading have grown, hairs/cm2."""
    places = _placements(records, operated, truth, rng)
    rows = pd.DataFrame(
        {
            "row": np.arange(len(counts)), "patient_id": counts["patient_id"].to_numpy(),
            "zone": counts["zone"].to_numpy(), "at": at, "kind": counts["region_kind"].to_numpy(),
        }
    )  # fmt: skip
    both = rows[rows["kind"].eq("planted")].merge(places, on=["patient_id", "zone"], how="inner")
    since = np.maximum((both["at"] - both["operated"]).to_numpy(dtype=float), 0.0)
    share = emerged(since / both["half"].to_numpy(dtype=float), both["shape"].to_numpy(dtype=float))
    grown = both["planted"].to_numpy(dtype=float) * both["plateau"].to_numpy(dtype=float) / 100 * share
    return np.bincount(both["row"].to_numpy(), weights=grown, minlength=len(counts))


def _placements(
    records: Records, operated: pd.Series, truth: Truth, rng: np.random.Generator
) -> pd.DataFrame:
    own = records.placements
    of = [truth.zones.get(str(z), truth.zones[OTHER_ZONE]) for z in own["zone"]]
    patient = pd.factorize(own["patient_id"])[0]
    shift = truth.plateau_sd_patient * rng.standard_normal(patient.max() + 1)[patient]
    shift = shift + truth.plateau_sd_placement * rng.standard_normal(len(own))
    tempo = truth.log_tempo_sd_patient * rng.standard_normal(patient.max() + 1)[patient]
    planted = own["roi_planted_hairs_cm2"].fillna(own["hairs"] / own["area_cm2"])
    return pd.DataFrame(
        {
            "patient_id": own["patient_id"], "zone": own["zone"], "operated": own["session_id"].map(operated),
            "planted": planted.fillna(planted.median()),
            "plateau": np.array([t.plateau_yield for t in of]) + shift,
            "half": np.array([t.half_month for t in of]) * np.exp(tempo),
            "shape": [t.shape for t in of],
        }
    )  # fmt: skip


def _events(records: Records, rng: np.random.Generator) -> pd.DataFrame:
    """Return the complications dealt to other sessions that were asked about them."""
    events = records.events
    asked = records.visits[records.visits["complications_asked"].fillna(False).astype(bool)]
    sessions = asked["session_id"].drop_duplicates().to_numpy(dtype=object)
    if not len(events) or not len(sessions):
        return events
    drawn = events.assign(session_id=pd.array(rng.choice(sessions, size=len(events)), dtype="string"))
    return drawn.drop_duplicates(["session_id", "kind"]).reset_index(drop=True)


def _ratings(ratings: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    columns = ["satisfaction_0_10", "would_choose_again"]
    order = rng.permutation(len(ratings))
    mixed = {c: ratings[c].iloc[order].set_axis(ratings.index) for c in columns}
    return ratings.assign(**mixed)
