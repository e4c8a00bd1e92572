"""Are the emergence model's standard errors those of a bootstrap over patients?

    python tests/bench/bootstrap_emergence.py data_demo --draws 200

Patients are drawn with replacement, each draw refitted, and the spread of every number printed beside the
standard error the model gives it (delta method, robust over patients). Counting error is held at the
register's own.
"""

import argparse
import os
import time

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from dataclasses import replace

import numpy as np
import pandas as pd

from analytics import measurement, records
from analytics.errors import FitError
from analytics.regrowth import rows as regrowth_rows
from analytics.regrowth.emergence import fit_rows
from analytics.regrowth.tables import between_rows, zone_rows

SEED = 20240601
WANTED = ("plateau_yield", "yield_at_maturity", "half_month", "tempo_ratio")


def numbers(fit) -> pd.DataFrame:
    """Return the reported numbers of a fit."""
    rows = zone_rows(fit) + between_rows(fit)
    table = pd.DataFrame(rows)
    keep = table["term"].isin(WANTED)
    pair = table["zone"].str.contains(" : ") & ~table["zone"].str.endswith(": front")
    table = table[keep & ~pair]
    month = table["x"].map(lambda x: "" if np.isnan(x) else f" at {x:g}")
    return table.assign(term=table["term"] + month).set_index(["term", "zone"])[["estimate", "se"]]


def drawn(rows: regrowth_rows.EmergenceRows, rng: np.random.Generator) -> regrowth_rows.EmergenceRows:
    """Return rows of patients drawn with replacement, each draw a patient of its own."""
    parts = dict(tuple(rows.frame.groupby("patient_id")))
    names = list(parts)
    chosen = rng.choice(len(names), len(names))
    frames = [
        parts[names[i]].assign(
            patient_id=str(j), placement_id=lambda f, j=j: f"{j}|" + f["placement_id"].astype(str)
        )
        for j, i in enumerate(chosen)
    ]
    return replace(rows, frame=pd.concat(frames, ignore_index=True))


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("data")
    parser.add_argument("--draws", type=int, default=200)
    chosen = parser.parse_args()
    register = records.load(chosen.data)
    rows = regrowth_rows.select(register)
    error = measurement.error_model(register)
    table = numbers(fit_rows(rows, error))
    rng, found, failed, started = np.random.default_rng(SEED), [], 0, time.perf_counter()
    for _ in range(chosen.draws):
        try:
            found.append(numbers(fit_rows(drawn(rows, rng), error))["estimate"])
        except FitError:
            failed += 1
    draws = pd.concat(found, axis=1)
    table["bootstrap_se"] = draws.std(axis=1)
    table["ratio"] = table["se"] / table["bootstrap_se"]
    print(table.round(3).to_string())
    print(
        f"median ratio {table['ratio'].median():.3f}; {failed} draws failed; "
        f"{time.perf_counter() - started:.0f} s for {chosen.draws} draws"
    )


if __name__ == "__main__":
    main()
