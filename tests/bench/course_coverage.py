"""Do the limits of one case hold, and how often does the rule of standing name a healthy one?

Draws practices with a known truth, fits each on its own 300 patients, and then meets new patients of the same
practice: healthy ones (drawn like the others), planted slow ones and planted low ones. Run by hand:

    python tests/bench/course_coverage.py --n 30 --jobs 2 --out /tmp/course

Every practice adds lines to `<out>/forecasts.csv` and `<out>/standings.csv`; a run that was stopped goes on
where it ended. Seeds are fixed: practice i has seed FIRST_SEED + i, whatever was looked at before.

Forecasts: the count that was really made about months 12 and 18, and the true yield then, given one reading
(about month 6), two (3 and 6) or three (3, 6 and 9) beside the baseline. Standings: at the last reading about
months 6, 9, 12 and 18, from that reading alone or from all of SCHEDULE until then. A healthy case's true
yield is not among the lowest tenth of the truth of its zone at that month. The yield as it would be read is
the count less what is recorded, over what is recorded: its limits hold whenever those of the count do.

Truth: as in `coverage_emergence.py`; the practice's patients are seen as often as in the invented clinic,
new ones at every planned month. The yields of all are prepared together, so that the practice's own ratio of
region over zone and its duplicates have about twice the counts of the fit.
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
from coverage_emergence import base_truth

from analytics import regrowth, simulate
from analytics.course.standing import practice_bounds, standings_of
from analytics.numerics.proportions import proportion
from analytics.records.frames import Records
from analytics.regrowth import case_rows

FIRST_SEED = 41_000
N_PRACTICE, N_NEW, N_PLANTED = 300, 250, 30
FRONT, N_FRONT = ("hairline", "frontal"), 80  # most patients have these; so many are enough
READINGS = {1: (6,), 2: (3, 6), 3: (3, 6, 9)}
AHEAD = (12, 18)
SCHEDULE = (3, 6, 9, 12, 18)
STANDING_AT = (6, 9, 12, 18)
LEVELS = (0.5, 0.8, 0.95)
# Planted cases lie 2.5 of the truth's standard deviations from the mean of their zone.
FAR = 2.5
KEYS = ("patient_id", "session_id", "placement_id")
LIMITS = [f"yield_{side}_{100 * v:g}" for v in LEVELS for side in ("low", "high")]
FORECAST = [*("seed zone n_readings month observed mean pit true_yield".split()), *LIMITS]
STANDING = (
    "seed kind zone at readings month state true_yield lowest_tenth z told chance_behind chance_ahead "
    "chance_low slow_only low_only both is_mature"
).split()


def attending() -> simulate.Truth:
    """Return the truth with everyone seen at every planned month."""
    base = base_truth()
    return replace(base, attendance=dict.fromkeys(base.attendance, 1.0))


def planted(kind: str) -> simulate.Truth:
    """Return the truth of healthy, slow or low patients, seen at every planned month."""
    truth = replace(attending(), second_session=0.0)
    tempo = np.exp(FAR * np.hypot(truth.log_tempo_sd_patient, truth.log_tempo_sd_placement))
    down = FAR * np.hypot(truth.plateau_sd_patient, truth.plateau_sd_placement)
    slow, low = tempo if kind == "slow" else 1.0, down if kind == "low" else 0.0
    zones = {
        z: replace(t, half_month=t.half_month * slow, plateau_yield=t.plateau_yield - low)
        for z, t in truth.zones.items()
    }
    return replace(truth, zones=zones)


def practice(seed: int) -> tuple[Records, Records, pd.DataFrame]:
    """Return the practice, practice with new patients, and the latent placements of the new ones."""
    truth = attending()
    own, _ = simulate.register(N_PRACTICE, truth=truth, seed=seed, entry_months=24)
    own = _seen_as_usual(own, seed)
    whole, latent = [own], []
    for kind, n in (("healthy", N_NEW), ("slow", N_PLANTED), ("low", N_PLANTED)):
        # The same seed gives the same readers; another number of patients other patients.
        tables, known = simulate.register(n, truth=planted(kind), seed=seed, months=30, entry_months=4)
        tables = {name: _renamed(t, kind) for name, t in tables.items() if name != "visits"}
        whole.append(tables)
        latent.append(_renamed(known.placements, kind).assign(kind=kind))
    joined = {name: pd.concat([t[name] for t in whole], ignore_index=True) for name in own}
    return simulate.as_records(own), simulate.as_records(joined), pd.concat(latent)


def _renamed(table: pd.DataFrame, kind: str) -> pd.DataFrame:
    return table.assign(**{c: kind + table[c].astype("string") for c in KEYS if c in table})


def _seen_as_usual(tables: dict, seed: int) -> dict:
    """Drop attendances at random, as the invented clinic's follow-up does."""
    usual = base_truth().attendance
    counts = tables["measurements"]
    planned = np.array(sorted(usual))
    month = counts["month"].to_numpy(dtype=float)
    near = planned[np.abs(month[:, None] - planned).argmin(axis=1)]
    attendance = counts["session_id"].astype("string") + "|" + pd.Series(near, index=counts.index).astype(str)
    codes, once = pd.factorize(attendance)
    drawn = np.random.default_rng(seed).random(len(once))
    comes = drawn[codes] < pd.Series(near).map(usual).to_numpy()
    kept = {**tables, "measurements": counts[comes | (month <= 0)].reset_index(drop=True)}
    kept.pop("visits")
    return kept


