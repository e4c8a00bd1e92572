"""Two years of quarterly reviews on drawn registers: when is a planted event named, and what of nothing?

    python tests/bench/review_two_years.py [REGISTERS OF NOTHING] [REGISTERS OF EACH EVENT]

Each register has 240 patients over five years of quarters (20); the reviews of quarters 13 to 20 are made
one after the other, each remembering those before it. Planted, each alone, from register month 37 (quarter
13) on:

- drift: the odds of transection of one of three operators rise by 14 % a quarter;
- absence: half of those who came to the month-12 visit no longer come;
- infection: six infections within one quarter (15);
- change: grafts kept in another medium from month 25 on, declared, worth 12 points of yield;
- nothing.

For each is printed in how many registers the review names it (a new signal *worse*, or *better* for the
change, of the criterion and, for the drift, the operator) and the median quarter; for nothing, how many new
signals a review names beside what it states, and the share of criteria decided (met or not met) within four
quarters, one quarter's numbers (as before windows) against windows.
"""

import dataclasses
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd

from analytics import review, simulate
from analytics.simulate import Truth

ROOT = Path(__file__).parents[2]
FIRST, LAST = 13, 20
N_PATIENTS, MONTHS = 400, 60
EVENTS = ("drift", "absence", "infection", "change")
NAMED = {"drift": "transection", "absence": "seen_12", "infection": "infection", "change": "yield_all"}
SEED = 20261201
DRIFT_FROM = 36
CLUSTER = 6


def stable() -> Truth:
    """Return the demo's world without drift, change or season."""
    same = {"saline": 0.0, "buffered": 0.0}
    return Truth(drift_logit_a_quarter=0.0, medium=same, season_pct=0.0)


