# ruff: noqa: E501  lists of cells
"""Ten thousand mutated copies of sheets through `map`, `deidentify` and `check`, in process: no traceback.

    python tests/bench/mutated_sheets.py [N] [FIRST]

A sheet of a known register (`tests/messy`), kept in a habit drawn by seed, has cells, rows, headings and answers
of its mapping file changed at random. What comes out is a sentence (an error of ours), or tables. No other
exception, no changed source, no file beside the out folder but the program's own, and no value of a cell in a
message. How many came out as what is printed. Some of it runs with the other tests (`tests/test_mutated.py`).
"""

import hashlib
import re
import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from messy.clinic import Draft
from messy.habits import HABITS
from messy.score import answered, drafted
from messy.writing import write

from analytics import mapping, records
from analytics.errors import AnalyticsError
from analytics.identifiers import new_key

SECRET = "Zyxwvut"
CELLS = ("", " ", SECRET, "#REF!", "=1+", "-3", "1e9", "12,5,3", "31/02/2022", "n/k", "?", "0", "99999999", "4 5",
         "45-", "~", "\ufeff", "ÄÖ", "العربية", "1.234", "2022-13-01", "*", "a" * 300, "crown", "'", '"', ";", "\t")  # fmt: skip
HABITS_USED = [n for n in HABITS if HABITS[n][0] != "layout" or n in ("log repeats the planting", "items")]
ANSWERS = (
    '"?"',
    "1000000000",
    '"1,0"',
    "true",
    "[]",
    '"stop"',
    '"*"',
    "-1",
    '"A"',
    "{}",
    "1.5",
    '""',
    '"\\u0000"',
)


def mutated(draft: Draft, rng: np.random.Generator) -> Draft:
    """Return a draft with some cells, and perhaps a heading, changed at random."""
    share = float(rng.choice([0.002, 0.02, 0.2]))
    wanted = {(str(rng.choice([p.patient + p.zone for p in draft.plantings])), int(rng.integers(len(draft.columns))))
              for _ in range(max(1, int(share * len(draft.plantings) * len(draft.columns))))}  # fmt: skip
    values = {place: CELLS[int(rng.integers(len(CELLS)))] for place in sorted(wanted)}

    def changed(at: int, column):
        old = column.cell
        return replace(column, cell=lambda p: values.get((p.patient + p.zone, at), old(p)))

    columns = [changed(at, column) for at, column in enumerate(draft.columns)]
    if rng.random() < 0.3:
        at = int(rng.integers(len(columns)))
        columns[at] = replace(columns[at], header=CELLS[int(rng.integers(len(CELLS)))])
    if rng.random() < 0.2:
        columns = [columns[i] for i in rng.permutation(len(columns))]
    return replace(draft, columns=tuple(columns))


def one(n: int, folder: Path, key: Path) -> str:
    """Return what came of a mutated sheet; raise what must not be."""
    rng = np.random.default_rng([20261201, n])
    draft = mutated(drafted(str(rng.choice(HABITS_USED)), n_patients=6), rng)
    try:
        source = write(draft, folder / "in")
    except ValueError:
        return "not written"  # the writer of the test refuses the cell
    digest = hashlib.sha256(source.read_bytes()).hexdigest()
    try:
        state = _mapped(source, draft, folder, key, rng)
    except AnalyticsError as stop:
        state = "a value of a cell in a message" if SECRET in str(stop) else "stopped"
    assert not state.startswith("a value"), state
    assert hashlib.sha256(source.read_bytes()).hexdigest() == digest, "the source was changed"
    ours = re.compile(r"in|m\.toml|out|out-balance\.txt|coded|coded-balance\.txt|out-set-aside\.xlsx|\..*")
    assert all(ours.fullmatch(p.name) for p in folder.iterdir()), "a foreign file"
    return state


def _mapped(source: Path, draft: Draft, folder: Path, key: Path, rng: np.random.Generator) -> str:
    text = answered(mapping.propose(source), draft.answers)
    if rng.random() < 0.3:
        lines = text.splitlines()
        at = int(rng.integers(len(lines)))
        if " = " in lines[at]:
            lines[at] = lines[at].split(" = ")[0] + " = " + str(rng.choice(ANSWERS))
        text = "\n".join(lines)
    plan = folder / "m.toml"
    plan.write_text(text, encoding="utf-8")
    balance = mapping.apply(source, plan, folder / "out")
    assert balance.adds_up
    found = records.check(folder / "out")
    assert SECRET not in found.text(), "a value of a cell in a message"
    mapping.deidentify.deidentify(source, folder / "coded", key, plan=plan)
    return "usable" if found.is_usable else "told by check"


def main(n: int, first: int = 0) -> None:
    """Print how many sheets, from one on, came out as what."""
    with tempfile.TemporaryDirectory() as safe:
        new_key(Path(safe) / "key")
        seen: Counter[str] = Counter()
        for i in range(first, first + n):
            with tempfile.TemporaryDirectory() as folder:
                try:
                    seen[one(i, Path(folder), Path(safe) / "key")] += 1
                except Exception as fault:
                    raise SystemExit(f"sheet {i}: {type(fault).__name__}: {fault}") from fault
    print(f"{n} mutated sheets from {first} on: {dict(seen.most_common())}; no traceback, no changed source")


if __name__ == "__main__":
    main(*(int(a) for a in (sys.argv[1:3] or ("10000",))))