def one_practice(seed: int) -> tuple[list[dict], list[dict]]:
    """Draw, fit, meet new patients."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        own, whole, latent = practice(seed)
        plateaus = regrowth.fit_plateaus(own)
        fit = plateaus.fit
        rows = regrowth.rows_for(whole, fit).frame
        rows = rows[rows["placement_id"].isin(set(latent["placement_id"]))]
        # A case is sliced many times: the fewer columns the better.
        needed = [c for c in (*case_rows.KEYS, *case_rows.FILLED, "patient_id") if c in rows]
        rows = rows[needed].astype(dict.fromkeys((*case_rows.KEYS, "patient_id"), object))
        true, bounds = latent.set_index("placement_id"), practice_bounds(plateaus)
        lowest = {(z, m): _lowest_tenth(z, m) for z in fit.zones for m in STANDING_AT}
        forecasts, standings, met = [], [], 0
        for _, case in rows.groupby("patient_id", sort=False):
            case = _planned(case)
            kind = true.loc[case["placement_id"].iloc[0], "kind"]
            met += kind == "healthy"
            for name in case["placement_id"].unique():
                of = true.loc[name]
                if kind == "healthy" and of["zone"] in FRONT and met > N_FRONT:
                    continue
                if kind == "healthy":
                    forecasts += _forecasts(plateaus, case, name, of, seed)
                standings += _standings(plateaus, case, name, of, bounds, lowest, seed)
    return forecasts, standings


def _planned(case: pd.DataFrame) -> pd.DataFrame:
    """Return rows with the planned month they belong to, 0 for baselines, -1 for none."""
    near = np.array([0, *base_truth().attendance])
    month = case["month"].to_numpy(dtype=float)
    found = near[np.abs(month[:, None] - near).argmin(axis=1)]
    is_baseline = case["is_baseline"].astype(bool).to_numpy()
    return case.assign(planned=np.where(is_baseline, 0, np.where(found == 0, -1, found)))


def _true_yield(of: pd.Series, month: float) -> float:
    shape = attending().zones[of["zone"]].shape
    return float(of["plateau_pct"] * simulate.emerged(month / of["half_month"], shape))


def _lowest_tenth(zone: str, month: float) -> float:
    """Return the 10th centile of true yield by drawing 200,000 placements of the stated truth."""
    t, truth = attending().zones[zone], attending()
    rng = np.random.default_rng(1)
    tempo = np.hypot(truth.log_tempo_sd_patient, truth.log_tempo_sd_placement)
    spread = np.hypot(truth.plateau_sd_patient, truth.plateau_sd_placement)
    half = t.half_month * np.exp(tempo * rng.normal(size=200_000))
    plateau = t.plateau_yield + spread * rng.normal(size=200_000)
    return float(np.percentile(plateau * simulate.emerged(month / half, t.shape), 10))


def _forecasts(plateaus, case: pd.DataFrame, name: str, of: pd.Series, seed: int) -> list[dict]:
    lines = []
    for n, months in READINGS.items():
        known = case[case["planned"].isin((0, *months))]
        own = case[case["placement_id"].eq(name)]
        seen = known[known["placement_id"].eq(name)]
        if set(seen["planned"]) != {0, *months}:
            continue
        target = seen.drop_duplicates(["placement_id", "region_id"]).head(1)
        for ahead in AHEAD:
            later = own[own["planned"].eq(ahead) & own["region_id"].eq(target["region_id"].iloc[0])]
            if later.empty:
                continue
            row = later.iloc[0]
            found = regrowth.forecast(
                plateaus,
                known,
                [float(row["month"])],
                targets=target,
                counted_area_cm2=float(row["counted_area_cm2"]),
                marked=bool(row["both_marked"]),
                reader_changed=bool(row["reader_changed"]),
            )
            line = found.path.iloc[0]
            lines.append(
                {
                    "seed": seed,
                    "zone": of["zone"],
                    "n_readings": n,
                    "month": ahead,
                    "observed": float(row["density"]),
                    "mean": float(line["density"]),
                    "pit": float(found.below([float(row["density"])])[0]),
                    "true_yield": _true_yield(of, float(row["month"])),
                    **line[LIMITS].to_dict(),
                }
            )
    return lines


def _standings(plateaus, case, name: str, of: pd.Series, bounds, lowest, seed: int) -> list[dict]:
    lines = []
    for at in STANDING_AT:
        for readings, months in (("one", (at,)), ("all", tuple(m for m in SCHEDULE if m <= at))):
            known = case[case["planned"].isin((0, *months))]
            seen = known[known["placement_id"].eq(name)]
            if not {0, at} <= set(seen["planned"]):
                continue
            judged = standings_of(plateaus, known, bounds=bounds).loc[name]
            month = float(judged["month"])
            truth = _true_yield(of, month)
            lines.append(
                {
                    **{k: judged.get(k) for k in STANDING},
                    "seed": seed,
                    "kind": of["kind"],
                    "zone": of["zone"],
                    "at": at,
                    "readings": readings,
                    "true_yield": truth,
                    "lowest_tenth": _is_lowest(lowest, of, at),
                }
            )
    return lines


def _is_lowest(lowest: dict, of: pd.Series, at: int) -> bool:
    return _true_yield(of, at) < lowest[of["zone"], at]


def run(n: int, jobs: int, out: Path) -> None:
    """Run what is still missing, writing each practice as it is done."""
    paths = {"forecasts": (out / "forecasts.csv", FORECAST), "standings": (out / "standings.csv", STANDING)}
    done = set(pd.read_csv(paths["standings"][0])["seed"]) if paths["standings"][0].exists() else set()
    seeds = [s for s in range(FIRST_SEED, FIRST_SEED + n) if s not in done]
    started = time.perf_counter()
    with ProcessPoolExecutor(jobs) as pool:
        for future in as_completed([pool.submit(one_practice, s) for s in seeds]):
            for (path, fields), lines in zip(paths.values(), future.result(), strict=True):
                is_new = not path.exists()
                with path.open("a", newline="") as file:
                    writer = csv.DictWriter(file, fields, extrasaction="ignore")
                    if is_new:
                        writer.writeheader()
                    writer.writerows(lines)
    if seeds:
        print(f"{len(seeds)} practices in {time.perf_counter() - started:.0f} s")


def coverage(rows: pd.DataFrame) -> pd.DataFrame:
    """Return how often limits held, by what was known, month and zone."""
    held = {f"count_{100 * v:g}": (rows["pit"] - 0.5).abs() <= v / 2 for v in LEVELS}
    held |= {
        f"yield_{100 * v:g}": rows["true_yield"].between(
            rows[f"yield_low_{100 * v:g}"], rows[f"yield_high_{100 * v:g}"]
        )
        for v in LEVELS
    }
    held["bias"] = (rows["observed"] - rows["mean"]) / 100
    keys = ["n_readings", "month"]
    wide = rows[["zone", *keys]].assign(**held)
    both = pd.concat([wide.assign(zone="all zones"), wide])
    table = both.groupby([*keys, "zone"], sort=False).agg(
        n=("bias", "size"), **{c: (c, lambda v: 100 * v.mean()) for c in held}
    )
    return table.reset_index()


def rule(rows: pd.DataFrame) -> pd.DataFrame:
    """Return how often each group is named behind or low, by readings and month."""
    healthy = rows["kind"].eq("healthy")
    groups = {
        "healthy": healthy & ~rows["lowest_tenth"],
        "lowest tenth": healthy & rows["lowest_tenth"],
        "planted slow": rows["kind"].eq("slow"),
        "planted low": rows["kind"].eq("low"),
        "70 % or more": healthy & rows["true_yield"].ge(70) & rows["is_mature"].fillna(False).astype(bool),
    }
    lines = []
    for (readings, at), cell in rows.groupby(["readings", "at"], sort=False):
        for name, group in groups.items():
            own = cell[group.loc[cell.index]]
            if own.empty:
                continue
            states = own["state"]
            named = states.eq("low") if name.startswith("70") else states.isin(["behind", "low"])
            limits = proportion(int(named.sum()), len(own))
            lines.append(
                {
                    "readings": readings,
                    "at": at,
                    "cases": name,
                    "n": len(own),
                    "named_pct": 100 * float(limits.estimate),
                    "low": 100 * float(limits.low),
                    "high": 100 * float(limits.high),
                    "ahead_pct": 100 * states.eq("ahead").mean(),
                    "usual_pct": 100 * states.eq("usual").mean(),
                    "cannot_tell_pct": 100 * states.eq("cannot tell").mean(),
                }
            )
    return pd.DataFrame(lines)


def _read(path: Path, n: int) -> pd.DataFrame:
    rows = pd.read_csv(path)
    return rows[rows["seed"].lt(FIRST_SEED + n)]


def deviations(rows: pd.DataFrame) -> pd.DataFrame:
    """Return mean and SD of z over healthy and lowest together (0 and 1 if right), and what readings told."""
    own = rows[rows["kind"].eq("healthy")]
    groups = own.groupby(["readings", "at", "zone"], sort=False)
    return groups.agg(
        n=("z", "size"),
        mean=("z", "mean"),
        sd=("z", "std"),
        told=("told", "mean"),
        behind_pct=("state", lambda v: 100 * v.isin(["behind", "low"]).mean()),
        ahead_pct=("state", lambda v: 100 * v.eq("ahead").mean()),
    ).reset_index()


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, default=30)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, required=True)
    chosen = parser.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    run(chosen.n, chosen.jobs, chosen.out)
    forecasts, standings = (
        _read(chosen.out / f"{name}.csv", chosen.n) for name in ("forecasts", "standings")
    )
    pd.set_option("display.width", 200, "display.max_columns", 30)
    print("\nLimits held, % of counts (count_) and of true yields (yield_)")
    print(coverage(forecasts).round(1).to_string(index=False))
    print(f"\nDeviations\n{deviations(standings).round(2).to_string(index=False)}")
    print(f"\nNamed behind or low, %\n{rule(standings).round(1).to_string(index=False)}")


if __name__ == "__main__":
    main()
