"""How long does a secretary type until the audit of 12 patients is on the screen?

    python tests/bench/typing_time.py [--run]

Draws 12 patients of the demo (seed fixed), of each a part of what was recorded, types them by script into the
one-sheet workbook of `regrowth template --one-sheet`, loads it, and says how long a person types this sheet,
and the same register into a sheet for each table, by the keystroke model (Card, Moran and Newell 1983): a key
0.28 s, a thought of 1.35 s before each value that is not the one above. A value alike all the way is typed
once and filled down, one like the one above is copied (Ctrl+D); a word of a drop-down takes two letters;
every cell passed on the way to a later one of its row takes its Tab. With --run, check and audit are run and
their time by the clock is added. What a model of keys does not know is added by rates of ours (no source):
the read me to be read, a chart to be opened, a month to be reckoned from two dates.
"""

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
import pandas as pd
import typed_sheet

from analytics import records
from analytics.__main__ import main as command
from analytics.dictionary import TABLES

DEMO = Path(__file__).parents[2] / "data_demo"
KEY, THOUGHT = 0.28, 1.35  # seconds
FILL_DOWN, COPY, TAB, LETTERS = 6, 2, 1, 2  # keys
READ_ME, CHART, RECKONED = 90.0, 15.0, 5.0  # seconds once, a patient, a month; ours, no source
SEED, PATIENTS = 20_261, 12
# Zones a patient and later counts a zone at most (the latest), of the first session or of all.
PARTS = {
    "one zone, before and latest": (1, 1, True),
    "two zones at most, before and latest": (2, 1, True),
    "two zones at most, before and two later": (2, 2, True),
    "all zones of the first session, before and three later": (9, 3, True),
    "all that was recorded once": (9, 12, False),
}
COMMANDS = ("template one.xlsx --one-sheet", "check one.xlsx", "report 01 one.xlsx")


def main(words: list[str]) -> None:
    """Print the minutes of each part, typed on one sheet and into the tables."""
    demo = records.load(DEMO)
    late = demo.measurements.loc[demo.measurements["month"].ge(9), "patient_id"].unique()
    chosen = np.random.default_rng(SEED).permutation(np.sort(late))[:PATIENTS]
    for name, (zones, later, is_first) in PARTS.items():
        rows = typed_sheet.rows_of(demo, chosen, zones=zones, later=later, is_first=is_first)
        with tempfile.TemporaryDirectory() as folder:
            place = typed_sheet.written(Path(folder) / "one.xlsx", rows)
            read = records.load(place)
            seconds = _timed(place) if "--run" in words else 0.0
        sheet = pd.DataFrame(rows).fillna("")
        one, each = _seconds(sheet, "zones"), _as_tables(read)
        months = int(read.visits["month"].gt(0).sum()) + len(read.sessions)
        typed = sum((THOUGHT + KEY * len(f"regrowth {c}\n")) for c in COMMANDS)
        beyond = READ_ME + CHART * PATIENTS + RECKONED * months
        print(
            f"{name}: {len(read.placements)} zones, {len(read.measurements)} counts. Minutes: one sheet "
            f"{one / 60:.1f} (a sheet a table {each / 60:.1f}), commands typed {typed / 60:.1f} and run "
            f"{seconds / 60:.1f}: {(one + typed + seconds) / 60:.1f}; read me, charts and {months} months "
            f"reckoned {beyond / 60:.1f}: {(one + typed + seconds + beyond) / 60:.1f}",
            flush=True,
        )


def _as_tables(read: records.Records) -> float:
    """Return the seconds that the same register takes with a sheet for each table."""
    total = 0.0
    for name in ("patients", "sessions", "placements", "measurements"):
        needed = [c.name for c in TABLES[name].asked() if c.required]
        more = {"placements": ["grafts", "hairs"], "measurements": ["session_id"]}.get(name, [])
        frame = getattr(read, name)[[c.name for c in TABLES[name].asked() if c.name in (*needed, *more)]]
        total += THOUGHT + 2 * KEY + _seconds(typed_sheet.as_text(frame), name)  # Ctrl+PgDn to the next sheet
    return total


def _seconds(sheet: pd.DataFrame, table: str) -> float:
    """Return the seconds of one sheet: columns alike all the way filled down, the others row by row."""
    alike = [n for n in sheet if sheet[n].iloc[0] and sheet[n].nunique() == 1]
    out = sum(_typed(sheet[n].iloc[0], _is_choice(table, n)) + KEY * FILL_DOWN for n in alike)
    passed = list(sheet)
    while passed[-1] in alike:
        passed.pop()
    above = dict.fromkeys(sheet, "")
    for row in sheet.to_dict("records"):
        last = max(i for i, n in enumerate(passed) if row[n] and n not in alike)
        for name in passed[: last + 1]:
            new = row[name] not in ("", above[name])
            copied = KEY * TAB + (KEY * COPY if row[name] and name not in alike else 0.0)
            is_typed = new and name not in alike
            out += _typed(row[name], _is_choice(table, name)) if is_typed else copied
        above = row
    return out


def _typed(text: str, is_choice: bool) -> float:
    return THOUGHT + KEY * ((LETTERS if is_choice else len(text)) + TAB)


def _is_choice(table: str, name: str) -> bool:
    tables = TABLES.values() if table == "zones" else (TABLES[table],)
    kinds = {c.kind for t in tables for c in t.columns if c.name == name}
    return bool(kinds & {"choice", "yesno"})


def _timed(place: Path) -> float:
    """Return the seconds by the clock of check and audit (the empty workbook takes one)."""
    began = time.perf_counter()
    command(["check", str(place)])
    code = command(["report", "01", str(place), "--out", str(place.parent / "reports")])
    assert code in (0, 3), code
    return time.perf_counter() - began


if __name__ == "__main__":
    main(sys.argv[1:])
