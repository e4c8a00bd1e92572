"""How many of the failures does the list without visible growth name, and how many placements that grew?

Draws whole practices of 200 (photographs that fail, changes of hair length, readers, repeat sessions,
therapy) with failed placements and 3 % of poor growth, in three worlds. A placement counts from the first
count at month 9 on, usable or not. Dead: a plateau under 10 % of planted hairs; growing: 60 % and more. Run:

    nice python tests/bench/no_growth.py --n 60

Register i has seed FIRST_SEED + i. Prints, pooled over registers, the shares named with Wilson's limits.
"""

import argparse
import os
from dataclasses import replace

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

from analytics import course, simulate
from analytics.numerics import proportions
from analytics.simulate.truth import Truth

FIRST_SEED = 80_000
SIZE = 200
GROUPS = {"dead": (-np.inf, 10.0), "between": (10.0, 60.0), "growing": (60.0, np.inf)}


def worlds() -> dict[str, Truth]:
    """Return the truth of each world."""
    usual = replace(Truth(), failed_growth=11, poor_growth=0.03)
    skewed = replace(usual, plateau_law="beta")
    return {
        "normal plateaus": usual,
        "beta plateaus": skewed,
        "late wave, half of planted densities zone averages": replace(
            skewed, curve="late wave", planted_counted=0.5
        ),
    }


def one_register(truth: Truth, seed: int) -> pd.DataFrame:
    """Return the placements counted from month 9 on: plateau, zone, whether the list names them."""
    tables, latent = simulate.register(SIZE, truth=truth, seed=seed)
    found = course.no_growth(simulate.as_records(tables))
    counts = found.rows()
    late = counts.loc[counts["month"].ge(9.0), "placement_id"]
    placed = latent.placements[latent.placements["placement_id"].isin(set(late))]
    return placed.assign(named=placed["placement_id"].isin(found.extra["no_growth"]["placement_id"]))


def main() -> None:
    """Print the shares named by world, group and zone."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--n", type=int, default=60)
    n = parser.parse_args().n
    for name, truth in worlds().items():
        rows = pd.concat([one_register(truth, FIRST_SEED + i) for i in range(n)])
        for group, (low, high) in GROUPS.items():
            here = rows[rows["plateau_pct"].ge(low) & rows["plateau_pct"].lt(high)]
            for zone, those in [("all zones", here), *here.groupby("zone")]:
                share = proportions.proportion(int(those["named"].sum()), len(those))
                words = f"{100 * share.estimate:5.1f} ({100 * share.low:.1f} to {100 * share.high:.1f})"
                print(f"{name:50} {group:8} {zone:10} {words} % of {len(those)}", flush=True)


if __name__ == "__main__":
    main()