def drawn(event: str, seed: int):
    """Return a register with the event planted in it, or with nothing."""
    truth = stable()
    if event == "change":
        medium = {"saline": 0.0, "buffered": 12.0}
        truth = dataclasses.replace(truth, medium=medium, medium_changes_in_month=25)
    if event == "drift":
        drift = {"drift_from_quarter": DRIFT_FROM // 3 + 1, "drift_logit_a_quarter": 0.14}
        truth = dataclasses.replace(truth, **drift)
    frames, _ = simulate.register(N_PATIENTS, truth=truth, seed=seed, months=MONTHS)
    rng = np.random.default_rng(seed)
    known = simulate.as_records(frames)
    plant = {"absence": _absence, "infection": _infection}.get(event)
    return plant(known, rng) if plant else known


def _absence(known, rng):
    visits = known.visits
    month_of = known.sessions.set_index("session_id")["register_month"]
    at = visits["session_id"].map(month_of) + visits["month"]
    late = visits["month"].between(11, 14) & (at > DRIFT_FROM)
    gone = late & (rng.random(len(visits)) < 0.5)
    missed = set(zip(visits.loc[gone, "session_id"], visits.loc[gone, "month"], strict=True))
    counts = known.measurements
    # Who stays away is not counted either: a count is an attendance.
    kept = [key not in missed for key in zip(counts["session_id"], counts["month"], strict=True)]
    return dataclasses.replace(
        known,
        visits=visits[~gone].reset_index(drop=True),
        measurements=counts[kept].reset_index(drop=True),
    )


def _infection(known, rng):
    asked = known.visits[known.visits["complications_asked"].eq(True).fillna(False)]
    asked = asked.loc[asked["month"].between(2, 9), "session_id"]
    sessions = known.sessions[known.sessions["register_month"].between(40, 42)]
    # Among those asked at month 3: what nobody was asked about is in no share.
    sessions = sessions[sessions["session_id"].isin(asked)]
    hit = sessions.sample(min(CLUSTER, len(sessions)), random_state=int(rng.integers(1 << 30)))
    new = known.events.iloc[[0] * len(hit)].reset_index(drop=True)
    new = new.assign(session_id=hit["session_id"].to_numpy(), kind="infection", month=1.0)
    return dataclasses.replace(known, events=pd.concat([known.events, new], ignore_index=True))


def declared(event: str):
    """Return the demo's criteria without those that need the emergence model; the change as planted."""
    criteria = review.read(ROOT / "data_demo" / "criteria.toml")
    kept = tuple(c for c in criteria.criterion if c.has_rows_of_its_own)
    monitor = criteria.monitor.model_copy(update={"baseline_through_month": DRIFT_FROM})
    change = criteria.change[0].model_copy(update={"register_month": 25, "declared_in_quarter": 8})
    changes = (change,) if event == "change" else ()
    return criteria.model_copy(update={"criterion": kept, "monitor": monitor, "change": changes})


def reviewed(task: tuple[str, int, int, int]) -> list[dict]:
    """Return, of each quarter of one register, new signals, false alarms stated, criteria decided."""
    event, seed, first, last = task
    known, criteria = drawn(event, seed), declared(event)
    out = []
    with tempfile.TemporaryDirectory() as place:
        for quarter in range(first, last + 1):
            past = review.recall(Path(place), criteria, quarter=quarter)
            asked = {"quarter": quarter}
            by = {"criterion_id": "transection", "by": "surgeon_id"}
            panels = {
                "indicators": review.indicators(known, criteria, **asked, windows=past.windows),
                "all_charts": review.run_charts(known, criteria, **asked, kept=past.charts),
                "cases": review.case_by_case(known, criteria, **asked, **by, kept=past.limits),
                "grafts": review.operators(known, criteria, **asked, criterion_id="transection"),
                "growth": review.operators(known, criteria, **asked, criterion_id="yield_all"),
                "actions": review.actions(known, criteria, (), **asked),
            }
            panels["agenda"] = review.agenda(known, criteria, panels, **asked, remembered=past)
            review.keep(Path(place), criteria, (), panels, quarter=quarter)
            out.append(_summary(event, quarter, panels))
    return out


def _summary(event: str, quarter: int, panels) -> dict:
    signals = panels["agenda"].extra["signals"]
    new = signals[signals["status"].eq("new")]
    charts = panels["all_charts"].extra["signals"]
    drawn_charts = charts[charts["is_drawn"].astype(bool)]
    table = panels["indicators"].table().set_index("term")
    one_quarter = table.loc["this quarter"].set_index("criterion")["outcome"]
    audit = panels["indicators"].extra["audit"].set_index("criterion")["outcome"]
    return {
        "quarter": quarter,
        "is_named": _is_named(event, new, audit),
        "new_worse": int(new["direction"].eq("worse").sum()),
        "charts_signalling": float(drawn_charts["signal"].ne("no signal").mean()),
        "stated": float(charts["false_alarm_pct"].mean() / 100),
        "before": one_quarter.isin(["met", "not met"]).to_dict(),
        "after": audit.isin(["met", "not met"]).to_dict(),
    }


def _is_named(event: str, new: pd.DataFrame, audit: pd.Series) -> bool:
    side = "better" if event == "change" else "worse"
    about = new[new["direction"].eq(side)]
    if event == "drift":
        return bool((about["criterion"].eq("transection") & about["group"].isin(["S2", ""])).any())
    if event == "absence":
        return bool(about["criterion"].isin(["seen_12", "seen at month 12"]).any())
    if event == "infection":
        return bool(about["criterion"].eq("infection").any() or audit["infection"] == "not met")
    return bool(about["criterion"].str.startswith("yield").any())


def main(n_nothing: int, n_each: int) -> None:
    """Print the tables of the README."""
    tasks = {"nothing": n_nothing, **dict.fromkeys(EVENTS, n_each)}
    with ProcessPoolExecutor(1) as pool:
        for event, n in tasks.items():
            made = list(pool.map(reviewed, [(event, SEED + i, FIRST, LAST) for i in range(n)]))
            if event == "nothing":
                _of_nothing(made)
                continue
            first = [next((q["quarter"] for q in one if q["is_named"]), np.nan) for one in made]
            median = np.nanmedian(first) if np.isfinite(first).any() else np.nan
            print(
                f"{event:>10}: named in {np.isfinite(first).mean():.0%} of {n} registers, "
                f"median quarter {median:.0f}"
            )


def _of_nothing(made: list[list[dict]]) -> None:
    quarters = [q for one in made for q in one]
    later = [q for one in made for q in one[1:]]
    print(f"   nothing: {len(made)} registers, {len(quarters)} reviews")
    print(f"  new signals, worse, a review after the first: {np.mean([q['new_worse'] for q in later]):.2f}")
    seen, stated = (np.mean([q[k] for q in quarters]) for k in ("charts_signalling", "stated"))
    print(f"  charts with any signal: {seen:.1%}; stated beside them: {stated:.1%}")
    for name in ("before", "after"):
        decided = [
            np.mean([any(q[name][c] for q in one[i : i + 4]) for c in one[0][name]])
            for one in made
            for i in (0, 4)
            if len(one) >= i + 4
        ]
        each = np.mean([np.mean(list(q[name].values())) for q in quarters])
        print(
            f"  criteria decided, {name}: {each:.0%} in a review, {np.mean(decided):.0%} within four quarters"
        )


if __name__ == "__main__":
    asked = [int(a) for a in sys.argv[1:3]]
    main(*(asked or [200]), *([20] if len(asked) < 2 else []))
