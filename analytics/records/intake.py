"""Read, check and type what a clinic hands in: one call from files to `Records`.

Text first, then typed by the dictionary, then checked as a whole. All problems are told at once; errors
stop the load, warnings travel with the records.
"""

from pathlib import Path

import pandas as pd

from analytics.errors import RecordError
from analytics.records import derive, readers, typed
from analytics.records.dictionary import TABLES
from analytics.records.raw import Raw
from analytics.records.schema import Records


def load(path: str | Path) -> Records:
    """Return the records at a path, checked and typed.

    Parameters
    ----------
    path
        A folder of CSV files named after the tables of the dictionary.

    Raises
    ------
    RecordError
        When any table breaks the dictionary; the message names every problem, one a line.
    """
    raw = readers.read(path)
    frames, problems = {}, list(raw.problems)
    for name, table in TABLES.items():
        if name in raw.tables:
            frames[name], found = typed.typed(raw.tables[name], table)
            problems += found
        else:
            frames[name] = typed.empty(table)
    frames = derive.filled(frames)
    if "visits" not in raw.tables:
        frames["visits"] = derive.visits_from(frames["measurements"])
    errors = [p for p in problems if p.severity == "error"]
    if errors:
        raise RecordError("\n".join(p.sentence() for p in errors))
    return _records(frames, raw, tuple(problems))


def _records(frames: dict[str, pd.DataFrame], raw: Raw, warnings: tuple) -> Records:
    final = {}
    for name, table in TABLES.items():
        frame = frames[name]
        final[name] = (
            frame[table.names()].astype({c.name: c.dtype for c in table.columns}).reset_index(drop=True)
        )
    read = {name: raw.tables[name].n_rows if name in raw.tables else 0 for name in TABLES}
    balance = pd.DataFrame({"table": list(read), "read": list(read.values())}).assign(
        used=lambda b: b["read"], left_out=0, reason=""
    )
    sources = pd.DataFrame(
        [(n, t.file, t.sha256, t.n_rows) for n, t in raw.tables.items()],
        columns=["table", "file", "sha256", "n_rows"],
    )
    return Records(**final, warnings=warnings, balance=balance, sources=sources)
