"""How often are visit dates with day and month turned named, in lists whose headings say no month?

    python tests/bench/turned_dates.py [N_LISTS]

Lists of 12, 60 and 300 patients are drawn with visits tight about months 0, 3, 6, 9, 12 and 18 (SD 0.3),
loosely (1.5), mixed (0.6, and one visit in seven at any month), or at any month; none, a tenth or half of the
dates that can be turned are. Prints how many lists stop, and how many are read with a sentence. Seed 5.
"""

import datetime
import sys

import numpy as np
import pandas as pd

from analytics.mapping import clock

SPREAD = {"tight": (0.3, 0.0), "loose": (1.5, 0.0), "mixed": (0.6, 0.15), "any month": (0.0, 1.0)}
PLANNED, MISSED, LAST = (0, 3, 6, 9, 12, 18), 0.25, 24.0


def main(n_lists: int) -> None:
    """Print a line a kind, size and share."""
    rng = np.random.default_rng(5)
    for kind in SPREAD:
        for n in (12, 60, 300):
            for share in (0.0, 0.1, 0.5):
                found = [held(rng, n, kind, share) for _ in range(n_lists)]
                stops = sum(bool(out.problems) for out in found)
                told = sum(bool(out.notes) for out in found)
                print(f"{kind}, {n} patients, {share:.0%} turned: {stops} stop, {told} told, of {n_lists}")


def held(rng: np.random.Generator, n: int, kind: str, share: float) -> clock.Joined:
    """Return what is said of a drawn list: of n patients, a kind of SPREAD, a share of its dates turned."""
    out = clock.Joined()
    clock.hold_against_heading("measurements", _drawn(rng, n, kind, share), _Plan, out)
    return out


class _Plan:
    off_month = "stop"


def _drawn(rng: np.random.Generator, n: int, kind: str, share: float) -> pd.DataFrame:
    spread, unplanned = SPREAD[kind]
    rows = []
    for patient in range(n):
        start = datetime.date(2020, 1, 1) + datetime.timedelta(int(rng.integers(0, 1500)))
        for planned in PLANNED:
            if rng.random() < MISSED:
                continue
            month = rng.uniform(0, LAST) if rng.random() < unplanned else planned + rng.normal(0, spread)
            day = start + datetime.timedelta(round((month if planned else 0) * clock.DAYS_A_MONTH))
            if day.day <= 12 and rng.random() < share:
                day = day.replace(month=day.day, day=day.month)
            months = clock.months_between(start, day)
            rows.append((f"{patient:04d}", f"{patient:04d}-1", start, day, months, np.nan, "list", 0))
    columns = ["patient_id", "session_id", "own_date", "date", "month", "planned_month", "sheet", "block"]
    return pd.DataFrame(rows, columns=columns).assign(row=range(len(rows)))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
