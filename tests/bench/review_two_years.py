"""Two years of quarterly reviews on drawn registers: when is a planted event named, and what of nothing?

    python tests/bench/review_two_years.py FILE [--nothing 200] [--each 20] [--workers 1]
    python tests/bench/review_two_years.py FILE --tables

Each register has 400 patients over five years of quarters (20); the reviews of quarters 13 to 20 are made
one after the other, each remembering those before it. Every register done is a line of FILE (JSON); those
that stand there are not drawn again. Planted, each alone, from register month 37 (quarter 13) on:

- drift: the odds of transection of one of three operators rise by 14 % a quarter;
- absence: half of those who came to the month-12 visit no longer come;
- infection: six infections within one quarter (15);
- change: grafts kept in another medium from month 25 on, declared, worth 12 points of yield;
- nothing.

`--tables` prints in how many registers a review names the event (a new signal *worse*, or *better* for the
change, of the criterion and, for the drift, the operator) and the median quarter; for nothing, how often each
kind of alarm is given, and stands once adjusted for case mix, beside what the page states; and the share
of criteria decided (met or not met) within four quarters, one quarter's numbers (as before windows) against
windows.
"""

import argparse
import dataclasses
import json
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd

from analytics import records, review, simulate
from analytics.simulate import Truth

ROOT = Path(__file__).parents[2]
FIRST, LAST = 13, 20
N_PATIENTS, MONTHS = 400, 60
EVENTS = ("drift", "absence", "infection", "change")
SEED = 20261201
DRIFT_FROM = 36
CLUSTER = 6


def stable() -> Truth:
    """Return the demo's world without drift, change, season, or an operator unlike the others."""
    same, alike = {"saline": 0.0, "buffered": 0.0}, dict.fromkeys(("S1", "S2", "S3", "S4"), 0.0)
    return Truth(drift_logit_a_quarter=0.0, medium=same, surgeon=alike, season_pct=0.0)


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


def reviewed(task: tuple[str, int]) -> dict:
    """Return, of each quarter of one register, new signals, what is stated of them, criteria decided."""
    event, seed = task
    known, criteria = drawn(event, seed), declared(event)
    with tempfile.TemporaryDirectory() as place, records.unchanged(known):
        quarters = [_one(known, criteria, event, Path(place), q) for q in range(FIRST, LAST + 1)]
    return {"event": event, "seed": seed, "quarters": quarters}


def _one(known, criteria, event: str, place: Path, quarter: int) -> dict:
    past = review.recall(place, criteria, quarter=quarter)
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
    review.keep(place, criteria, (), panels, quarter=quarter)
    return _summary(event, quarter, panels, n_visits=len(criteria.schedule))


