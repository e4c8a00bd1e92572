"""Ten thousand broken files: each must be refused in a sentence or read right; anything else is printed.

    nice python tests/bench/fuzz_files.py [HOW_MANY] [SEED] [FIRST]

A quarter are CSV registers, a quarter workbooks, a fifth Parquet folders, a fifth DuckDB files, a tenth a
front desk's file under a sound mapping. File i of a seed is always the same, so that FIRST makes one again.
"""

import collections
import faulthandler
import shutil
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
import fuzzed_files as fuzz
import fuzzed_stores as stores
from messy import files
from test_mapping import answered

from analytics import mapping

KINDS = ("csv", "xlsx", "parquet", "duckdb") * 4 + ("csv", "xlsx", "desk", "desk")
Break = Callable[[np.random.Generator], str]


def breakers(folder: Path) -> dict[str, tuple[Path, Break]]:
    """Write the sound files; return by kind the place of a broken one and what breaks and reads it."""
    base = fuzz.base_folder(folder)
    text = dict.fromkeys(("patient_id", "session_id", "placement_id"), str)
    tables = {p.stem: pd.read_csv(p, dtype=text) for p in sorted(base.glob("*.csv"))}
    book = fuzz.as_workbook(tables)
    parquet = stores.parquet_folder(tables, folder / "parquet")
    store = stores.duckdb_store(tables, folder / "store.duckdb")
    desk = files.semicolons(folder)
    data, plan = desk.read_bytes(), folder / "desk.toml"
    plan.write_text(answered(mapping.propose(desk)), encoding="utf-8")
    csv, xlsx, columns, tabled = (folder / n for n in ("b", "b.xlsx", "b-parquet", "b.duckdb"))

    def break_csv(rng: np.random.Generator) -> str:
        shutil.rmtree(csv, ignore_errors=True)
        shutil.copytree(base, csv)
        chosen = csv / f"{list(tables)[int(rng.integers(len(tables)))]}.csv"
        chosen.write_bytes(fuzz.broken(chosen.read_bytes(), rng))
        return fuzz.read_csv_register(csv)

    def break_book(rng: np.random.Generator) -> str:
        xlsx.write_bytes(fuzz.broken_workbook(book, rng))
        return fuzz.read_workbook_register(xlsx)

    def break_desk(rng: np.random.Generator) -> str:
        desk.write_bytes(fuzz.broken(data, rng))
        return fuzz.map_text(desk, plan)

    return {
        "csv": (csv, break_csv),
        "xlsx": (xlsx, break_book),
        "parquet": (columns, lambda rng: stores.break_parquet(parquet, columns, rng)),
        "duckdb": (tabled, lambda rng: stores.break_duckdb(store, tabled, rng)),
        "desk": (desk, break_desk),
    }


def one(given: tuple[Path, Break], rng: np.random.Generator, keep: Path) -> str:
    """Break and read one file; keep what went wrong."""
    place, read = given
    try:
        found = read(rng)
    except Exception:  # a traceback is what this script looks for
        found = traceback.format_exc(limit=-3)
    if found in (fuzz.REFUSED, fuzz.RIGHT):
        return found
    shutil.rmtree(keep, ignore_errors=True)
    (shutil.copytree if place.is_dir() else shutil.copy)(place, keep)
    print(f"{keep.name}: {found}", flush=True)
    return "wrong"


def main(n: int, seed: int, first: int) -> int:
    """Print how the readings went and every one that went wrong, with its number; return how many did."""
    seen: collections.Counter = collections.Counter()
    start = time.perf_counter()
    with tempfile.TemporaryDirectory() as name:
        given = breakers(Path(name))
        for i in range(first, first + n):
            kind = KINDS[i % len(KINDS)]
            keep = Path(tempfile.gettempdir()) / f"fuzz-{seed}-{i}-{kind}"
            seen[kind, one(given[kind], np.random.default_rng((seed, i)), keep)] += 1
            if i % 1000 == 999:
                print(f"up to file {i}: {dict(sorted(seen.items()))}", flush=True)
    print(f"{n} files, seed {seed}, {time.perf_counter() - start:.0f} s")
    for (kind, found), count in sorted(seen.items()):
        print(f"{kind:<9}{found:<10}{count:>7}")
    return sum(count for (_, found), count in seen.items() if found == "wrong")


if __name__ == "__main__":
    faulthandler.enable()
    warnings.simplefilter("error")
    warnings.simplefilter("ignore", ResourceWarning)
    asked = [int(a) for a in sys.argv[1:]]
    sys.exit(min(1, main(*(asked + [10_000, 1, 0][len(asked) :]))))
