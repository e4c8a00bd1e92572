"""What else a clinic writes down: therapies, visits, complications, the patients' own answers."""

import numpy as np
import pandas as pd

from analytics.simulate.clinic import SUMMER
from analytics.simulate.growth import emerged
from analytics.simulate.truth import Truth

KINDS = ("oral", "topical", "oral and topical")
# month of an event after the session: shape and scale of a gamma (invented)
EVENT_MONTH = {
    "folliculitis": (3.0, 0.8),
    "effluvium": (4.0, 0.4),
    "wide scar": (6.0, 1.2),
    "cyst": (3.0, 1.0),
}
EVENT_MONTH_OTHER = (1.5, 0.25)
SEVERITY = {"infection": "moderate", "necrosis": "severe", "wide scar": "moderate"}


def therapies(
    patients: pd.DataFrame, sessions: pd.DataFrame, truth: Truth, rng: np.random.Generator, *, months: int
) -> tuple[pd.DataFrame, np.ndarray]:
    """Return the courses, and their start and stop in register months as an array (people, courses, 2)."""
    n = len(patients)
    first = sessions.drop_duplicates("person").set_index("person")["time"].reindex(np.arange(n)).to_numpy()
    treated = rng.random(n) < truth.therapy_share
    when = rng.random(n)
    offset = np.where(when < 0.4, -rng.gamma(2.0, 18.0, n), rng.uniform(-3, 5, n))
    offset = np.where(when > 0.8, rng.uniform(5, 20, n), offset)
    start = np.floor(first + offset) + 1
    treated &= start <= months
    lasts = rng.exponential(12.0 / max(truth.therapy_stops_a_year, 1e-9), n)
    stop = np.floor(np.maximum(start, first) + np.maximum(lasts, 3.0)) + 1
    goes_on = stop > months
    again = treated & ~goes_on & (rng.random(n) < 0.25)
    restart = stop + rng.integers(7, 13, n)
    again &= restart < months
    kind = rng.choice(KINDS, size=n, p=[0.6, 0.25, 0.15])
    ids = patients["patient_id"].to_numpy()
    courses = [
        (ids[treated], kind[treated], start[treated], np.where(goes_on, np.nan, stop)[treated]),
        (ids[again], kind[again], restart[again], np.full(int(again.sum()), np.nan)),
    ]
    names = ["patient_id", "kind", "start_register_month", "stop_register_month"]
    table = pd.concat([pd.DataFrame(dict(zip(names, c, strict=True))) for c in courses], ignore_index=True)
    table = table.sort_values(["patient_id", "start_register_month"], ignore_index=True)
    # A course is recorded in whole months; it truly begins and ends in the middle of the month.
    times = np.full((n, 2, 2), np.nan)
    times[treated, 0, 0] = start[treated] - 0.5
    times[treated, 0, 1] = np.where(goes_on, np.inf, stop - 0.5)[treated]
    times[again, 1, 0] = restart[again] - 0.5
    times[again, 1, 1] = np.inf
    return table, times