def _summary(event: str, quarter: int, panels, *, n_visits: int) -> dict:
    signals = panels["agenda"].extra["signals"]
    new = signals[signals["status"].eq("new")]
    charts = panels["all_charts"].extra["signals"]
    of_charts = charts[charts["is_drawn"].astype(bool)]
    found = panels["all_charts"].extra["found"]
    stand = set(found.loc[~found["is_of_mix"].astype(bool), "criterion"])
    of_charts = of_charts.assign(stands=of_charts["criterion"].isin(stand))
    table = panels["indicators"].table().set_index("term")
    one_quarter = table.loc["this quarter"].set_index("criterion")["outcome"]
    audit = panels["indicators"].extra["audit"].set_index("criterion")["outcome"]
    cases = panels["cases"].table()
    harms = panels["indicators"].extra["harms"]
    return {
        "quarter": quarter,
        "is_named": _is_named(event, new, audit),
        "new": new[["key", "source", "direction", "rule", "is_of_mix"]].to_dict("records"),
        "charts": of_charts[["criterion", "chart", "signal", "stands", "false_alarm_pct"]].to_dict("records"),
        "cases_watched": int(cases.loc[cases["term"].eq("signals"), "n_rows"].sum()),
        "cases_signals": float(cases.loc[cases["term"].eq("signals"), "estimate"].sum()),
        "operators": sum(panels[k].table().iloc[:, 0].nunique() for k in ("grafts", "growth")),
        "visits": n_visits,
        "harms": harms[["criterion", "state", "verdict"]].to_dict("records"),
        "before": one_quarter.to_dict(),
        "after": audit.to_dict(),
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


def _asked(n_nothing: int, n_each: int) -> Iterator[tuple[str, int]]:
    """Yield the registers asked for, of each event by turns, so that an end at any time leaves of all."""
    for i in range(max(n_nothing, n_each)):
        events = (*(("nothing",) if i < n_nothing else ()), *(EVENTS if i < n_each else ()))
        yield from ((event, SEED + i) for event in events)


def _done(file: Path) -> list[dict]:
    """Return the registers in a file; a line cut off by an interruption is none."""
    lines = file.read_text().splitlines(keepends=True) if file.exists() else []
    return [json.loads(line) for line in lines if line.endswith("\n")]


def main(file: Path, n_nothing: int, n_each: int, workers: int) -> None:
    """Review the registers that are not in the file yet, and add each to it."""
    made = _done(file)
    file.write_text("".join(json.dumps(one) + "\n" for one in made))
    known = {(one["event"], one["seed"]) for one in made}
    with ProcessPoolExecutor(workers) as pool, file.open("a") as out:
        for one in pool.map(reviewed, [task for task in _asked(n_nothing, n_each) if task not in known]):
            out.write(json.dumps(one) + "\n")
            out.flush()


def tables(made: list[dict]) -> None:
    """Print the tables of the README."""
    for event in (*EVENTS, "nothing"):
        theirs = [one["quarters"] for one in made if one["event"] == event]
        first = [next((q["quarter"] for q in one if q["is_named"]), np.nan) for one in theirs]
        if event != "nothing" and theirs:
            median = np.nanmedian(first) if np.isfinite(first).any() else np.nan
            said = (
                f"named in {np.isfinite(first).sum()} of {len(theirs)} registers, median quarter {median:.0f}"
            )
            print(f"{event:>10}: {said}, quarters {sorted(q for q in first if np.isfinite(q))}")
        elif theirs:
            _of_nothing(theirs)


def _of_nothing(made: list[list[dict]]) -> None:
    quarters, later = [q for one in made for q in one], [q for one in made for q in one[1:]]
    print(f"   nothing: {len(made)} registers, {len(quarters)} reviews")
    worse = [s for q in later for s in q["new"] if s["direction"] == "worse"]
    print(f"  new signals, worse, a review after the first: {len(worse) / len(later):.2f}; by source:")
    of = pd.Series([f"{s['source']}: {s['rule'].split(' of ')[0]}" for s in worse], dtype=object)
    print((of.value_counts() / len(later)).round(3).to_string())
    charts = pd.DataFrame([c for q in quarters for c in q["charts"]])
    charts["seen"], charts["stands"] = 100 * charts["signal"].ne("no signal"), 100 * charts["stands"]
    for by in ("chart", "criterion"):
        print(charts.groupby(by)[["seen", "stands", "false_alarm_pct"]].mean().round(1).to_string())
    last = [one[-1] for one in made]
    watched, signals = (sum(q[k] for q in last) for k in ("cases_watched", "cases_signals"))
    print(f"  case by case: {signals:.0f} signals in {watched} cases, one in {watched / max(signals, 1):.0f}")
    for source, chances in (("follow-up", "visits"), ("operator", "operators")):
        n = sum(s["source"] == source for s in worse)
        print(f"  {source}: {n} of {sum(q[chances] for q in later)} new, {n / len(later):.3f} a review")
    for name in ("before", "after"):
        decided = [
            np.mean([any(q[name][c] in ("met", "not met") for q in one[i : i + 4]) for c in one[0][name]])
            for one in made
            for i in (0, 4)
        ]
        each = np.mean([v in ("met", "not met") for q in quarters for v in q[name].values()])
        print(
            f"  criteria decided, {name}: {each:.0%} in a review, {np.mean(decided):.0%} within four quarters"
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("file", type=Path)
    parser.add_argument("--nothing", type=int, default=200)
    parser.add_argument("--each", type=int, default=20)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--tables", action="store_true")
    asked = parser.parse_args()
    if not asked.tables:
        main(asked.file, asked.nothing, asked.each, asked.workers)
    tables(_done(asked.file))
