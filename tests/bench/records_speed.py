"""How long the door takes, beside pandas reading the same files without checking anything, in one run.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/bench/records_speed.py [patients]

Printed for every form of the same invented register: processor and wall time of `records.load` (read, look
for identifiers, type, check, fill), of its reading alone, of pandas reading the same files with typed
columns and no check, and the ratio of the processor times. Each is the best of three.
"""

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import pandas as pd

from analytics import records, simulate
from analytics.dictionary.tables import TABLES
from analytics.records import readers

PATIENTS = 7000  # about 88,000 counts
REPEATS = 3
TEXT = {c.name: str for t in TABLES.values() for c in t.columns if c.kind in ("id", "label", "choice")}


def lettered(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a table whose codes begin with a letter."""
    codes = [c for c in ("patient_id", "session_id", "placement_id") if c in frame]
    return frame.assign(**{c: "P" + frame[c].astype(str) for c in codes})


def best(job: Callable[[], object]) -> tuple[float, float]:
    """Return the least processor and wall time of a few runs, in seconds."""
    times = []
    for _ in range(REPEATS):
        wall, used = time.perf_counter(), time.process_time()
        job()
        times.append((time.process_time() - used, time.perf_counter() - wall))
    return min(t[0] for t in times), min(t[1] for t in times)


def by_pandas(place: Path, kind: str) -> list[pd.DataFrame]:
    """Read the same files with typed columns and no check."""
    if kind == "csv":
        return [pd.read_csv(place / f"{name}.csv", dtype=TEXT) for name in TABLES]
    if kind == "parquet":
        return [pd.read_parquet(place / f"{name}.parquet") for name in TABLES]
    if kind == "xlsx":
        return list(pd.read_excel(place, sheet_name=None, engine="calamine", dtype=TEXT).values())
    with duckdb.connect(str(place), read_only=True) as store:
        return [store.sql(f"select * from {name}").df() for name in TABLES]


def main() -> None:
    """Print one line a form."""
    n_patients = int(sys.argv[1]) if len(sys.argv) > 1 else PATIENTS
    tables, _ = simulate.register(n_patients, seed=7)
    # A letter in front: session 2001-1 would be taken for a date by the look for identifiers.
    drawn = simulate.as_records({name: lettered(frame) for name, frame in tables.items()})
    print(f"{n_patients} patients, {len(drawn.measurements)} counts")
    print(f"{'form':<9}{'load cpu':>9}{'wall':>7}{'read cpu':>10}{'pandas cpu':>12}{'load / pandas':>15}")
    with tempfile.TemporaryDirectory() as folder:
        for kind in ("csv", "parquet", "duckdb", "xlsx"):
            is_file = kind in ("xlsx", "duckdb")
            place = Path(folder) / (f"r.{kind}" if is_file else kind)
            records.write(drawn, place, kind=kind)
            load, read = best(lambda p=place: records.load(p)), best(lambda p=place: readers.read(p))
            rival = best(lambda p=place, k=kind: by_pandas(p, k))
            print(
                f"{kind:<9}{load[0]:>9.2f}{load[1]:>7.2f}{read[0]:>10.2f}{rival[0]:>12.2f}"
                f"{load[0] / rival[0]:>15.1f}"
            )


if __name__ == "__main__":
    main()