def visits(
    attended: pd.DataFrame,
    counted: pd.DataFrame,
    sessions: pd.DataFrame,
    truth: Truth,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the attendances: one row per person, session and month, with or without a count.

    The month is counted from the latest session; someone under follow-up for two sessions attends once.
    """
    n = len(attended)
    asked = rng.random(n) < truth.complications_asked
    has_count = attended["attendance"].isin(counted["attendance"]).to_numpy()
    remote = rng.choice(["video", "photographs", "clinic"], size=n, p=[0.4, 0.2, 0.4])
    mode = np.where(has_count | (attended["planned"] == 0), "clinic", remote)
    photographs = attended["standard"].astype("boolean").mask(mode == "video")
    of = sessions.iloc[attended["operation"]]
    table = pd.DataFrame(
        {
            "patient_id": of["patient_id"].to_numpy(),
            "session_id": of["session_id"].to_numpy(),
            "month": attended["month"].to_numpy(),
            "mode": mode,
            "photographs_standard": photographs.to_numpy(dtype=object),
            "complications_asked": asked,
            "withdrawn": attended["withdrawn"].to_numpy(),
            "clock": attended["operation"].to_numpy(),
        }
    )
    return table.drop_duplicates(["session_id", "month"], ignore_index=True)


def events(
    sessions: pd.DataFrame,
    patients: pd.DataFrame,
    visits_made: pd.DataFrame,
    truth: Truth,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the complications that happened before a visit at which complications were asked about."""
    asked = visits_made[visits_made["complications_asked"] & (visits_made["month"] > 0)]
    last = asked.groupby("clock")["month"].max().reindex(np.arange(len(sessions))).to_numpy()
    rows = []
    for kind, rate in truth.events.items():
        chance = _chance(kind, rate, sessions, patients)
        happens = rng.random(len(sessions)) < chance
        shape, scale = EVENT_MONTH.get(kind, EVENT_MONTH_OTHER)
        month = np.round(np.clip(rng.gamma(shape, scale, len(sessions)), 0.1, 11.0), 1)
        lasts = np.round(rng.gamma(2.0, 0.8, len(sessions)) + 0.2, 1)
        is_seen = happens & (month <= last)
        if truth.told_unasked > 0:
            is_seen |= happens & (rng.random(len(sessions)) < truth.told_unasked)
        permanent = np.isin(kind, ["wide scar", "necrosis"]) | (rng.random(len(sessions)) < 0.03)
        rows.append(
            pd.DataFrame(
                {
                    "session_id": sessions["session_id"],
                    "kind": kind,
                    "month": month,
                    "severity": SEVERITY.get(kind, "mild"),
                    "temporary": ~permanent,
                    "resolved_month": np.where(permanent | (month + lasts > last), np.nan, month + lasts),
                }
            )[is_seen]
        )
    table = pd.concat(rows, ignore_index=True)
    table["resolved_month"] = table["resolved_month"].round(1)
    return table.sort_values(["session_id", "month", "kind"], ignore_index=True)


def _chance(kind: str, rate: float, sessions: pd.DataFrame, patients: pd.DataFrame) -> np.ndarray:
    """Return the chance of one kind of event, a session, keeping the mean near the stated rate."""
    n = len(sessions)
    if kind == "wide scar":
        return np.where(sessions["method"] == "FUE", 0.0, rate / 0.35)
    if kind == "necrosis":
        smoker = patients["smoker"].to_numpy()[sessions["person"]]
        return np.where(smoker, 3.0, 0.6) * rate
    if kind != "folliculitis":
        return np.full(n, rate)
    summer = np.isin((sessions["register_month"] - 1) % 12 + 1, SUMMER)
    planted = (sessions["grafts_out"] - sessions["grafts_discarded"]).to_numpy()
    log_odds = np.log(1.77) * (summer - 0.25) + np.log(4.82) * (planted >= 4000)
    return 1 / (1 + (1 - rate) / rate * np.exp(-log_odds))


def ratings(
    placements: pd.DataFrame, visits_made: pd.DataFrame, truth: Truth, rng: np.random.Generator
) -> pd.DataFrame:
    """Return satisfaction at about months 6 and 12: driven by what has grown, and by the person."""
    near = visits_made["month"].between(5.0, 7.0) | visits_made["month"].between(10.5, 13.5)
    made = visits_made[near].reset_index(drop=True)
    half, plateau = (
        placements.groupby("operation")[c].mean().reindex(made["clock"]).to_numpy()
        for c in ("true_half_month", "true_plateau_pct")
    )
    grown = plateau * emerged(made["month"].to_numpy() / half, 4.0, curve=truth.curve)
    person = pd.factorize(made["patient_id"])[0]
    trait = rng.normal(0, 0.9, int(person.max()) + 1 if len(person) else 1)[person]
    score = 7.8 + 0.07 * (grown - 82.0) + trait + rng.normal(0, 0.8, len(made))
    score = np.clip(np.round(score), 0, 10).astype(int)
    again = rng.random(len(made)) < 1 / (1 + np.exp(-(score - 4.5)))
    answers = rng.random(len(made)) < truth.answers
    table = made[["session_id", "month"]].assign(satisfaction_0_10=score, would_choose_again=again)
    return table[answers].reset_index(drop=True)
