"""Do means, shares, single cases and forecasts hold in worlds that the model does not assume?

Draws registers of 250 and of 60 patients from worlds with bounded plateaus, poor growth, failures, other
curve shapes, tempo that goes with plateau; fits each, and counts how often 95 % limits hold and how far off
the estimates are. Every register is another clinic: its native loss is drawn from the stated prior (4.8, SD
1.6 % a year) and differs between patients, its readers are drawn from readers at large. In the EXTREMES these
two are fixed far out instead: what happens there is printed, and no interval claims to hold. Run by hand:

    nice python tests/bench/worlds.py --n 20 --sizes 250 --out /tmp/worlds
    nice python tests/bench/worlds.py --n 60 --sizes 60 --worlds normal failures --out /tmp/worlds

Register i of a world has seed FIRST_SEED + i, whatever was looked at before. One line per register, zone and
quantity in `<out>/<world>_<size>.csv`; a run that was stopped goes on where it ended. Every true value comes
from the stated truth: shares from `simulated.drawn_placements`, single cases from the latent values, counts
from the register itself (the last count of a patient, predicted from the rest of that patient).
"""

import argparse
import csv
import os
import sys
import time
import warnings
from dataclasses import replace
from functools import cache
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
import pandas as pd
import simulated
from coverage_emergence import base_truth

from analytics import regrowth, simulate, yields
from analytics.course import standing
from analytics.dictionary import FRONT, MATURITY_MONTH
from analytics.errors import FitError
from analytics.regrowth import distribution, plateaus, single_cases
from analytics.regrowth.tables import between_rows, zone_rows
from analytics.simulate.truth import Truth
from analytics.yields.choices import ANNUAL_LOSS_SD_PCT as LOSS_SD

FIRST_SEED = 70_000
SIZES = (250, 60)
MILESTONES = ((50.0, 12.0), (80.0, 12.0), (50.0, 18.0), (80.0, 18.0))
THRESHOLD = 70.0
DEAD_BELOW, POOR_FROM, POOR_TO = 10.0, 20.0, 60.0
FIRST_MONTH = 9.0  # single cases are judged from a reading at this month on
PREDICTED = 40  # counts predicted in each register, at most
FAILURES = 0.03 * 1.8  # failed placements a patient
FIELDS = ("seed", "target", "zone", "truth", "estimate", "ci_low", "ci_high")


def _shaped(truth: Truth, curve: str, times: float = 1.0) -> Truth:
    zones = {z: replace(t, shape=t.shape * times) for z, t in truth.zones.items()}
    return replace(truth, curve=curve, zones=zones)


def world(name: str, n: int, seed: int) -> Truth:
    """Return the truth of one register of a world."""
    rng = np.random.default_rng(seed)
    loss = float(np.clip(rng.normal(yields.ANNUAL_LOSS_PCT, LOSS_SD), 0.5, 12.0))
    plain = replace(base_truth(), native_loss_pct=loss, native_loss_sd=2.0, readers_centred=False)
    skewed = replace(plain, plateau_law="beta", poor_growth=0.03)
    known = replace(skewed, native_loss_pct=yields.ANNUAL_LOSS_PCT, readers_centred=True)
    worlds = {
        "normal": plain,
        "beta": skewed,
        "late wave, beta": _shaped(skewed, "late wave"),
        "late wave, normal": _shaped(plain, "late wave"),
        "gamma wave, beta": _shaped(skewed, "gamma", 1.4),
        "lag, beta": _shaped(skewed, "lag", 0.7),
        "failures": replace(plain, failed_growth=round(FAILURES * n)),
        "slow and full": replace(skewed, plateau_with_tempo=0.4),
        "loss 3 to 8, controls": replace(skewed, native_loss_pct=rng.uniform(3, 8), controls=0.3),
        "loss of 8, no controls": replace(known, native_loss_pct=8.0),
        "habit of 3 %": replace(known, clinic_habit_pct=3.0),
        "both known": known,
    }
    return worlds[name]


