"""Ten thousand broken files: each must be refused in a sentence or read right; anything else is printed.

    nice python tests/bench/fuzz_files.py [HOW_MANY] [SEED]

Four in ten are CSV registers, four in ten workbooks, two in ten a front desk's file under a sound mapping.
"""

import collections
import shutil
import sys
import tempfile
import time
import traceback
import warnings
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
import fuzzed_files as fuzz
from messy import files
from test_mapping import answered

from analytics.records import mapping


def main(n: int, seed: int) -> int:
    """Print how the readings went and every one that went wrong, with its number; return how many did."""
    rng = np.random.default_rng(seed)
    seen: collections.Counter = collections.Counter()
    wrong = 0
    start = time.perf_counter()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        base = fuzz.base_folder(folder)
        text = dict.fromkeys(("patient_id", "session_id", "placement_id"), str)
        book = fuzz.as_workbook({p.stem: pd.read_csv(p, dtype=text) for p in base.glob("*.csv")})
        tables = sorted(p.name for p in base.glob("*.csv"))
        desk = files.semicolons(folder)
        data, plan = desk.read_bytes(), folder / "desk.toml"
        plan.write_text(answered(mapping.propose(desk)), encoding="utf-8")
        for i in range(n):
            kind = ("csv", "csv", "csv", "csv", "xlsx", "xlsx", "xlsx", "xlsx", "desk", "desk")[i % 10]
            try:
                if kind == "csv":
                    shutil.rmtree(folder / "b", ignore_errors=True)
                    shutil.copytree(base, folder / "b")
                    chosen = folder / "b" / tables[i % len(tables)]
                    chosen.write_bytes(fuzz.broken(chosen.read_bytes(), rng))
                    found = fuzz.read_csv_register(folder / "b")
                elif kind == "xlsx":
                    (folder / "b.xlsx").write_bytes(fuzz.broken_workbook(book, rng))
                    found = fuzz.read_workbook_register(folder / "b.xlsx")
                else:
                    desk.write_bytes(fuzz.broken(data, rng))
                    found = fuzz.map_text(desk, plan)
            except Exception:  # a traceback is what this script looks for
                found = traceback.format_exc(limit=-3)
            if found not in (fuzz.REFUSED, fuzz.RIGHT):
                wrong += 1
                keep = Path(tempfile.gettempdir()) / f"fuzz-{seed}-{i}"
                source = {"csv": folder / "b", "xlsx": folder / "b.xlsx", "desk": desk}[kind]
                (shutil.copytree if source.is_dir() else shutil.copy)(source, keep)
                print(f"{i} {kind}: {found}\n  kept in {keep}", flush=True)
                found = "wrong"
            seen[kind, found] += 1
    print(f"{n} files, seed {seed}, {time.perf_counter() - start:.0f} s")
    for (kind, found), count in sorted(seen.items()):
        print(f"{kind:<6}{found:<10}{count:>7}")
    return wrong


if __name__ == "__main__":
    warnings.simplefilter("error")
    warnings.simplefilter("ignore", ResourceWarning)
    given = [int(a) for a in sys.argv[1:]]
    sys.exit(min(1, main(*(given + [10_000, 1][len(given) :]))))
