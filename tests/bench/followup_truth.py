"""Do follow-up shares and complication rates, as the workbook counts them, hold the truth of a register?

Draws registers of 80 patients, one session each, who come to month 12 (and 18) with a stated chance, whose
photographs fail with a stated chance, and half of whose complications are told although nobody asked. Run:

    nice python tests/bench/followup_truth.py --n 300

Register i has seed FIRST_SEED + i. True values: the window of maturity of the crown holds one planned visit,
month 18, kept with the stated chance and usable unless its photograph, or that before the session, fails; a
complication has happened by month 3 with the stated chance times the share of its months up to 3 (a gamma
law).
"""

import argparse
import os
from dataclasses import replace

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from scipy import stats

from analytics import followup, simulate, yields
from analytics.numerics import bounds, proportions
from analytics.simulate.followup import EVENT_MONTH
from analytics.simulate.truth import Truth

FIRST_SEED = 90_000
SIZE = 80
COMES = {3: 0.8, 12: 0.7, 18: 0.6}
FAILS, ASKED, TOLD = 0.1, 0.7, 0.5
EVENT, RATE, BY_MONTH = "effluvium", 0.25, 3.0
# Zones whose window of maturity holds one planned visit alone: 11 to 18 holds month 18 as well.
WINDOWS = {"crown": 18}


def truth() -> Truth:
    """Return what the registers are drawn from."""
    return replace(
        simulate.plain(),
        attendance=COMES,
        not_standard=FAILS,
        complications_asked=ASKED,
        told_unasked=TOLD,
        events={EVENT: RATE},
        jitter_months=0.2,
    )


def true_rate() -> float:
    """Return the chance that the complication has happened by the month (months are kept to a tenth)."""
    shape, scale = EVENT_MONTH[EVENT]
    return RATE * float(stats.gamma.cdf(BY_MONTH + 0.05, shape, scale=scale))


def true_share(zone: str) -> float:
    """Return the chance that a placement is counted usably in its window of maturity."""
    return COMES[WINDOWS[zone]] * (1 - FAILS) ** 2


def one_register(seed: int) -> pd.DataFrame:
    """Return estimates, limits and true values of one register."""
    tables, _ = simulate.register(SIZE, truth=truth(), seed=seed, months=66, entry_months=36)
    records = simulate.as_records(tables)
    lines = []
    table = yields.counted_at_maturity(records).table()
    for zone in WINDOWS:
        row = table[table["term"].eq("counted of due") & table["zone"].eq(zone)].iloc[0]
        lines.append(
            ("counted of due", row["estimate"], row["ci_low"], row["ci_high"], 100 * true_share(zone))
        )
    known = followup.complications(records, event=EVENT, by_month=BY_MONTH)
    true = 100 * true_rate()
    asked, events = int(known["asked"].sum()), int(known["y"].sum())
    told = int(known["answer"].eq(followup.TOLD).sum())
    share = proportions.proportion(events, asked)
    lines.append(("complication among those asked", *_percent(share.estimate, share.low, share.high), true))
    naive = proportions.proportion(events + told, asked + told)
    lines.append(
        ("complication, told ones counted too", *_percent(naive.estimate, naive.low, naive.high), true)
    )
    found = bounds.share(events, asked, len(known), told=told)
    middle = (found.lower + found.upper) / 2
    lines.append(("bounds over all operated", *_percent(middle, found.low, found.high), true))
    return pd.DataFrame(lines, columns=["quantity", "estimate", "low", "high", "truth"])


def _percent(*shares: float) -> list[float]:
    return [100 * float(share) for share in shares]


def covered(registers: list[pd.DataFrame]) -> pd.DataFrame:
    """Return by quantity the share of intervals that hold the truth, and the bias with its standard error."""
    rows = pd.concat(registers)
    rows["covered"] = rows["low"].le(rows["truth"]) & rows["high"].ge(rows["truth"])
    rows["off"] = rows["estimate"] - rows["truth"]
    groups = rows.groupby("quantity", sort=False)
    return pd.DataFrame(
        {
            "n": groups.size(),
            "covered": groups["covered"].mean(),
            "bias": groups["off"].mean(),
            "bias_se": groups["off"].std(ddof=1) / np.sqrt(groups.size()),
        }
    )


def main() -> None:
    """Print coverage and bias by quantity."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--n", type=int, default=300)
    n = parser.parse_args().n
    print(covered([one_register(FIRST_SEED + i) for i in range(n)]).round(3).to_string())


if __name__ == "__main__":
    main()
