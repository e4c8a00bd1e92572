"""Does the quarterly review signal as often as it says, and does it find what was planted?

Run by hand: `python tests/bench/review_false_alarms.py [scale]`; scale 1 (default) takes some minutes on two
cores, 0.1 is a quick look. Seeds are fixed. Stable sessions are drawn with an intra-session correlation of
transection, four operators, 36 months; nothing is drawn by the code under test.
"""

import os
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

from analytics import records, review, simulate
from analytics.numerics import control
from analytics.numerics import cusum as risk_cusum
from analytics.numerics import run_rules as false_alarms
from analytics.numerics import run_rules as runrules
from analytics.records.frames import Records
from analytics.review.charts import JUDGED, RUNS_AT_MOST
from analytics.review.compared import shares
from analytics.simulate.truth import Truth

ROOT = Path(__file__).parents[2]
SHARE, RHO = 0.05, 0.004
SEED = 20260201


def main(scale: float) -> None:
    """Print every table."""
    run_rules(int(20000 * scale))
    charts(int(1500 * scale))
    run_lengths(int(4000 * scale))
    operators(int(2000 * scale))
    practices(int(120 * scale))
    registers(int(24 * scale))


def run_rules(n: int) -> None:
    print("\nRun rules on stable series around their own median, percent signalling")
    print(f"{'points':>8} {'exact':>8} {'simulated':>10} {'SE':>6}   (surveyed: 1.2, 3.1, 4.2)")
    rng = np.random.default_rng(SEED)
    for points in (12, 24, 36):
        hit = runrules.run_tests(rng.standard_normal((n, points))).signal.mean()
        exact = runrules.false_alarm_rate(points, own_median=True)
        print(f"{points:8d} {100 * exact:8.2f} {100 * hit:10.2f} {100 * np.sqrt(hit * (1 - hit) / n):6.2f}")


def charts(n: int) -> None:
    print("\nCharts of stable series: rate printed under the chart against the rate seen, percent")
    print(f"{'kind':>12} {'baseline':>9} {'printed':>8} {'seen':>8} {'SE':>6}")
    rng = np.random.default_rng(SEED + 1)
    for kind in ("individuals", "p", "p_prime", "g"):
        for n_baseline in (None, 21):
            printed, seen = [], []
            for i in range(n):
                chart, sizes = _stable_chart(kind, rng, n_baseline)
                line = false_alarms.baseline_median(chart)
                asked = {"judged": JUDGED, "runs_at_most": RUNS_AT_MOST}
                rates = false_alarms.of_chart(chart, sizes, n_series=400, seed=i, **asked)
                last = chart.value[-JUDGED:]
                runs = runrules.run_tests(last, line, stricter=rates.stricter)
                seen.append(bool(chart.outside[-JUDGED:].any() | runs.signal))
                printed.append(rates.either)
            rate = np.mean(seen)
            error = np.sqrt(rate * (1 - rate) / n)
            name = "all 36" if n_baseline is None else str(n_baseline)
            print(f"{kind:>12} {name:>9} {100 * np.mean(printed):8.1f} {100 * rate:8.1f} {100 * error:6.1f}")


def _stable_chart(kind: str, rng, n_baseline: int | None):
    if kind == "individuals":
        return control.chart(kind, rng.normal(160, 30, 36), n_baseline=n_baseline), None
    if kind == "g":
        return control.chart(kind, rng.geometric(0.08, 36) - 1.0, n_baseline=n_baseline), None
    if kind == "p":
        sizes = rng.integers(6, 14, 36)
        return control.chart(kind, rng.binomial(sizes, 0.65), sizes, n_baseline=n_baseline), sizes
    sizes = rng.integers(8000, 26000, 36)
    p = rng.beta(SHARE * 400, (1 - SHARE) * 400, 36)
    return control.chart(kind, rng.binomial(sizes, p), sizes, n_baseline=n_baseline), sizes


