"""Break files in thousands of ways, and say of each reading: refused in a sentence, read right, or wrong.

A reading is right when every number in it stands in the file, as another reader sees it (Python's csv and
float, openpyxl), and no more often than there. A traceback of any kind is wrong.
"""

import csv
import html
import io
import re
import zipfile
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
from messy import files, twin

from analytics import mapping, records
from analytics.dictionary.tables import TABLES
from analytics.errors import AnalyticsError
from analytics.files import tables as writing
from analytics.records import readers

REFUSED, RIGHT = "refused", "right"
WORDS = [
    word.encode() if isinstance(word, str) else word
    for word in (
        "1,5", "1.234,5", "1e400", "NaN", "inf", "-0", "0x1F", "1_000", "\u0663", "１２", "−5", "12%",
        "=1+1", "'5",
        '"', '""', b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", ",,,,", ";", "\n\n", "\r", "5.", ".5", "+7", " 7 ",
        "7\u00a0", "true", "FALSE", "2024-01-01", "A" * 40_000, "\\N", "#REF!", "7 8", "1/2", "1e3", "0007",
    )
]  # fmt: skip
STATED = {"grafts_discarded": "0", "roi_area_cm2": "1.0", "n_fields": "1", "roi_marked": "true"}


def base_folder(folder: Path) -> Path:
    """Write a small sound register as CSV files."""
    source = files.four_sheets(folder)
    text = mapping.propose(source)
    for target, value in (
        ("grafts_discarded", "0"),
        ("roi_area_cm2", "1.0"),
        ("n_fields", "1"),
        ("roi_marked", "true"),
    ):
        text = re.sub(
            rf'({target}" = {{ value = )"\?", because = "\?"',
            rf'\g<1>{value}, because = "so in every row"',
            text,
        )
    text = text.replace('hold_for_every_row = "?"', 'hold_for_every_row = "yes"')
    text = re.sub(r'register_begins = "[^"]*"', f'register_begins = "{twin.BEGINS}"', text)
    (folder / "m.toml").write_text(text, encoding="utf-8")
    tables = mapping.mapped(source, folder / "m.toml")[0]
    writing.folder(folder / "register", {f"{n}.csv": writing.csv_bytes(t) for n, t in tables.items()})
    return folder / "register"


def as_workbook(tables: dict[str, pd.DataFrame]) -> bytes:
    """Return the tables as a workbook, a sheet each."""
    out = io.BytesIO()
    with pd.ExcelWriter(out, engine="openpyxl") as book:
        for name, rows in tables.items():
            rows.to_excel(book, sheet_name=name, index=False)
    return out.getvalue()


def broken(data: bytes, rng: np.random.Generator) -> bytes:
    """Return bytes with one to three faults."""
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 4))):
        if out:
            out = FAULTS[int(rng.integers(len(FAULTS)))](out, int(rng.integers(len(out))), rng)
    return bytes(out)


def _change(out: bytearray, at: int, rng: np.random.Generator) -> bytearray:
    out[at] = int(rng.integers(256))
    return out


def _lose(out: bytearray, at: int, rng: np.random.Generator) -> bytearray:
    del out[at : at + int(rng.integers(1, 30))]
    return out


def _double(out: bytearray, at: int, rng: np.random.Generator) -> bytearray:
    out[at:at] = out[at : at + int(rng.integers(1, 80))]
    return out


def _cut(out: bytearray, at: int, rng: np.random.Generator) -> bytearray:
    return out[:at] if rng.random() < 0.2 else out


def _put_in(out: bytearray, at: int, rng: np.random.Generator) -> bytearray:
    out[at:at] = WORDS[int(rng.integers(len(WORDS)))]
    return out


def _replace_cell(out: bytearray, at: int, rng: np.random.Generator) -> bytearray:
    cells = [m.span() for m in re.finditer(rb"[^,;\n\"<>]+", bytes(out))]
    if cells:
        first, last = cells[int(rng.integers(len(cells)))]
        out[first:last] = WORDS[int(rng.integers(len(WORDS)))]
    return out


def _swap(out: bytearray, at: int, rng: np.random.Generator) -> bytearray:
    other = int(rng.integers(len(out)))
    out[at], out[other] = out[other], out[at]
    return out


def _change_digit(out: bytearray, at: int, rng: np.random.Generator) -> bytearray:
    digits = [m.start() for m in re.finditer(rb"\d", bytes(out))]
    if digits:
        out[digits[int(rng.integers(len(digits)))]] = 48 + int(rng.integers(10))
    return out


FAULTS = (
    _change,
    _lose,
    _double,
    _cut,
    _put_in,
    _replace_cell,
    _swap,
    _change_digit,
    _change_digit,
    _change_digit,
)


