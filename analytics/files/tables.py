"""Write what the door writes: whole or not at all, for the owner alone, inside the folder that was named.

A file is written beside its place and moved there; a folder of tables arrives in its place by one move.
Whatever stops the writing, a reader finds the old or the new, never half; and nothing is written over but
what the same writer wrote and nobody changed (`files.atomic`). Text that a spreadsheet program would run as a
formula gets an apostrophe in front, which such programs show as text (the rule of CWE-1236).
"""

from __future__ import annotations

import csv
import datetime
import hashlib
import io
import re
import shutil
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from analytics.errors import ParameterError
from analytics.files import atomic

if TYPE_CHECKING:
    # A third of a second, which every command would wait for.
    import pandas as pd
    import pyarrow as pa

# CWE-1236; a minus or plus before a number is a number.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%", "＝", "＋", "－", "＠")


def file(path: Path, content: str | bytes, *, by: str = "", was: bytes | None = None) -> Path:
    """Write one file whole; the old one stays until the new one is on the disk (`atomic.put_file`).

    Raises
    ------
    ParameterError
        When the place is a folder, a link to elsewhere, or a file of somebody else or changed since.
    """
    return atomic.put_file(_plain_place(path), content, by=by, was=was)


def refuse_file(path: Path, *, by: str = "", becomes: bytes | None = None) -> None:
    """Refuse a place where `file` may not write, before the work is done."""
    atomic.refuse_file(_plain_place(path), by=by, becomes=becomes)


def folder(
    place: Path,
    files: Mapping[str, str | bytes],
    *,
    by: str = "",
    was: Mapping[str, bytes] | None = None,
) -> Path:
    """Write a folder of files whole; those the same writer put there before go, and everything else stays.

    Parameters
    ----------
    place
        The folder.
    files
        Content by plain name.
    by
        Who writes them.
    was
        For files that were read and grow: the bytes that the new contents carry on; no others are replaced.

    Raises
    ------
    ParameterError
        When the place is a file or a link, or a file to be written has the name of one that the writer did
        not write, or that was changed since.
    """
    target = _plain_place(place, is_folder=True)
    if was:
        _take_over(target, was, by)
    atomic.made(target.parent)
    half = Path(tempfile.mkdtemp(dir=target.parent, prefix=f".{target.name}."))
    try:
        for name, content in files.items():
            atomic.write(half / _plain_name(name), content)
        atomic.put_in_place(half, target, by=by)
    finally:
        shutil.rmtree(half, ignore_errors=True)
    return target


def _take_over(place: Path, was: Mapping[str, bytes], by: str) -> None:
    """Note files that are as they were read as the writer's own; their successors may replace them."""
    atomic.refuse_list(place)
    others = [name for name, data in was.items() if not _holds(place / _plain_name(name), data)]
    if others:
        raise ParameterError(
            f"{', '.join(others)}: changed by another program in the meantime; nothing was done; try again"
        )
    atomic.note(place, {name: hashlib.sha256(data).hexdigest() for name, data in was.items()}, by)


def _holds(path: Path, data: bytes) -> bool:
    return not path.is_symlink() and path.is_file() and path.read_bytes() == data


def csv_bytes(frame: pd.DataFrame) -> bytes:
    r"""Return a frame as CSV: comma, decimal point, empty for missing, True and False, no formula.

    Examples
    --------
    >>> import pandas as pd
    >>> csv_bytes(pd.DataFrame({"a": ["=1+1", "-2"], "b": [1.0, None]}))
    b'a,b\n"\'=1+1",1\n"-2",\n'
    """
    import pyarrow as pa
    from pyarrow.csv import WriteOptions, write_csv

    names = [neutral(str(c)) for c in frame.columns]
    table = pa.table([_column(frame[c]) for c in frame.columns], names=[f"c{i}" for i in range(len(names))])
    head = io.StringIO()
    csv.writer(head, lineterminator="\n").writerow(names)
    out = io.BytesIO()
    write_csv(table, out, WriteOptions(include_header=False, quoting_style="needed"))
    return head.getvalue().encode("utf-8") + out.getvalue()


def rows_of_cells(rows: Sequence[Sequence[object]]) -> list[tuple[int, int, object]]:
    """Return rows as cells with their places, for `workbook`."""
    return [(i, j, value) for i, row in enumerate(rows) for j, value in enumerate(row)]


