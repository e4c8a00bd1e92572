"""How often do the 95 % intervals of the shares past a milestone hold: the model's, and first readings'?

Draws registers with a known truth, asks each, and counts. Run by hand:

    python tests/bench/coverage_milestones.py --n 1000 --jobs 2 --out /tmp/milestones
    python tests/bench/coverage_milestones.py --n 200 --only readings --out /tmp/milestones

(a) The model (`milestones.time_to`, term `share reached`) against the latent truth: P(true yield >= q by
month m), from the stated truth by integration. (b) First readings (Turnbull) against the first-reading truth:
what first readings of hair of this truth, read at this clinic's visits with its errors, come to in the long
run. That has no formula; it is the curve of LARGE_REGISTERS registers of LARGE patients each, with seeds of
their own, drawn once and kept in `<out>/first_reading_truth.csv`. Its own standard error is printed beside
it.

Every register is written as it is done to `<out>/<scenario>.csv`; a run that was stopped goes on where it
ended. Register i of a scenario has seed FIRST_SEED + i, whatever was looked at before. Scenarios: `main`,
this clinic's attendance and second sessions without reader effects (a reader who counts high moves every
reading of a register at once, which resampling patients cannot see); `readers`, the same with reader effects;
`full`, everyone attends.
"""

import argparse
import csv
import os
import time
import warnings
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from coverage_emergence import base_truth, true_values

from analytics import regrowth, simulate, yields
from analytics.errors import FitError
from analytics.milestones import first_readings as milestones_curves
from analytics.milestones import model as milestones_model
from analytics.milestones.intervals import Question, placements_of

FIRST_SEED = 40_000
LARGE_SEED = 90_000
LARGE, LARGE_REGISTERS = 4000, 10
PATIENTS = 300
PERCENTS = (50.0, 80.0)
MONTHS = np.array([12.0, 18.0])
RESAMPLES = 300
FIELDS = ("seed", "kind", "percent", "zone", "month", "estimate", "se", "ci_low", "ci_high", "flag")
KEY = ["kind", "percent", "zone", "month"]


def scenarios() -> dict[str, simulate.Truth]:
    """Return the truths by name."""
    readers = base_truth()
    main = replace(readers, between_reader_cv=0.0)
    return {"main": main, "readers": readers, "full": simulate.plain()}


def placements(truth: simulate.Truth, n: int, seed: int):
    """Return records, rows and, by milestone, the placements with their intervals."""
    records = simulate.as_records(simulate.register(n, truth=truth, seed=seed)[0])
    rows = yields.by_visit(records)
    tables = {}
    for percent in PERCENTS:
        table = placements_of(rows, records, Question(percent))
        tables[percent] = table[table["reason"].eq("")].reset_index(drop=True)
    return records, rows, tables


def large_share(name: str, seed: int) -> list[dict]:
    """Return the shares of first readings of one large register."""
    _, _, tables = placements(scenarios()[name], LARGE, seed)
    return [
        {
            "scenario": name,
            "seed": seed,
            "percent": percent,
            "zone": group.name[0],
            "month": month,
            "share": share,
        }
        for percent, table in tables.items()
        for group in milestones_curves.fit_groups(table, ("zone",))
        for month, share in zip(MONTHS, 100.0 * (1.0 - group.fit.interpolated(MONTHS)), strict=True)
    ]


def first_reading_truth(name: str, jobs: int, out: Path) -> pd.DataFrame:
    """Return the long-run shares of first readings, drawn once and kept."""
    path = out / "first_reading_truth.csv"
    kept = pd.read_csv(path) if path.exists() else pd.DataFrame(columns=["scenario"])
    if not kept["scenario"].eq(name).any():
        with ProcessPoolExecutor(jobs) as pool:
            seeds = range(LARGE_SEED, LARGE_SEED + LARGE_REGISTERS)
            rows = [row for part in pool.map(large_share, [name] * len(seeds), seeds) for row in part]
        kept = pd.concat([kept, pd.DataFrame(rows)], ignore_index=True)
        kept.to_csv(path, index=False)
    own = kept[kept["scenario"].eq(name)]
    grouped = own.groupby(["percent", "zone", "month"])["share"]
    return grouped.agg(truth="mean", truth_se=lambda v: v.std() / np.sqrt(len(v))).reset_index()