WORLDS = (
    "normal",
    "beta",
    "late wave, beta",
    "late wave, normal",
    "gamma wave, beta",
    "lag, beta",
    "failures",
    "slow and full",
    "loss 3 to 8, controls",
)
# Printed, not judged: one clinic far out, and one of the known loss whose readers read true.
EXTREMES = ("loss of 8, no controls", "habit of 3 %", "both known")


def one_register(name: str, n: int, seed: int, *, with_cases: bool) -> list[dict]:
    """Draw, fit and tabulate one register."""
    truth = world(name, n, seed)
    tables, latent = simulate.register(n, truth=truth, seed=seed)
    records = simulate.as_records(tables)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            fit = regrowth.fit_emergence(records)
        except FitError:
            return [{"seed": seed, "target": "no fit"}]
        rows = regrowth.rows_for(records, fit)
        dist = plateaus.fit_distribution(rows, fit)
    lines = _means(name, truth, latent, fit) + _shares(name, truth, latent, fit, dist)
    if with_cases:
        lines += _cases(latent, rows.frame, fit, dist)
        lines += _reassured(latent, rows.frame, dist)
        lines += _counts(rows.frame, dist, latent, np.random.default_rng(seed))
    return [{"seed": seed, **line} for line in lines]


def _line(target: str, zone: str, truth: float, estimate, low, high) -> dict:
    values = {"truth": truth, "estimate": float(estimate), "ci_low": float(low), "ci_high": float(high)}
    return {"target": target, "zone": zone, **values}


@cache
def _drawn(name: str, zone: str) -> tuple[np.ndarray, np.ndarray]:
    return simulated.drawn_placements(world(name, SIZES[0], FIRST_SEED), zone)


@cache
def _share(name: str, zone: str, month: float, percent: float) -> float:
    """Return the true share of a world, which neither native loss nor readers move; failures left out."""
    plateau, half = _drawn(name, zone)
    truth = world(name, SIZES[0], FIRST_SEED)
    grown = plateau * simulate.emerged(month / half, truth.zones[zone].shape, curve=truth.curve)
    return float(np.mean(grown >= percent))


def _means(name: str, truth: Truth, latent, fit) -> list[dict]:
    """Return plateau and yield at maturity (at the month printed) of every zone, and crown against front."""
    failed = truth.failed_growth / len(latent.placements)

    def mean(zone: str, month: float) -> float:
        plateau, half = _drawn(name, zone)
        of = truth.zones[zone]
        emerged = 1.0 if np.isinf(month) else simulate.emerged(month / half, of.shape, curve=truth.curve)
        return float(
            (1 - failed) * np.mean(plateau * emerged) + failed * truth.failed_plateau * np.mean(emerged)
        )

    lines = []
    for row in zone_rows(fit):
        if row["term"] in ("plateau_yield", "yield_at_maturity"):
            month = np.inf if row["term"] == "plateau_yield" else row["x"]
            true = mean(row["zone"], month)
            values = (row["estimate"], row["ci_low"], row["ci_high"])
            flagged = ", flagged" if "fewer than 10" in row["flag"] else ""
            lines.append(_line(row["term"] + flagged, row["zone"], true, *values))
    of = {r["term"]: r for r in between_rows(fit) if r["zone"] == "crown : front"}
    front = np.average(
        [mean(z, MATURITY_MONTH[z]) for z in FRONT],
        weights=[fit.n_placements[fit.zone_index(z)] for z in FRONT],
    )
    gap = mean("crown", MATURITY_MONTH["crown"]) - front
    for term, true in (("tempo_ratio", truth.tempo_ratio), ("yield_difference_at_maturity", gap)):
        values = (of[term]["estimate"], of[term]["ci_low"], of[term]["ci_high"])
        lines.append(_line(term, "crown : front", true, *values))
    return lines


