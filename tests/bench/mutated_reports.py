"""Mutated registers through `report`: a page or a sentence, and no changed source.

    nice python tests/bench/mutated_reports.py [N] [FIRST]

Registers of 12 drawn patients, the demo's criteria beside them, have a few digits, cells and bytes of their
files changed at random (`tests/fuzzed_files.py`). Those that `check` can still use are made into reports by
the command, pages 01, 02 and 04 in turn; the others stop there with a sentence. Wrong is a traceback, a
section that fails for a defect of ours, a code of exit beside 0 (made), 2 (refused) and 3 (made, sections
without an answer), a changed source. Counts what came out, and prints every wrong one.
"""

import collections
import hashlib
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
import fuzzed_files as fuzz

from analytics import records, simulate

CRITERIA = Path(__file__).parents[2] / "data_demo" / "criteria.toml"
PAGES = ("01", "02", "04")
SEED = 130_000
CHANGES = (1, 6)


def mutated(place: Path, seed: int) -> None:
    """Write a register of 12 drawn patients, a few bytes and cells of it changed."""
    rng = np.random.default_rng(seed)
    records.write(simulate.as_records(simulate.register(12, seed=seed)[0]), place)
    shutil.copy(CRITERIA, place)
    files = sorted(p for p in place.iterdir() if p.suffix in (".csv", ".toml"))
    for _ in range(int(rng.integers(*CHANGES))):
        file = files[int(rng.integers(len(files)))]
        fault = fuzz.FAULTS[int(rng.integers(len(fuzz.FAULTS)))]
        data = bytearray(file.read_bytes())
        file.write_bytes(bytes(fault(data, int(rng.integers(len(data))), rng)))


def asked(place: Path, out: Path, page: str) -> tuple[str, str]:
    """Return what came out of a register in a word or two, and what was said where that is wrong."""
    before = {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in place.iterdir()}
    found = records.check(place)
    if found.records is None:
        return "stopped by check", ""
    patient = found.records.patients["patient_id"].iloc[0]
    setting = ("--set", f"patient={patient}") if page == "04" else ()
    command = (sys.executable, "-m", "analytics", "report", page, str(place), *setting)
    ended = subprocess.run(
        [*command, "--out", str(out), "--formats", "html"], capture_output=True, text=True, check=False
    )
    said = ended.stdout + ended.stderr
    after = {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in place.iterdir()}
    wrong = (
        "Traceback" in said or "a defect of" in said or ended.returncode not in (0, 2, 3) or before != after
    )
    return ("WRONG", said) if wrong else (f"page {page}, code {ended.returncode}", "")


def main(n: int, first: int = 0) -> None:
    """Go on until n registers have gone through `report`."""
    counts, i, done = collections.Counter(), first, 0
    while done < n:
        with tempfile.TemporaryDirectory() as folder:
            mutated(Path(folder) / "register", SEED + i)
            kind, said = asked(Path(folder) / "register", Path(folder) / "out", PAGES[done % len(PAGES)])
        counts[kind] += 1
        done += kind != "stopped by check"
        if said:
            print(f"number {i}:\n{said[-3000:]}", flush=True)
        i += 1
    print(f"{i - first} registers from {first} on: {dict(sorted(counts.items()))}")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:] or ("100",)))