def run_lengths(n: int) -> None:
    print("\nRisk-adjusted CUSUM: run length asked for and found, cases (fresh simulation, risks known)")
    print(f"{'case':>28} {'asked':>7} {'found':>8} {'SE':>6} {'off, %':>7}")
    rng = np.random.default_rng(SEED + 2)
    risk = rng.beta(2, 14, 150)
    sizes = rng.integers(900, 3200, 150)
    counts = risk_cusum.in_control_counts(sizes, np.full(150, SHARE), 1.5, RHO)
    for asked in (200, 500, 1000, 2000):
        for name, steps in (
            ("yes or no, mixed risks", risk_cusum.in_control(risk, 2.0)),
            ("grafts of a session", counts),
        ):
            limit = risk_cusum.limit_for(steps, asked, n_charts=500)
            mean, se = risk_cusum.simulate_run_length(steps, limit.limit, n_charts=n, seed=SEED + asked)
            print(f"{name:>28} {asked:7d} {mean:8.0f} {se:6.0f} {100 * (mean / asked - 1):7.1f}")


def operators(n: int) -> None:
    print("\nOperators: percent flagged at 95 % and 99.8 %, and the chance printed beside them")
    print(f"{'sessions':>9} {'true odds':>10} {'flagged':>8} {'at 99.8':>8} {'printed':>8}")
    rng = np.random.default_rng(SEED + 3)
    for sessions, rho in ((48, RHO), (24, 0.03)):
        for odds in (1.0, 2.0):
            found = [_one_operator(rng, sessions, odds, rho) for _ in range(n)]
            p, up, power = (np.array(v) for v in zip(*found, strict=True))
            flagged = (p < 0.05) & ((odds == 1) | up)
            print(
                f"{sessions:9d} {odds:10.1f} {100 * flagged.mean():8.1f} {100 * (p < 0.002).mean():8.2f} "
                f"{100 * power.mean():8.1f}"
            )


