"""How far off are naive means of yield, and how often do our intervals hold the truth? Over many registers.

Not collected by pytest. `python tests/bench/yield_traps.py [registers] [patients ...]` prints, for each trap
that concerns a mean, the bias of the naive number and of `yields.average` in points, and the coverage of its
95 % intervals, frontal and crown together. The truth is the mean true yield at maturity of 4,000 patients
drawn from the same settings. Seeds are 9300 and on, fixed before looking.
"""

import sys
import time
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics import simulate, yields

ZONES = ("frontal", "crown")
FIRST_SEED = 9300
ALL_COUNTED = {"planted_counted": 1.0}
NAIVE = yields.Choices(native_change="none")
# Trap -> settings of the truth, choices of the naive `by_visit`, which naive mean; ours by OURS or defaults.
TRAPS = {
    "usual register": ({}, NAIVE, "mature"),
    "native loss left in": (ALL_COUNTED, NAIVE, "mature"),
    "failed photographs kept": (
        {**ALL_COUNTED, "not_standard": 0.3, "not_standard_bias_pct": -20.0},
        yields.Choices(photographs="all"),
        "mature",
    ),
    "zone average, region 20 % denser": (
        {**ALL_COUNTED, "region_denser_pct": 20.0},
        yields.Choices(planted="zone"),
        "mature",
    ),
    "a third counted in the region": ({"planted_counted": 0.3}, yields.USUAL, "mature"),
    "none counted, regions spread about the average": ({"planted_counted": 0.0}, yields.USUAL, "mature"),
    "none counted, traced areas err by a fifth": (
        {"planted_counted": 0.0, "region_spread_cv": 0.0, "area_trace_cv": 0.2},
        yields.USUAL,
        "mature",
    ),
    "native change from control regions": (
        {**ALL_COUNTED, "native_loss_pct": 9.0, "native_loss_sd": 3.0, "controls": 0.3},
        yields.USUAL,
        "mature",
    ),
    "weights from observed counts": (
        {**ALL_COUNTED, "marked": 0.0, "fields_unmarked": (1,)},
        yields.USUAL,
        "weighted",
    ),
    "every zone at month 12": (ALL_COUNTED, yields.USUAL, "month 12"),
    "last visit carried forward": (
        {**ALL_COUNTED, "attendance": {3: 0.9, 6: 0.7, 9: 0.5, 12: 0.5, 18: 0.4}},
        yields.USUAL,
        "last",
    ),
}
OURS = {"native change from control regions": yields.Choices(native_change="control")}


def naive(rows: pd.DataFrame, how: str) -> pd.Series:
    """Return the naive mean by zone."""
    after = rows[~rows["is_baseline"] & rows["yield_pct"].notna()]
    if how == "last":
        after = after[after["month"] > 0].sort_values("month").groupby("placement_id").tail(1)
    elif how == "month 12":
        after = after[after["month"].between(11, 13)]
    else:
        late = after["month"] - after["maturity_month"]
        after = after[late.between(-1, 1)]
    if how != "weighted":
        return after.groupby("zone")["yield_pct"].mean()
    weight = 1 / (after["density"].clip(lower=1) + after["baseline_density"].clip(lower=1))
    both = (after["yield_pct"] * weight).groupby(after["zone"]).sum()
    return both / weight.groupby(after["zone"]).sum()


def one_trap(name: str, registers: int, n: int) -> dict:
    """Return bias and coverage of one trap."""
    changes, choices, how = TRAPS[name]
    truth = replace(simulate.plain(), **changes)
    _, latent = simulate.register(4000, truth=truth, seed=FIRST_SEED - 1)
    true = latent.placements.groupby("zone")["yield_at_maturity_pct"].mean()
    wrong, ours, held, z = [], [], [], []
    for seed in range(FIRST_SEED, FIRST_SEED + registers):
        tables, _ = simulate.register(n, truth=truth, seed=seed, months=60, entry_months=36)
        register = simulate.as_records(tables)
        wrong.append(naive(yields.by_visit(register, choices=choices), how))
        table = yields.average(register, choices=OURS.get(name, yields.USUAL)).table().set_index("zone")
        for zone in ZONES:
            row = table.loc[zone]
            ours.append(row["estimate"] - true[zone])
            held.append(row["ci_low"] <= true[zone] <= row["ci_high"])
            z.append(ours[-1] / row["se"])
    off = pd.DataFrame(wrong)[list(ZONES)] - true[list(ZONES)]
    return {
        "trap": name,
        "patients": n,
        "naive frontal": off["frontal"].mean(),
        "naive crown": off["crown"].mean(),
        "ours": np.mean(ours),
        "SD of z": np.std(z),
        "coverage %": 100 * np.mean(held),
        "of": len(held),
    }


def main() -> None:
    """Print the tables."""
    registers = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    patients = [int(a) for a in sys.argv[2:]] or [60, 300]
    began = time.perf_counter()
    heads: list[str] = []
    for n in patients:
        for name in TRAPS:
            row = one_trap(name, registers, n)
            if not heads:
                heads = list(row)
                print("| " + " | ".join(heads) + " |\n|" + "---|" * len(heads), flush=True)
            cells = [f"{v:.2f}" if isinstance(v, float) else str(v) for v in row.values()]
            print("| " + " | ".join(cells) + " |", flush=True)
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
