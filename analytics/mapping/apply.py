"""How does a clinic's own spreadsheet become the tables of the workbook, no cell lost, nothing guessed?

In two steps, with a person between them. `propose` reads the file and writes a small mapping file (TOML):
what each column seems to mean, which words stand for which zone, how dates and decimals are written; what
cannot be told stands there as a question mark. The person corrects it. `apply` follows it to the letter and
writes the tables, and beside them a workbook of everything that was set aside, in its original form. A cell
that could mean two things stops with its row.

Every cell that holds something is accounted for: heading, placed in a table, a word for missing, or set
aside with a reason. `Balance` adds up, or nothing is written.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analytics import files
from analytics.errors import RecordError
from analytics.files import csv_bytes, file, folder, refuse_file, rows_of_cells, workbook
from analytics.mapping.clock import Joined
from analytics.mapping.join import finished, join
from analytics.mapping.plan import Plan, read_plan
from analytics.mapping.rows import Pieces, extract
from analytics.mapping.sources import (
    EMPTY,
    OPEN,
    UNFOLDED,
    Book,
    Sheet,
    column_number,
    letter,
    read,
    unfolded,
)
from analytics.mapping.tabs import for_every_sheet, rows_left_out

WRITER = "map"
SET_ASIDE_SUFFIX, BALANCE_SUFFIX = "-set-aside.xlsx", "-balance.txt"
HEADING, PLACED, MISSING_WORD, ASIDE = "heading", "placed", "stands for missing", "set aside"


@dataclass(frozen=True, slots=True)
class Balance:
    """What became of every cell and row.

    `cells` has one row per sheet, fate, table and reason with the number of cells; `rows` one row per sheet
    with its rows read and where they went; `tables` one row per table written. `notes` say what a reader
    should know. `set_aside` has one row per cell set aside: sheet, row, column, reason, cell.
    """

    cells: pd.DataFrame
    rows: pd.DataFrame
    tables: pd.DataFrame
    notes: tuple[str, ...]
    set_aside: pd.DataFrame

    @property
    def adds_up(self) -> bool:
        """Return True when cells read are cells accounted for, to the last one."""
        return not self.cells["fate"].eq("open").any()

    def text(self) -> str:
        """Return the balance as lines to read."""
        is_new = self.cells["sheet"].str.endswith(UNFOLDED)
        lines = [f"{int(self.cells.loc[~is_new, 'n_cells'].sum())} cells read:"]
        for fate, group in self.cells.groupby("fate", sort=False):
            lines.append(f"  {int(group['n_cells'].sum()):>8}  {fate}")
            for row in group.itertuples():
                detail = row.table or row.reason
                lines += [f"  {'':>8}  {row.n_cells:>8}  {detail} (sheet '{row.sheet}')"] if detail else []
        lines += ["", "Rows:"]
        lines += [
            f"  sheet '{r.sheet}': {r.read} read = {r.heading} headings + {r.placed} placed "
            f"+ {r.set_aside} set aside"
            for r in self.rows.itertuples()
        ]
        lines += ["", "Tables:", *(f"  {r.table}: {r.n_rows} rows" for r in self.tables.itertuples())]
        lines += ["", *self.notes] if self.notes else []
        return "\n".join(lines) + "\n"


def apply(
    source: str | Path, plan: str | Path | Plan, out: str | Path, *, queries: Mapping[str, str] | None = None
) -> Balance:
    """Write the tables that a mapping file makes of a clinic's own file, and what was set aside.

    Parameters
    ----------
    source
        A workbook, text file, folder, Parquet or DuckDB file, or a SQLAlchemy URL.
    plan
        The mapping file.
    out
        The folder of tables to write; what is set aside goes beside it, into `<out>-set-aside.xlsx`,
        because it may hold names.
    queries
        For a database: name to one reading query.

    Returns
    -------
    Balance
        What became of every cell of the source.

    Raises
    ------
    RecordError
        When any cell cannot be read as declared, or rows contradict one another; every kind is named, with
        its first row. Nothing is written then.
    ParameterError
        When the mapping file is wrong, the source is in the folder to write, or a file to be written has the
        name of one that this function did not write, or that was changed since.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     source = Path(folder) / "clinic.csv"
    ...     _ = source.write_text("Patient,Zone", encoding="utf-8")
    ...     apply(source, source, Path(folder) / "tables")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    analytics.errors.ParameterError: clinic.csv: not TOML; ...
    """
    target = Path(out)
    files.refuse_source(source, target, beside(target))
    refuse_file(beside(target), by=WRITER)
    refuse_file(beside(target, BALANCE_SUFFIX), by=WRITER)
    tables, balance = mapped(source, plan, queries=queries)
    as_csv = {f"{name}.csv": csv_bytes(rows) for name, rows in tables.items()}
    folder(target, as_csv, by=WRITER)
    file(beside(target), _set_aside_workbook(balance.set_aside), by=WRITER)
    file(beside(target, BALANCE_SUFFIX), balance.text().encode(), by=WRITER)
    return balance


def beside(out: Path, suffix: str = SET_ASIDE_SUFFIX) -> Path:
    """Return the place of what is written beside a folder of tables: what was set aside, or the balance.

    Parameters
    ----------
    out
        The folder of tables.
    suffix
        Of what is written beside it.

    Returns
    -------
    Path
        In the same folder as `out`.

    Examples
    --------
    >>> beside(Path("tables")).name
    'tables-set-aside.xlsx'
    """
    place = out if out.name not in ("", "..") else out.resolve()
    return place.with_name(place.name + suffix)


def mapped(
    source: str | Path, plan: str | Path | Plan, *, queries: Mapping[str, str] | None = None
) -> tuple[dict[str, pd.DataFrame], Balance]:
    """Return the tables and the balance without writing; see `apply`.

    Parameters
    ----------
    source
        A workbook, text file, folder, Parquet or DuckDB file, or a SQLAlchemy URL.
    plan
        The mapping file, or what `read_plan` gave.
    queries
        For a database: name to one reading query.

    Returns
    -------
    tuple
        Tables by name, as text, and the balance.

    Raises
    ------
    RecordError
        As `apply`.

    Examples
    --------
    As `apply`, which writes what it gives: `regrowth map` shows both.
    """
    declared = plan if isinstance(plan, Plan) else read_plan(Path(plan))
    book = read(source, queries=queries, encoding=declared.encoding, separator=declared.separator)
    book = unfolded(book, declared.unfold)
    declared = for_every_sheet(book, declared)
    n_filled = [int((sheet.fate != EMPTY).sum()) for sheet in book.sheets]
    pieces = Pieces()
    _set_aside_sheets(book, declared)
    named = {sheet.name: sheet for sheet in book.sheets}
    for table in declared.tables:
        if table.sheet not in named:
            raise RecordError(f"mapping: the file has no sheet '{table.sheet}'; propose again")
        extract(book, named[table.sheet], table, declared, pieces)
    pieces.problems.extend(rows_left_out(book, declared))
    joined = join(pieces, declared)
    if joined.problems:
        raise RecordError("\n".join(p.sentence() for p in joined.problems), tuple(joined.problems))
    _set_aside_contradictions(book, declared, joined)
    _set_aside_copies(book, declared, joined)
    for sheet in book.sheets:
        _set_aside_rest(book, sheet, declared)
    tables = finished(joined.tables, declared)
    balance = _balance(book, tables, (*joined.notes, *_constants(declared)))
    is_whole = n_filled == [int((sheet.fate != EMPTY).sum()) for sheet in book.sheets]
    if not (balance.adds_up and is_whole and _all_counts_there(pieces, joined)):
        raise RecordError(
            "mapping: the balance of cells does not add up, which is a fault of this program; report it"
        )
    return tables, balance


def _all_counts_there(pieces: Pieces, joined: Joined) -> bool:
    """Tell whether every count that was read stands in the tables, or is a copy that was set aside."""
    n_read = sum(len(piece) for piece in pieces.records.get("measurements", []))
    n_copies = sum(len(copies) for copies in joined.copies)
    return n_read == len(joined.tables.get("measurements", ())) + n_copies


def _constants(plan: Plan) -> list[str]:
    return [f"{target}: the same for every row, because {c.because}" for target, c in plan.constants.items()]


def _set_aside_sheets(book: Book, plan: Plan) -> None:
    """Set aside hidden sheets, and sheets the clinic names."""
    used = {table.sheet for table in plan.tables}
    whole = {a.sheet: a.reason for a in plan.aside if not a.rows}
    for sheet in book.sheets:
        reason = whole.get(sheet.name) or ("hidden sheet" if sheet.is_hidden else "")
        if reason and sheet.name not in used:
            sheet.fate[sheet.fate == OPEN] = book.fate(ASIDE, "", reason)


def _set_aside_contradictions(book: Book, plan: Plan, joined: Joined) -> None:
    """Set aside the cells of facts that were left out because rows contradict one another."""
    fate = book.fate(ASIDE, "", "rows of one patient or operation contradict one another")
    named = {sheet.name: sheet for sheet in book.sheets}
    for facts in joined.contradicting:
        target = facts["target"].iloc[0]
        for table in plan.tables:
            letters = [c.letter for c in table.columns if target in c.to]
            rows = facts.loc[facts["sheet"].eq(table.sheet), "row"].to_numpy(dtype=int) - 1
            for at in (column_number(x) for x in letters if x.isalpha()):
                cells = named[table.sheet].fate[rows, at]
                named[table.sheet].fate[rows, at] = np.where(cells == EMPTY, cells, fate)


def _set_aside_copies(book: Book, plan: Plan, joined: Joined) -> None:
    """Set aside the cells of counts that stand twice in their row, with the same day."""
    fate = book.fate(ASIDE, "", "the same count with the same day stands in another column of the row")
    named = {sheet.name: sheet for sheet in book.sheets}
    for copies in joined.copies:
        for row in copies.itertuples():
            for table in (t for t in plan.tables if t.sheet == row.sheet):
                for column in table.columns:
                    about = column.visit == row.header_visit and column.zone in ("", row.header_zone)
                    if about and column.to[0].startswith("measurements.") and column.letter.isalpha():
                        at = column_number(column.letter)
                        named[row.sheet].fate[row.row - 1, at] = fate


def _set_aside_rest(book: Book, sheet: Sheet, plan: Plan) -> None:
    """Set aside what no table of the mapping names: titles, totals, remarks, columns beside a table."""
    tables = [t for t in plan.tables if t.sheet == sheet.name]
    for row in np.flatnonzero((sheet.fate == OPEN).any(axis=1)):
        reason = _why_left(int(row) + 1, tables)
        part = sheet.fate[row]
        part[part == OPEN] = book.fate(ASIDE, "", reason)


def _why_left(row: int, tables: list) -> str:
    if not tables:
        return "sheet not mapped"
    if any(min((*t.header_rows, t.first_row)) <= row <= t.last_row for t in tables):
        return "column not mapped"
    return "above the table" if all(row < t.first_row for t in tables) else "below the table"


def _balance(book: Book, tables: dict[str, pd.DataFrame], notes: tuple[str, ...]) -> Balance:
    cells, rows, aside = [], [], []
    for sheet in book.sheets:
        for number, count in zip(
            *np.unique(sheet.fate[sheet.fate != EMPTY], return_counts=True), strict=True
        ):
            kind, table, reason = book.fates[number]
            cells.append((sheet.name, kind, table, reason, int(count)))
        if sheet.blanks:
            cells.append((sheet.name, "nothing but spaces", "", "", sheet.blanks))
        rows.append(_rows_of(book, sheet))
        aside.append(_cells_set_aside(book, sheet))
    remarks = sum(sheet.remarks for sheet in book.sheets)
    if remarks:
        notes = (*notes, f"{remarks} remarks on cells were not read")
    return Balance(
        pd.DataFrame(cells, columns=["sheet", "fate", "table", "reason", "n_cells"]),
        pd.DataFrame(rows, columns=["sheet", "read", "heading", "placed", "set_aside"]),
        pd.DataFrame({"table": list(tables), "n_rows": [len(t) for t in tables.values()]}),
        notes,
        pd.concat(aside, ignore_index=True),
    )


def _rows_of(book: Book, sheet: Sheet) -> tuple[str, int, int, int, int]:
    """Return how many rows hold something, and how many are headings, placed in part, or set aside whole."""
    kinds = np.array([kind for kind, _, _ in book.fates], dtype=object)[sheet.fate]
    filled = (sheet.fate != EMPTY).any(axis=1)
    placed = ((kinds == PLACED) | (kinds == MISSING_WORD)).any(axis=1)
    heading = (kinds == HEADING).any(axis=1) & ~placed
    counts = (filled, heading, placed, filled & ~placed & ~heading)
    return (sheet.name, *(int(c.sum()) for c in counts))  # type: ignore[return-value]


def _cells_set_aside(book: Book, sheet: Sheet) -> pd.DataFrame:
    """Return every cell that was set aside, in its original form."""
    asides = [i for i, (kind, _, _) in enumerate(book.fates) if kind == ASIDE]
    rows, columns = np.nonzero(np.isin(sheet.fate, asides))
    letters = np.array([letter(c) for c in range(sheet.fate.shape[1])], dtype=object)
    reasons = np.array([reason for _, _, reason in book.fates], dtype=object)
    return pd.DataFrame(
        {
            "sheet": sheet.name,
            "row": rows + 1,
            "column": letters[columns],
            "reason": reasons[sheet.fate[rows, columns]],
            "cell": sheet.cells[rows, columns],
        }
    )


def _set_aside_workbook(cells: pd.DataFrame) -> bytes:
    """Return a workbook: the reasons, and by sheet the cells set aside, each where it stood."""
    summed = (
        cells.groupby(["sheet", "column", "reason"], sort=False)["row"].agg(["size", "min"]).reset_index()
    )
    header = ["sheet", "column", "reason", "cells", "first row"]
    sheets = {"reasons": rows_of_cells([header, *summed.to_numpy().tolist()])}
    for name, part in cells.groupby("sheet", sort=False):
        places = zip(part["row"] - 1, part["column"].map(column_number), part["cell"], strict=True)
        sheets[f"from {name}"] = list(places)
    return workbook(sheets)