def _one_operator(rng, sessions: int, odds: float, rho: float) -> tuple[float, bool, float]:
    who = np.array(["S1"] * (sessions // 4) + ["S2"] * (sessions - sessions // 4))
    share = np.where(who == "S1", SHARE * odds / (1 - SHARE + SHARE * odds), SHARE)
    whole = rng.integers(900, 3200, sessions)
    part = rng.binomial(whole, rng.beta(share * (1 / rho - 1), (1 - share) * (1 / rho - 1)))
    rows = pd.DataFrame(
        {
            "patient_id": np.arange(sessions).astype(str),
            "session_id": np.arange(sessions).astype(str),
            "surgeon_id": who,
            "part": part.astype(float),
            "whole": whole.astype(float),
        }
    )
    one = shares(rows, "surgeon_id", (), 0.95)[0]
    return one.versus.p_value, one.versus.estimate > 0, one.power


def practices(n: int) -> None:
    print("\nA practice of 300 sessions over 12 quarters, transection only, risks estimated from 18 months:")
    print("percent of practices with a signal; for a drift of one operator from month 19 on (odds up 14 % a")
    print("quarter) how often it is found by the last quarter, and the median quarter of the first signal")
    print(
        f"{'':>10} {'chart':>12} {'CUSUM whole':>12} {'CUSUM operator':>15} {'operators':>15} {'quarter':>8}"
    )
    for name, drift in (("stable", 0.0), ("drift", 0.14)):
        with ProcessPoolExecutor(2) as pool:
            found = list(pool.map(_one_practice, [(SEED + 4 + i, drift) for i in range(n)]))
        hits = np.array([f[:4] for f in found], dtype=float).mean(axis=0) * 100
        first = np.array([f[4] for f in found], dtype=float)
        quarter = f"{np.nanmedian(first):8.0f}" if np.isfinite(first).any() else ""
        print(f"{name:>10} {hits[0]:12.1f} {hits[1]:12.1f} {hits[2]:15.1f} {hits[3]:15.1f} {quarter:>8}")
    print(
        "expected of a stable one: 12 (printed), 26, 26 to 60 by volume (1 - exp(-cases / 1000) a chart), 5"
    )


def _one_practice(task: tuple[int, float]) -> tuple[bool, bool, bool, bool, float]:
    seed, drift = task
    rng = np.random.default_rng(seed)
    demo = records.load(ROOT / "data_demo")
    criteria = review.read(ROOT / "data_demo" / "criteria.toml")
    known = _practice(demo, rng, drift)
    asked = {"quarter": 12}
    chart = review.run_charts(known, criteria, **asked, only=("transection",)).extra["signals"]
    whole = review.case_by_case(known, criteria, **asked, criterion_id="transection").extra["signals"]
    by = {"criterion_id": "transection", "by": "surgeon_id"}
    each = review.case_by_case(known, criteria, **asked, **by).extra["signals"]
    panel = review.operators(known, criteria, **asked, criterion_id="transection").table()
    s1 = panel[panel["surgeon_id"].eq("S1") & panel["term"].str.startswith("odds")]
    theirs = each[each["surgeon_id"].eq("S1")] if drift else each
    first = float(theirs["quarter"].min()) if len(theirs) else np.nan
    return (
        bool(chart["signal"].iloc[0] != "no signal"),
        len(whole) > 0,
        len(theirs) > 0,
        bool((s1["p_value"] < 0.05).any()),
        first,
    )


def _practice(demo: Records, rng, drift: float, n: int = 300) -> Records:
    month = np.sort(rng.integers(1, 37, n))
    who = rng.choice(["S1", "S2", "S3", "S4"], n)
    later = np.maximum((month - 1) // 3 + 1 - 6, 0)
    odds = SHARE / (1 - SHARE) * np.exp(drift * later * (who == "S1"))
    share = odds / (1 + odds)
    out = rng.integers(900, 3200, n)
    sessions = demo.sessions.iloc[[0] * n].reset_index(drop=True)
    sessions = sessions.assign(
        session_id=[f"P{i:04d}-1" for i in range(n)],
        patient_id=[f"P{i:04d}" for i in range(n)],
        register_month=month,
        patient_month=0.0,
        session_number=1,
        method="FUE",
        surgeon_id=who,
        grafts_out=out,
        grafts_transected=rng.binomial(
            out, rng.beta(share * (1 / RHO - 1), (1 - share) * (1 / RHO - 1))
        ).astype(float),
    )
    patients = demo.patients.iloc[[0] * n].reset_index(drop=True).assign(patient_id=sessions["patient_id"])
    empty = {
        t: getattr(demo, t).iloc[:0]
        for t in ("placements", "measurements", "visits", "therapies", "events", "ratings", "grades")
    }
    return Records(patients=patients, sessions=sessions, **empty)


def registers(n: int) -> None:
    print(f"\n{n} whole registers of 240 patients drawn by the simulator: all charts, percent signalling")
    print("stable: no drift, one medium; planted: the demo's drift and a change of medium worth 12 points")
    for name, truth in (("stable", _stable_truth()), ("planted", _planted_truth())):
        with ProcessPoolExecutor(2) as pool:
            found = list(pool.map(_one_register, [(SEED + 50 + i, truth) for i in range(n)]))
        seen = np.mean([f[0] for f in found])
        printed = np.mean([f[1] for f in found])
        step = [f[2] for f in found]
        cusum = 100 * np.mean([f[3] for f in found])
        print(
            f"{name:>8}: charts signalling {100 * seen:5.1f} %, printed {100 * printed:5.1f} %; step in "
            f"{100 * np.mean(step):5.1f} % of registers; CUSUM of S2 signals in {cusum:5.1f} %"
        )


def _stable_truth() -> Truth:
    return Truth(drift_logit_a_quarter=0.0, medium={"saline": 0.0, "buffered": 0.0}, season_pct=0.0)


def _planted_truth() -> Truth:
    return Truth(medium={"saline": 0.0, "buffered": 12.0}, season_pct=0.0, medium_changes_in_month=13)


def _one_register(task) -> tuple[float, float, bool, bool]:
    seed, truth = task
    frames, _ = simulate.register(240, truth=truth, seed=seed, months=36)
    known = simulate.as_records(frames)
    criteria = review.read(ROOT / "data_demo" / "criteria.toml")
    change = criteria.change[0].model_copy(update={"register_month": truth.medium_changes_in_month})
    criteria = criteria.model_copy(update={"change": (change,)})
    signals = review.run_charts(known, criteria, quarter=12).extra["signals"]
    drawn = signals[(signals["points"] > 0) & ~signals["is_trial"]]
    step = review.before_after(
        known, criteria, quarter=12, change_id="medium", criterion_id="yield_all"
    ).table()
    step = step[step["term"].eq("step at the change")]
    found = bool(((step["ci_low"] > 0) | (step["ci_high"] < 0)).any())
    cusum = review.case_by_case(
        known, criteria, quarter=12, criterion_id="transection", by="surgeon_id"
    ).extra["signals"]
    s2 = bool(cusum["surgeon_id"].eq("S2").any()) if len(cusum) else False
    return (
        float(drawn["signal"].ne("no signal").mean()),
        float(drawn["false_alarm_pct"].mean() / 100),
        found,
        s2,
    )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0)
