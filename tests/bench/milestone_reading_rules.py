"""What does each rule for reading a milestone show, beside what is true?

    python tests/bench/milestone_reading_rules.py
    python tests/bench/milestone_reading_rules.py --patients 6000 --percent 80

One large invented register with a known truth. For each zone and month: the share of placements that have
truly reached the milestone; the model's share; what first readings at or above show (Turnbull), what readings
of hair that follows the model are expected to show; two readings in a row; and confirmed readings (lower
limit above). Then, among placements that never truly reach it: how many have a reading at or above all the
same.
"""

import argparse
import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from coverage_emergence import base_truth

from analytics import regrowth, simulate, yields
from analytics.milestones import first_readings as milestones_curves
from analytics.milestones import model as milestones_model
from analytics.milestones.intervals import RULES, Question, of_placements, readings

MONTHS = np.array([6.0, 12.0, 18.0])


def shares(table: pd.DataFrame) -> dict[tuple[str, float], float]:
    """Return Turnbull's share by zone and month, in percent."""
    used = table[table["reason"].eq("")].reset_index(drop=True)
    return {
        (group.name[0], month): share
        for group in milestones_curves.fit_groups(used, ("zone",))
        for month, share in zip(MONTHS, 100.0 * (1.0 - group.fit.interpolated(MONTHS)), strict=True)
    }


def false_reaches(seen: pd.DataFrame, latent: pd.DataFrame, percent: float) -> pd.DataFrame:
    """Return, of placements that never truly reach it, the percent with a reading at or above, by zone."""
    never = latent[np.isinf(latent[f"month_{percent:g}"])].set_index("placement_id")["zone"]
    own = seen[seen["placement_id"].isin(never.index)]
    highest = own.groupby("placement_id")["yield_pct"].max()
    frame = pd.DataFrame({"zone": never.reindex(highest.index), "touched": 100.0 * (highest >= percent)})
    return frame.groupby("zone")["touched"].agg(never_reach="size", read_at_or_above_pct="mean").reset_index()


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--patients", type=int, default=3000)
    parser.add_argument("--percent", type=float, choices=(25.0, 50.0, 80.0), default=80.0)
    parser.add_argument("--seed", type=int, default=7)
    chosen = parser.parse_args()
    tables, latent = simulate.register(chosen.patients, truth=base_truth(), seed=chosen.seed)
    records = simulate.as_records(tables)
    rows = yields.by_visit(records)
    seen = readings(rows, records)
    asked = {rule: Question(chosen.percent, rule) for rule in RULES}
    by_rule = {rule: shares(of_placements(rows, seen, q)) for rule, q in asked.items()}
    fit = regrowth.fit_emergence(records)
    model = milestones_model.planted_rows(fit, chosen.percent, MONTHS, level=0.95)
    model = model[model["term"].eq(milestones_model.SHARE)].set_index(["zone", "x"])["estimate"]
    expected = milestones_model.expected_first_readings(fit, rows, Question(chosen.percent), MONTHS, seed=1)
    expected = expected.set_index(["zone", "x"])["expected"]
    out = [
        {
            "zone": zone,
            "month": month,
            "true": 100.0 * (own[f"month_{chosen.percent:g}"] <= month).mean(),
            "model": model[zone, month],
            "first reading": by_rule["first"][zone, month],
            "expected of the model": expected[zone, month],
            "two in a row": by_rule["twice"][zone, month],
            "confirmed": by_rule["confirmed"][zone, month],
        }
        for zone, own in latent.placements.groupby("zone")
        for month in MONTHS
        if (zone, month) in expected.index
    ]
    print(f"{chosen.percent:g} % of planted hairs, {chosen.patients} patients; percent of placements")
    print(pd.DataFrame(out).round(1).to_string(index=False))
    print("\nof placements that never truly reach it:")
    print(false_reaches(seen, latent.placements, chosen.percent).round(1).to_string(index=False))


if __name__ == "__main__":
    main()