def workbook(sheets: Mapping[str, Iterable[tuple[int, int, object]]]) -> bytes:
    """Return an .xlsx file: by sheet cells as (row, column, value) from 0, in the order of rows.

    Texts stay texts: nothing becomes a formula or a link. A text that begins like a formula keeps its letters
    and is marked as text, so that it stays one when somebody edits the cell.
    """
    import xlsxwriter

    out = io.BytesIO()
    plain: dict = {"strings_to_formulas": False, "strings_to_urls": False, "constant_memory": True}
    with xlsxwriter.Workbook(out, plain) as book:
        as_text, as_day = (
            book.add_format({"quote_prefix": True}),
            book.add_format({"num_format": "yyyy-mm-dd"}),
        )
        for name, cells in sheets.items():
            sheet = book.add_worksheet(_sheet_name(name, [s.name for s in book.worksheets()]))
            for row, column, value in cells:
                if isinstance(value, bool):
                    sheet.write_boolean(row, column, value)
                elif isinstance(value, int | float):
                    sheet.write_number(row, column, value)
                elif isinstance(value, datetime.date):
                    sheet.write_datetime(row, column, value, as_day)
                elif value is not None and value != "":
                    text = str(value)
                    sheet.write_string(row, column, text, as_text if neutral(text) != text else None)
    return out.getvalue()


def _sheet_name(name: str, taken: Sequence[str]) -> str:
    """Return a name a workbook may have: at most 31 letters, without some marks, no name twice."""
    plain = re.sub(r"[\[\]:*?/\\']", " ", name)[:28].strip() or "sheet"
    number = sum(t.casefold().startswith(plain.casefold()) for t in taken)
    return f"{plain} {number + 1}" if number else plain


def neutral(text: str) -> str:
    """Return text that no spreadsheet program takes as a formula; a number keeps its sign.

    >>> neutral("=HYPERLINK(1)"), neutral("-2.5"), neutral("+ strip")
    ("'=HYPERLINK(1)", '-2.5', "'+ strip")
    """
    if not text.startswith(FORMULA_STARTS):
        return text
    try:
        float(text)
    except ValueError:
        return f"'{text}"
    return text


def _column(column: pd.Series) -> pa.Array:
    """Return a column ready to be written: whole numbers without decimals, texts that are no formulas."""
    import numpy as np
    import pandas as pd
    import pyarrow as pa
    import pyarrow.compute as pc

    if pd.api.types.is_bool_dtype(column):
        return pa.array(
            column.astype("boolean").map({True: "True", False: "False"}).astype(object), pa.string()
        )
    if pd.api.types.is_numeric_dtype(column):
        values = column.to_numpy(dtype=float, na_value=np.nan)
        known = values[np.isfinite(values)]
        if np.array_equal(known, np.round(known)) and (np.abs(known) < 1e15).all():
            return pa.array(np.nan_to_num(values).astype("int64"), mask=np.isnan(values))
        return pa.array(values, mask=np.isnan(values))
    try:
        text = pa.array(column.to_numpy(dtype=object), pa.string(), from_pandas=True)
    except (pa.ArrowTypeError, pa.ArrowInvalid):
        text = pa.array([None if v is None or v is pd.NA or v != v else str(v) for v in column], pa.string())
    starts = "".join(FORMULA_STARTS)
    risky = pc.match_substring_regex(text, "^[" + re.escape(starts) + "]").to_numpy(zero_copy_only=False)
    if not (risky == True).any():  # noqa: E712  the array holds None where the text is missing
        return text
    return pa.array([v if v is None else neutral(v) for v in text.to_pylist()], pa.string())


def _plain_name(name: str) -> str:
    """Refuse a name that would lead out of its folder."""
    if Path(name).name != name or name in ("", ".", ".."):
        raise ParameterError("writing.folder(files): a file name holds a path; give plain names")
    return name


def _plain_place(path: Path, *, is_folder: bool = False) -> Path:
    """Refuse to write through a link, or over something of the other kind."""
    if path.is_symlink():
        raise ParameterError(f"{path.name}: this is a link to elsewhere; name the place itself")
    if path.exists() and path.is_dir() != is_folder:
        raise ParameterError(
            f"{path.name}: a {'file' if is_folder else 'folder'} of this name stands there; move it"
        )
    return path.absolute() if path.name not in ("", "..") else path.resolve()
