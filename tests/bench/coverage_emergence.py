"""How often do the emergence model's 95 % intervals hold, and how far off is it on average?

Draws registers with a known truth, fits each, and counts. Run by hand:

    python tests/bench/coverage_emergence.py --n 1000 --jobs 2 --out /tmp/coverage
    python tests/bench/coverage_emergence.py --n 100 --scenarios main lognormal --out /tmp/coverage

Every register is one line a target in `<out>/<scenario>.csv`; a run that was stopped goes on where it
ended. Seeds are fixed: register i of a scenario has seed FIRST_SEED + i, whatever was looked at before.

Truth: `simulate.plain` (no covariate effects) with this clinic's attendance, its spread of native loss
between patients, reader error and changes, missing baselines and second sessions in other zones. Every true
value follows from the stated truth by integration; nothing is taken from a fit.
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
from scipy.special import ndtr

from analytics import regrowth, simulate
from analytics.dictionary.schema import FRONT, MATURITY_MONTH
from analytics.errors import FitError
from analytics.regrowth.quantities import FRONT_NAME
from analytics.regrowth.tables import between_rows, zone_rows

FIRST_SEED = 20_000
MILESTONES = (50.0, 80.0)
SHARE_MONTHS = (12.0, 18.0)
FIELDS = ("seed", "target", "zone", "truth", "estimate", "se", "se_model", "ci_low", "ci_high", "flag")
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(41)
WEIGHTS = WEIGHTS / WEIGHTS.sum()


def base_truth() -> simulate.Truth:
    """Return the main truth: curve, spreads, counting and follow-up of the invented clinic, no more."""
    usual = simulate.Truth()
    return replace(
        simulate.plain(usual),
        attendance=usual.attendance,
        native_loss_sd=usual.native_loss_sd,
        native_per_class_step=usual.native_per_class_step,
        between_reader_cv=usual.between_reader_cv,
        duplicates=usual.duplicates,
        no_baseline=usual.no_baseline,
        withdraws=usual.withdraws,
        region_missed=usual.region_missed,
        second_session=usual.second_session,
    )


def scenarios() -> dict[str, tuple[simulate.Truth, int, str]]:
    """Return truth, patients and fitted shape by name."""
    base = base_truth()
    lognormal = replace(
        base,
        curve="log-normal",
        zones={z: replace(t, shape=t.shape / 1.7) for z, t in base.zones.items()},
    )
    half = replace(base, attendance={**base.attendance, 18: base.attendance[18] / 2})
    stays = replace(base, stays_away_when_far=simulate.Truth().stays_away_when_far)
    return {
        "main": (base, 300, "log-logistic"),
        "lognormal": (lognormal, 300, "log-logistic"),
        "half18": (half, 300, "log-logistic"),
        "n60": (base, 60, "log-logistic"),
        "stays_away": (stays, 300, "log-logistic"),
    }


def true_values(truth: simulate.Truth) -> dict[tuple[str, str], float]:
    """Return the true value of every target by (target, zone)."""
    spread = np.hypot(truth.plateau_sd_patient, truth.plateau_sd_placement)
    tempo = np.hypot(truth.log_tempo_sd_patient, truth.log_tempo_sd_placement) * NODES
    values = {}
    for zone, t in truth.zones.items():

        def emerged(month, t=t):
            return simulate.emerged(month / (t.half_month * np.exp(tempo)), t.shape, curve=truth.curve)

        values["plateau_yield", zone] = t.plateau_yield
        values["yield_at_maturity", zone] = t.plateau_yield * float(emerged(MATURITY_MONTH[zone]) @ WEIGHTS)
        for percent in MILESTONES:
            for month in SHARE_MONTHS:
                past = ndtr((t.plateau_yield - percent / emerged(month)) / spread)
                values[f"share_past_{percent:g}_at_{month:g}", zone] = 100 * float(past @ WEIGHTS)
        if zone not in FRONT:
            values["tempo_ratio", zone] = t.half_month / truth.zones["frontal"].half_month
    return values


def one_register(name: str, seed: int) -> list[dict]:
    """Draw, fit and tabulate one register."""
    truth, n, curve = scenarios()[name]
    tables, _ = simulate.register(n, truth=truth, seed=seed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            records = simulate.as_records(tables)
            fit = regrowth.fit_emergence(records, curve=curve)
            shares = list(_shares(regrowth.fit_plateaus(records, fit=fit)))
        except FitError:
            return [{"seed": seed, "target": "no fit", "zone": "", "flag": "no fit"}]
    failed = ",".join(k for k, ok in fit.checks.items() if not ok)
    true, rows = true_values(truth), []
    plain = replace(fit, beta_cov=fit.beta_model_cov)
    both = [*zip(_found(fit), _found(plain), strict=True), *zip(shares, shares, strict=True)]
    for (target, zone, found), (_, _, modelled) in both:
        rows.append(
            {
                "seed": seed,
                "target": target,
                "zone": zone,
                "truth": true[target, zone],
                "estimate": found["estimate"],
                "se": found["se"],
                "se_model": modelled["se"],
                "ci_low": found["ci_low"],
                "ci_high": found["ci_high"],
                "flag": failed,
            }
        )
    return rows


def _found(fit):
    for row in zone_rows(fit):
        # A yield at an earlier month than maturity is another quantity, and says so.
        at_maturity = row["term"] == "yield_at_maturity" and row["x"] == MATURITY_MONTH[row["zone"]]
        if at_maturity or row["term"] == "plateau_yield":
            yield row["term"], row["zone"], row
    for row in between_rows(fit):
        one, other = row["zone"].split(" : ")
        if row["term"] == "tempo_ratio" and other == FRONT_NAME:
            yield "tempo_ratio", one, row


def _shares(plateaus):
    for percent in MILESTONES:
        table = regrowth.shares(plateaus, SHARE_MONTHS, percent).table()
        for _, row in table[table["term"].str.startswith("share")].iterrows():
            yield f"share_past_{percent:g}_at_{row['x']:g}", row["zone"], row


def run(name: str, n: int, jobs: int, out: Path) -> None:
    """Run what is still missing of a scenario, writing each register as it is done."""
    path = out / f"{name}.csv"
    done = set(pd.read_csv(path)["seed"]) if path.exists() else set()
    seeds = [s for s in range(FIRST_SEED, FIRST_SEED + n) if s not in done]
    started = time.perf_counter()
    with path.open("a", newline="") as file, ProcessPoolExecutor(jobs) as pool:
        writer = csv.DictWriter(file, FIELDS)
        if not done:
            writer.writeheader()
        waiting = [pool.submit(one_register, name, s) for s in seeds]
        for future in as_completed(waiting):
            writer.writerows(future.result())
            file.flush()
    if seeds:
        print(f"{name}: {len(seeds)} registers in {time.perf_counter() - started:.0f} s")


def summary(path: Path, n: int) -> pd.DataFrame:
    """Return coverage, bias and sizes of errors by target and zone."""
    rows = pd.read_csv(path)
    rows = rows[rows["seed"].between(FIRST_SEED, FIRST_SEED + n - 1)]
    kept = rows[rows["target"].ne("no fit")].copy()
    kept["inside"] = kept["truth"].between(kept["ci_low"], kept["ci_high"])
    kept["error"] = kept["estimate"] - kept["truth"]
    groups = kept.groupby(["target", "zone"], sort=False)
    table = groups.agg(
        n=("seed", "nunique"),
        truth=("truth", "first"),
        bias=("error", "mean"),
        sd=("error", "std"),
        mean_se=("se", "mean"),
        mean_se_model=("se_model", "mean"),
        coverage_pct=("inside", lambda v: 100 * v.mean()),
        below_pct=("inside", "size"),
    )
    table["below_pct"] = groups.apply(lambda g: 100 * (g["truth"] < g["ci_low"]).mean(), include_groups=False)
    table["above_pct"] = groups.apply(
        lambda g: 100 * (g["truth"] > g["ci_high"]).mean(), include_groups=False
    )
    return table.reset_index()


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--scenarios", nargs="*", default=list(scenarios()))
    parser.add_argument("--by-target", action="store_true", help="pool zones")
    chosen = parser.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    for name in chosen.scenarios:
        run(name, chosen.n, chosen.jobs, chosen.out)
        table = summary(chosen.out / f"{name}.csv", chosen.n)
        error = 100 * np.sqrt(0.95 * 0.05 / chosen.n)
        print(f"\n{name}: Monte Carlo error of a coverage of 95 %: {error:.1f} points")
        if chosen.by_target:
            table = table.groupby("target", sort=False).mean(numeric_only=True).reset_index()
        print(table.round(3).to_string(index=False))


if __name__ == "__main__":
    main()