def _shares(name: str, truth: Truth, latent, fit, dist) -> list[dict]:
    lines = []
    failed = truth.failed_growth / len(latent.placements)

    def true(zone, month, percent):
        dead = float(truth.failed_plateau >= percent)
        return 100 * ((1 - failed) * _share(name, zone, round(month, 2), percent) + failed * dead)

    for k, zone in enumerate(fit.zones):
        for percent, month in MILESTONES:
            found = distribution.share_quantities(dist, zone, [month], percent)[0]
            here = true(zone, month, percent)
            values = (100 * found.estimate, 100 * found.ci_low, 100 * found.ci_high)
            lines.append(_line(f"past {percent:g} % at {month:g}", zone, here, *values))
        month = MATURITY_MONTH[zone]
        if month <= fit.last_month[k]:
            found = regrowth.share_below(dist, zone, THRESHOLD)
            values = (100 * found.estimate, 100 * found.ci_low, 100 * found.ci_high)
            lines.append(_line(f"below {THRESHOLD:g} %", zone, 100 - true(zone, month, THRESHOLD), *values))
        lines += _median(true, dist, zone)
    return lines


def _median(true, dist, zone: str) -> list[dict]:
    found = distribution.median_quantity(dist, zone, 50.0)
    if found is None:
        return []
    low, high = 1.0, 42.0
    for _ in range(12):
        middle = (low + high) / 2
        low, high = (middle, high) if true(zone, middle, 50.0) < 50 else (low, middle)
    return [_line("median to 50 %", zone, low, found.estimate, found.ci_low, found.ci_high)]


def _kind(plateau: float) -> str:
    if plateau < DEAD_BELOW:
        return "case, dead"
    if POOR_FROM <= plateau <= POOR_TO:
        return "case, poor"
    return "case, others" if plateau > POOR_TO else "case, very poor"


def _cases(latent, frame: pd.DataFrame, fit, dist) -> list[dict]:
    """Return true yields at maturity of placements read late enough, with their limits."""
    after = frame[~frame["is_baseline"].astype(bool)]
    last = after.groupby("placement_id")["month"].max()
    post = single_cases.posterior(dist, frame)
    months = np.array([MATURITY_MONTH[fit.zones[k]] for k in post.of.zone], dtype=float)
    found = single_cases.yields_at(post, months[:, None])
    true = simulated.true_yields(latent, sorted(set(months)))
    column = {m: i for i, m in enumerate(sorted(set(months)))}
    row = {p: i for i, p in enumerate(latent.placements["placement_id"])}
    plateau = latent.placements["plateau_pct"].to_numpy()
    lines = []
    wanted = last[last >= FIRST_MONTH].index
    number = {p: i for i, p in enumerate(post.of.names)}
    for name in wanted:
        i, j, month = number[name], row[name], months[number[name]]
        here, kind = true[j, column[month]], _kind(plateau[j])
        zone = fit.zones[post.of.zone[i]]
        values = (found["mean"][i, 0], found["low"][0, i, 0], found["high"][0, i, 0])
        lines.append(_line(kind, zone, here, *values))
    return lines


def _reassured(latent, frame: pd.DataFrame, dist) -> list[dict]:
    """Return mature placements that their chances reassure of: how many are under the threshold all the same.

    `truth` is 100 where the true yield at the last reading is under the threshold, so that its mean is the
    percentage; `estimate` the chance told. Where the last reading lies far below, the page does not reassure.
    """
    table = standing.standings_of(dist, frame, bounds=standing.practice_bounds(dist))
    table = table[table["is_mature"].astype(bool) & ~table["is_beyond"].astype(bool)]
    months = np.unique(table["month"].to_numpy(dtype=float))
    true = simulated.true_yields(latent, months)
    row = {p: i for i, p in enumerate(latent.placements["placement_id"])}
    lines = []
    for name, one in table.iterrows():
        usual = 1 - one["chance_behind"] - one["chance_ahead"]
        state = standing.state_of(one["z"], one["told"], usual=usual, low=one["chance_low"])
        if state not in standing.REASSURING:
            continue
        is_under = true[row[name], np.searchsorted(months, one["month"])] < THRESHOLD
        kind = "reading far below" if one["is_far_below"] else "reading agrees"
        told = 100 * one["chance_low"]
        lines.append(_line(f"reassured, {kind}", one["zone"], 100.0 * is_under, told, np.nan, np.nan))
    return lines