def one_register(name: str, seed: int, kinds: tuple[str, ...]) -> list[dict]:
    """Draw a register and return the intervals asked for."""
    records, _, tables = placements(scenarios()[name], PATIENTS, seed)
    rows: list[dict] = []
    if "readings" in kinds:
        for percent, table in tables.items():
            groups = milestones_curves.fit_groups(table, ("zone",))
            drawn = milestones_curves.resampled(table, groups, MONTHS, n=RESAMPLES, seed=seed, n_jobs=1)
            found = milestones_curves.share_rows(groups, drawn, table, MONTHS, ("zone",), term="", level=0.95)
            rows += _as_fields(found, seed, "readings", percent)
    if "model" in kinds:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                plateaus = regrowth.fit_plateaus(records)
            except FitError:
                return [*rows, {"seed": seed, "kind": "model", "flag": "no fit"}]
        for percent in PERCENTS:
            found = milestones_model.planted_rows(plateaus, percent, MONTHS, level=0.95)
            rows += _as_fields(found[found["term"].eq(milestones_model.SHARE)], seed, "model", percent)
    return rows


def _as_fields(found: pd.DataFrame, seed: int, kind: str, percent: float) -> list[dict]:
    kept = found.rename(columns={"x": "month"}).assign(seed=seed, kind=kind, percent=percent)
    return kept[list(FIELDS)].to_dict("records")


def run(name: str, n: int, jobs: int, out: Path, kinds: tuple[str, ...]) -> None:
    """Run what is still missing of a scenario, writing each register as it is done."""
    path = out / f"{name}.csv"
    done = pd.read_csv(path) if path.exists() else pd.DataFrame(columns=FIELDS)
    wanted = range(FIRST_SEED, FIRST_SEED + n)
    missing = {
        s: tuple(k for k in kinds if s not in set(done.loc[done["kind"].eq(k), "seed"])) for s in wanted
    }
    started = time.perf_counter()
    with path.open("a", newline="") as file, ProcessPoolExecutor(jobs) as pool:
        writer = csv.DictWriter(file, FIELDS)
        if done.empty:
            writer.writeheader()
        waiting = [pool.submit(one_register, name, s, k) for s, k in missing.items() if k]
        for future in as_completed(waiting):
            writer.writerows(future.result())
            file.flush()
    if waiting:
        print(f"{name}: {len(waiting)} registers in {time.perf_counter() - started:.0f} s")


def latent_truth(name: str) -> pd.DataFrame:
    """Return the true shares by integration of the stated truth."""
    rows = [
        {"percent": percent, "zone": zone, "month": month, "truth": value, "truth_se": 0.0}
        for (target, zone), value in true_values(scenarios()[name]).items()
        for percent in PERCENTS
        for month in MONTHS
        if target == f"share_past_{percent:g}_at_{month:g}"
    ]
    return pd.DataFrame(rows)


def summary(name: str, n: int, jobs: int, out: Path, kinds: tuple[str, ...]) -> pd.DataFrame:
    """Return coverage, bias and sizes of errors by kind, milestone, zone and month."""
    rows = pd.read_csv(out / f"{name}.csv")
    rows = rows[rows["seed"].between(FIRST_SEED, FIRST_SEED + n - 1) & rows["kind"].isin(kinds)]
    truths = []
    if "model" in kinds:
        truths.append(latent_truth(name).assign(kind="model"))
    if "readings" in kinds:
        truths.append(first_reading_truth(name, jobs, out).assign(kind="readings"))
    rows = rows.merge(pd.concat(truths), on=KEY, how="inner", validate="many_to_one").dropna(
        subset=["estimate"]
    )
    rows = rows.assign(
        inside=100.0 * rows["truth"].between(rows["ci_low"], rows["ci_high"]),
        below=100.0 * (rows["ci_high"] < rows["truth"]),
        error=rows["estimate"] - rows["truth"],
    )
    return (
        rows.groupby(KEY)
        .agg(
            n=("seed", "nunique"),
            truth=("truth", "first"),
            truth_se=("truth_se", "first"),
            bias=("error", "mean"),
            sd=("error", "std"),
            mean_se=("se", "mean"),
            coverage_pct=("inside", "mean"),
            interval_below_pct=("below", "mean"),
        )
        .reset_index()
    )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--scenarios", nargs="*", default=list(scenarios()))
    parser.add_argument("--only", choices=("model", "readings"), help="one of the two alone")
    chosen = parser.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    kinds = (chosen.only,) if chosen.only else ("model", "readings")
    for name in chosen.scenarios:
        run(name, chosen.n, chosen.jobs, chosen.out, kinds)
        table = summary(name, chosen.n, chosen.jobs, chosen.out, kinds)
        error = 100 * np.sqrt(0.95 * 0.05 / chosen.n)
        print(f"\n{name}: Monte Carlo error of a coverage of 95 %: {error:.1f} points a cell")
        print(table.round(2).to_string(index=False))
        inner = table[table["truth"].between(2.0, 98.0)]
        pooled = inner.groupby(["kind", "percent"])["coverage_pct"].mean().round(1)
        print("mean over the cells with a true share of 2 to 98 %:", pooled.to_dict())


if __name__ == "__main__":
    main()