def broken_workbook(data: bytes, rng: np.random.Generator) -> bytes:
    """Return a workbook with faults in one of its XML parts, zipped soundly again; or broken as bytes."""
    if rng.random() < 0.2:
        return broken(data, rng)
    parts = {
        i.filename: zipfile.ZipFile(io.BytesIO(data)).read(i)
        for i in zipfile.ZipFile(io.BytesIO(data)).infolist()
    }
    names = [n for n in parts if n.endswith((".xml", ".rels"))]
    weights = np.array([20.0 if "sheet" in n or "shared" in n.lower() else 1.0 for n in names])
    name = names[int(rng.choice(len(names), p=weights / weights.sum()))]
    parts[name] = broken(parts[name], rng)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for part, content in parts.items():
            archive.writestr(part, content)
    return out.getvalue()


def numbers_loaded(found: records.Records) -> dict[tuple[str, str], Counter]:
    """Return the numbers of a register by table and column."""
    out = {}
    for name, table in TABLES.items():
        frame = getattr(found, name)
        for column in table.asked():
            if column.kind in ("number", "integer") and len(frame):
                values = frame[column.name].astype(float)
                out[name, column.name] = Counter(values[values.notna()].tolist())
    return out


def read_csv_register(folder: Path) -> str:
    """Load a folder and compare its numbers with the file's own; return how it went."""
    try:
        found = records.load(folder)
    except AnalyticsError as refused:
        return sentence(str(refused))
    loaded = numbers_loaded(found)
    for name in TABLES:
        path = folder / f"{name}.csv"
        if path.is_file() and not any(_holds(loaded, name, rows) for rows in _readings(path)):
            return f"wrong numbers in {name}"
    return RIGHT


def sentence(said: str) -> str:
    """Return that a file was refused, or what was said instead of a sentence."""
    if "Traceback" in said or "Error:" in said or not said.strip():
        return f"no sentence: {said[:200]}"
    return REFUSED


def _readings(path: Path):
    """Yield the rows of a CSV file under every separator and encoding that fits."""
    data = path.read_bytes()
    for encoding in ("utf-8-sig", "utf-16", "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeError:
            continue
        for separator in ",;\t|":
            try:
                yield list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
            except csv.Error:
                continue


def _holds(loaded: dict, table: str, rows: list[list[str]]) -> bool:
    """Tell whether every loaded number stands in the rows, and no more often; an empty cell may be filled."""
    if not rows:
        return False
    header = [h.strip(' \ufeff"') for h in rows[0]]
    for (name, column), values in loaded.items():
        if name != table or column not in header:
            continue
        at = header.index(column)
        there, empty = Counter(), 0
        for row in rows[1:]:
            text = row[at].strip(" \t\r\n\u00a0") if at < len(row) else ""
            empty += text == ""
            number = plain_number(text)
            if number is not None:
                there[number] += 1
        if sum((values - there).values()) > empty:
            return False
    return True


def plain_number(text: str) -> float | None:
    """Return the number a text is, or None."""
    return float(text) if re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", text, re.ASCII) else None


def read_workbook_register(path: Path) -> str:
    """Load a workbook and look for its numbers in the workbook's own XML; return how it went."""
    try:
        found = records.load(path)
    except AnalyticsError as refused:
        return sentence(str(refused))
    there = Counter({0.0: 10**6, 1.0: 10**6})  # what empty cells are filled with
    heads = {name: set(table.names) for name, table in readers.read(path).tables.items()}
    with zipfile.ZipFile(path) as archive:
        for name in archive.namelist():
            for text in re.findall(rb"<(?:v|t)\b[^>]*>([^<]*)<", archive.read(name)):
                word = html.unescape(text.decode("utf-8", "replace")).strip()
                number = plain_number(word)
                if number is not None:
                    there[number] += 1
    for (name, column), values in numbers_loaded(found).items():
        if column in heads.get(name, ()) and values - there:
            return f"wrong numbers in {name}.{column}"
    return RIGHT


def map_text(path: Path, plan: Path) -> str:
    """Map a text file and compare the numbers placed with those written in it."""
    try:
        tables, balance = mapping.mapped(path, plan)
    except AnalyticsError as refused:
        return sentence(str(refused))
    if not balance.adds_up:
        return "cells lost"
    text = path.read_bytes().decode("cp1252", errors="replace")
    there = Counter(
        float(m.replace(",", "."))
        for sign in ("", "-")
        for m in re.findall(rf"(?<![\d.,]){sign}\d+(?:,\d+)?(?![\d.,])", text)
    )
    for name, column in (
        ("measurements", "density_hairs_cm2"),
        ("placements", "area_cm2"),
        ("placements", "grafts_1"),
    ):
        placed = Counter(tables[name][column].dropna().astype(float).tolist())
        if placed - there:
            return f"wrong numbers in {name}.{column}"
    return RIGHT
