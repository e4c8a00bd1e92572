"""Do the numbers of small registers cover, and does it come true when something can be told?

    python tests/bench/few_patients.py [registers a size] [sizes, as 12 30] [--seed N]

Draws registers of 12 and of 30 patients with the simulator's base truth (seeds fixed) and counts, by rung of
the ladder and zone, how often the 95 % interval holds the truth of the simulator: the mean yield at maturity
of all placements there could be (rungs 3 and 4), and at the months read (rung 2). Widths are in points. Then
the sentence *it can be told from register month m*: each register is let run on for RUNS_ON months, and the
first month at which the counts that came suffice for the stated power is set against the month told, wherever
that lies within those months. A month that has not come by then counts as later than any: leaving such
registers out would keep those in which it came early. Registers of which no month within those is told are
left out of that, which keeps those whose first sessions and returns happened to be many: so of all registers
in which a month was told or came, it is said how often it came sooner than told.
"""

import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
import pandas as pd
import simulated
from coverage_emergence import base_truth

from analytics import early, records, simulate, yields
from analytics.dictionary import MATURITY_MONTH, TABLES
from analytics.early import to_tell
from analytics.early.ladder import RUNGS

TRUTH = base_truth()
SEED, SIZES, MONTHS = 20_261, (12, 30), 30
CUTS = (0.25, 0.5, 0.75)
RUNS_ON = 90  # months a register is followed past the month it is asked in


def main(n: int, sizes: tuple[int, ...], seed: int = SEED) -> None:
    """Print coverage and width by size, rung and zone; then how far off the month told was."""
    for size in sizes:
        lines, off = [], []
        for k in range(n):
            whole = _drawn(size, seed + 1_000 * size + k)
            lines += _covered(records.as_of(whole, MONTHS))
            late = _late(whole)
            off.append(late)
            if k % 25 == 24:
                _say(size, pd.DataFrame(lines), np.array(off), k + 1)
        if n % 25:
            _say(size, pd.DataFrame(lines), np.array(off), n)


def _drawn(size: int, seed: int):
    """Return a register whose sessions go on at the same rate, so that `size` have come by MONTHS."""
    months = MONTHS + RUNS_ON
    n = round(size * months / MONTHS)
    tables, _ = simulate.register(n, truth=TRUTH, seed=seed, months=months + 24, entry_months=months)
    counted = [(name, 0, 0, 0, "") for name in TABLES]
    balance = pd.DataFrame(counted, columns=["table", "read", "used", "left_out", "reason"])
    return replace(simulate.as_records(tables), balance=balance)


def _covered(read) -> list[dict]:
    found = early.ladder(read, choices=yields.Choices(native_change="assumed"))
    rungs = found.extra["rungs"].set_index("zone")["rung"]
    out = []
    for row in found.table().itertuples():
        rung = int(rungs[row.zone])
        if rung < 2 or not np.isfinite(row.ci_low):  # none over few patients
            continue
        months = [float(MATURITY_MONTH[row.zone])]
        if rung == 2:
            used = found.rows()
            own = used[used["zone"].eq(row.zone) & used["reason"].eq("") & ~used["is_baseline"].astype(bool)]
            own = own[own["quantity"].eq("yield")].sort_values("month")
            months = own.groupby("placement_id").tail(1)["month"].tolist()
        truth = float(np.mean([_truth(row.zone, round(month, 1)) for month in months]))
        out.append(
            {
                "rung": RUNGS[rung],
                "zone": row.zone,
                "covered": row.ci_low <= truth <= row.ci_high,
                "width": row.ci_high - row.ci_low,
                "bias": row.estimate - truth,
            }
        )
    return out


@cache
def _truth(zone: str, month: float) -> float:
    """Return the mean true yield of all placements of a zone there could be at a month."""
    plateau, half = simulated.drawn_placements(TRUTH, zone)
    return float(
        np.mean(plateau * simulate.emerged(month / half, TRUTH.zones[zone].shape, curve=TRUTH.curve))
    )


def _late(whole) -> tuple[float, bool]:
    """Return by how many months the month told was too early (above 0) or too late, and if its limits held.

    Minus infinity where none within those followed was told and yet one came, NaN where none came either.
    """
    told = early.when(records.as_of(whole, MONTHS), difference=15.0).extra["facts"].iloc[0]
    is_told = told["month"] <= MONTHS + RUNS_ON
    rows = yields.one_reading(yields.by_visit(whole))
    start = whole.sessions.set_index("session_id")["register_month"]
    at = rows["session_id"].map(start).to_numpy() + rows["month"].to_numpy()
    for month in range(MONTHS, MONTHS + RUNS_ON):
        known = rows[at <= month]
        n = known.loc[known["zone"].eq("crown"), "patient_id"].nunique()
        m = known.loc[known["zone"].isin(("hairline", "frontal")), "patient_id"].nunique()
        if bool(to_tell._is_enough(n, m, True, told["sd"], 15.0, 0.8)):
            return _against_told(float(month), told) if is_told else (-np.inf, False)
    return _against_told(np.inf, told) if is_told else (np.nan, False)


def _against_told(month: float, told: pd.Series) -> tuple[float, bool]:
    high = np.inf if np.isnan(told["high"]) else told["high"]
    # A month later than all that were followed lies within limits that end later still.
    is_held = told["low"] - 1 <= month <= high + 1 or (np.isinf(month) and high > MONTHS + RUNS_ON)
    return month - told["month"], bool(is_held)


def _say(size: int, lines: pd.DataFrame, off: np.ndarray, n: int) -> None:
    print(f"\n{size} patients, {n} registers")
    for keys in (["rung"], ["rung", "zone"]):
        table = lines.groupby(keys).agg(
            n=("covered", "size"),
            covered=("covered", "mean"),
            width=("width", "median"),
            bias=("bias", "mean"),
        )
        print(table.assign(covered=(100 * table["covered"]).round(1)).round(1).to_string(), flush=True)
    known = off[~np.isnan(off[:, 0])]
    of_told = known[known[:, 0] > -np.inf]
    if len(of_told):
        late, held = of_told[:, 0], of_told[:, 1]
        quarters = np.quantile(late, CUTS, method="closest_observation")
        again = np.random.default_rng(SEED).choice(late, (1_000, len(late)))
        medians = np.quantile(again, 0.5, axis=1, method="closest_observation")
        error = np.diff(np.quantile(medians, (0.16, 0.84), method="closest_observation"))[0] / 2
        sooner = (known[:, 0] < 0).mean() + (known[:, 0] == 0).mean() / 2
        print(
            f"month told against month come: {len(of_told)} registers, median {quarters[1]:+.1f} (error "
            f"{error:.1f}), quarters {quarters[0]:+.1f} to {quarters[2]:+.1f}; within the limits told (80 %) "
            f"{100 * held.mean():.0f} %; of {len(known)} in which it was told or came, sooner than told "
            f"{100 * sooner:.0f} %",
            flush=True,
        )


if __name__ == "__main__":
    words = sys.argv[1:]
    first = int(words.pop(words.index("--seed") + 1)) if "--seed" in words else SEED
    given = [int(word) for word in words if word != "--seed"] or [200]
    main(given[0], tuple(given[1:]) or SIZES, first)