def _counts(frame: pd.DataFrame, dist, latent, rng) -> list[dict]:
    """Return last counts of patients with the limits that the patient's other counts give."""
    lines = []
    plateau = latent.placements.set_index("placement_id")["plateau_pct"]
    after = frame[~frame["is_baseline"].astype(bool)]
    several = after.groupby("placement_id")["month"].transform("nunique") > 1
    last = after[several].sort_values("month").drop_duplicates("patient_id", keep="last")
    for _, row in last.sample(min(PREDICTED, len(last)), random_state=rng.integers(2**31)).iterrows():
        own = frame[frame["patient_id"].eq(row["patient_id"])]
        here = own["placement_id"].eq(row["placement_id"]) & own["month"].eq(row["month"])
        later = own["patient_month"].add(own["month"]) >= row["patient_month"] + row["month"]
        known = own[~(here | (later & ~own["is_baseline"].astype(bool)))]
        if not (known["placement_id"].eq(row["placement_id"]) & ~known["is_baseline"].astype(bool)).any():
            continue
        how = {
            "counted_area_cm2": row["counted_area_cm2"],
            "marked": row["both_marked"],
            "reader_changed": row["reader_changed"],
        }
        kind = "count, poor" if plateau[row["placement_id"]] <= POOR_TO else "count"
        path = single_cases.forecast(dist, known, [row["month"]], **how).path
        at = path[path["placement_id"].eq(row["placement_id"]) & path["region_id"].eq(row["region_id"])]
        for _, line in at.iterrows():
            values = (row["density"], line["density"], line["low_95"], line["high_95"])
            lines.append(_line(kind, line["zone"], *values))
    return lines


def run(name: str, size: int, n: int, cases: int, out: Path) -> None:
    """Run what is still missing of a world, writing each register as it is done."""
    path = out / f"{name.replace(', ', '_').replace(' ', '_')}_{size}.csv"
    done = set(pd.read_csv(path)["seed"]) if path.exists() else set()
    started = time.perf_counter()
    with path.open("a", newline="") as file:
        writer = csv.DictWriter(file, FIELDS)
        if not done:
            writer.writeheader()
        for seed in range(FIRST_SEED, FIRST_SEED + n):
            if seed not in done:
                with_cases = seed < FIRST_SEED + cases
                writer.writerows(one_register(name, size, seed, with_cases=with_cases))
                file.flush()
    print(f"{name}, {size}: {time.perf_counter() - started:.0f} s", flush=True)


def summary(path: Path) -> pd.DataFrame:
    """Return coverage, bias and mean width of limits by quantity, zones together."""
    rows = pd.read_csv(path)
    rows = rows[rows["target"].ne("no fit")].copy()
    inside = rows["truth"].between(rows["ci_low"] - 1e-9, rows["ci_high"] + 1e-9).astype(float)
    rows["inside"] = inside.where(rows["ci_low"].notna())  # of those that have limits
    rows["error"], rows["width"] = rows["estimate"] - rows["truth"], rows["ci_high"] - rows["ci_low"]
    table = rows.groupby("target").agg(
        n=("error", "size"),
        with_limits=("inside", "count"),
        covered=("inside", "mean"),
        bias=("error", "mean"),
        width=("width", "mean"),
        truth=("truth", "mean"),
    )
    table["covered"] *= 100
    return table.round(1)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, default=20)
    parser.add_argument("--cases", type=int, default=14, help="registers whose cases and counts are judged")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--worlds", nargs="*", default=list(WORLDS))
    parser.add_argument("--sizes", nargs="*", type=int, default=list(SIZES))
    chosen = parser.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    for size in chosen.sizes:
        for name in chosen.worlds:
            run(name, size, chosen.n, chosen.cases, chosen.out)
    for path in sorted(chosen.out.glob("*.csv")):
        print(f"\n{path.stem}")
        print(summary(path).to_string())


if __name__ == "__main__":
    main()
