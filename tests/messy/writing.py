"""Write a draft as a file: rows of cells by its layout, then as the kind of file it names."""

import csv
import datetime
import io
import json
from itertools import groupby
from pathlib import Path

import openpyxl
import pandas as pd
from messy.clinic import Cell, Column, Draft, Planting, is_count
from openpyxl.utils import get_column_letter

Grid = list[list[Cell]]
SEPARATORS = {"csv": ",", "semicolon": ";", "tab": "\t", "pipe": "|"}


def write(draft: Draft, folder: Path) -> Path:
    """Write a draft and return its file."""
    folder.mkdir(parents=True, exist_ok=True)
    sheets = LAYOUTS[draft.layout](draft)
    if draft.form == "jsonl":
        return _json_lines(sheets, folder / "register.jsonl")
    if draft.form == "parquet":
        return _parquet(sheets, folder / "register.parquet")
    if draft.form in SEPARATORS:
        return _text(sheets, draft, folder / "register.csv")
    if draft.form == "xls":
        return _old_workbook(sheets, folder / "register.xls")
    return _workbook(sheets, draft, folder / "register.xlsx")


def _table(draft: Draft, columns: tuple[Column, ...], plantings: tuple[Planting, ...]) -> Grid:
    """Return headings and rows, with what stands above, between and below."""
    body: Grid = []
    for i, p in enumerate(plantings):
        body.append([c.cell(p) for c in columns])
        for more in draft.between:
            body += more(i, body)
    for change in draft.grid:
        body = change(body)
    return [*map(list, draft.above), *_headings(draft, columns), *body, *map(list, draft.below)]


def _headings(draft: Draft, columns: tuple[Column, ...]) -> Grid:
    own: list[Cell] = [_headed(draft, c) for c in columns]
    if draft.header_style == "units below":
        return [[c.header for c in columns], [c.unit or None for c in columns]]
    if draft.header_style in ("groups above", "groups merged"):
        above: list[Cell] = []
        for group, found in groupby(columns, key=lambda c: c.group):
            above += [group or None, *([None] * (len(list(found)) - 1))]
        return [above, own]
    return [own]


def _headed(draft: Draft, column: Column) -> str:
    if not column.unit or "units" not in draft.text:
        return column.header
    return draft.text["units"].format(header=column.header, unit=column.unit)


def _wide(draft: Draft) -> dict[str, Grid]:
    return {"Cases": _table(draft, draft.columns, draft.plantings)}


def _counts(draft: Draft) -> list[tuple[Planting, int, dict[str, Column]]]:
    by_key = {c.key: c for c in draft.columns}
    return [(p, v, by_key) for p in draft.plantings for v in p.counts if f"count_{v}" in by_key]


def _long(draft: Draft) -> dict[str, Grid]:
    """Return plantings on one sheet, counts by day on another."""
    plain = tuple(c for c in draft.columns if not is_count(c.key) and not c.key.startswith("day_"))
    rows: Grid = [[draft.column("patient").header, draft.text.get("visit", "Visit date"),
                   draft.column("zone").header, draft.text.get("count", "Hairs per cm2")]]  # fmt: skip
    for p, v, by_key in _counts(draft):
        day = by_key["date"].cell(p) if v == 0 else by_key[f"day_{v}"].cell(p)
        rows.append([by_key["patient"].cell(p), day, by_key["zone"].cell(p), by_key[f"count_{v}"].cell(p)])
    return {"Operations": _table(draft, plain, draft.plantings), "Counts": rows}


def _stacked(draft: Draft) -> dict[str, Grid]:
    first, second = _long(draft).values()
    return {"List": [*first, [], [], *second]}


def _beside(draft: Draft) -> dict[str, Grid]:
    left, right = _long(draft).values()
    width = max(len(r) for r in left)
    height = max(len(left), len(right))
    left += [[] for _ in range(height - len(left))]
    right = [*([[]] * len(draft.above)), *right]
    right += [[] for _ in range(height - len(right))]
    return {"All": [[*a, *([None] * (width - len(a) + 1)), *b] for a, b in zip(left, right, strict=False)]}


def _log(draft: Draft) -> dict[str, Grid]:
    """Return one row a visit and zone, the planting said again on each."""
    plain = [c for c in draft.columns if not is_count(c.key) and not c.key.startswith("day_")]
    rows: Grid = [[*(_headed(draft, c) for c in plain), "Visit date", "Hairs per cm2"]]
    for p, v, by_key in _counts(draft):
        day = by_key["date"].cell(p) if v == 0 else by_key[f"day_{v}"].cell(p)
        rows.append([*(c.cell(p) for c in plain), day, by_key[f"count_{v}"].cell(p)])
    return {"Log": [*map(list, draft.above), *rows, *map(list, draft.below)]}


def _by_patient(draft: Draft) -> dict[str, Grid]:
    """Return one row a patient, zones and months in the headings."""
    of_op = [c for c in draft.columns if c.key in ("patient", "date", "method", "surgeon")]
    of_zone = [c for c in draft.columns if c.key.startswith(("area", "grafts_", "count_"))]
    zones = list(dict.fromkeys(p.zone for p in draft.plantings))
    rows: Grid = [
        [*(c.header for c in of_op), *(f"{z.title()} {_headed(draft, c)}" for z in zones for c in of_zone)]
    ]
    for _, found in groupby(draft.plantings, key=lambda p: p.patient):
        plantings = {p.zone: p for p in found}
        one = next(iter(plantings.values()))
        row = [c.cell(one) for c in of_op]
        rows.append(row + [c.cell(plantings[z]) if z in plantings else None for z in zones for c in of_zone])
    return {"Patients": [*map(list, draft.above), *rows]}


def _zones_alone(draft: Draft) -> dict[str, Grid]:
    """Return plantings on one sheet; on another one row a visit, each zone a column of counts."""
    first = _long(draft)["Operations"]
    zones = list(dict.fromkeys(p.zone for p in draft.plantings))
    rows: Grid = [[draft.column("patient").header, "Visit date", *(z.title() for z in zones)]]
    for _, found in groupby(draft.plantings, key=lambda p: p.patient):
        plantings = list(found)
        for v in plantings[0].counts:
            one = plantings[0]
            day = draft.column("date").cell(one) if v == 0 else draft.column(f"day_{v}").cell(one)
            cells = {p.zone: draft.column(f"count_{v}").cell(p) for p in plantings}
            rows.append([draft.column("patient").cell(one), day, *(cells.get(z) for z in zones)])
    return {"Operations": first, "Hairs per cm2": rows}


def _tabs(draft: Draft) -> dict[str, Grid]:
    """Return one sheet a patient, named by the code; the operation above, one row a zone."""
    own = tuple(c for c in draft.columns if c.key not in ("patient",))
    return {
        str(draft.column("patient").cell(next(iter(draft_rows)))).strip(): _table(draft, own, draft_rows)
        for draft_rows in (tuple(g) for _, g in groupby(draft.plantings, key=lambda p: p.patient))
    }


def _years(draft: Draft) -> dict[str, Grid]:
    """Return one sheet a year."""
    years = sorted({p.date.year for p in draft.plantings})
    return {
        str(y): _table(draft, draft.columns, tuple(p for p in draft.plantings if p.date.year == y))
        for y in years
    }


def _items(draft: Draft) -> dict[str, Grid]:
    """Return one row a fact: whose, which zone, the name of the fact, its value."""
    rows: Grid = [[draft.column("patient").header, draft.column("zone").header, "Item", "Value"]]
    for p in draft.plantings:
        who, zone = draft.column("patient").cell(p), draft.column("zone").cell(p)
        rows += [
            [who, zone, _headed(draft, c), c.cell(p)]
            for c in draft.columns
            if c.key not in ("patient", "zone") and c.cell(p) is not None
        ]
    return {"Export": rows}


LAYOUTS = {
    "wide": _wide, "long": _long, "stacked": _stacked, "beside": _beside, "log": _log, "years": _years,
    "by patient": _by_patient, "zones alone": _zones_alone, "tabs": _tabs, "items": _items,
}  # fmt: skip


def _shown(cell: Cell, draft: Draft) -> str:
    if cell is None:
        return ""
    if isinstance(cell, datetime.date):
        return cell.strftime(draft.text.get("dates", "%Y-%m-%d"))
    text = f"{cell:g}" if isinstance(cell, float) else str(cell)
    return text.replace(".", ",") if isinstance(cell, float) and draft.text.get("decimal") == "," else text


def _text(sheets: dict[str, Grid], draft: Draft, path: Path) -> Path:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=SEPARATORS[draft.form])
    for i, grid in enumerate(sheets.values()):
        writer.writerows([[]] * (2 * (i > 0)))
        writer.writerows([[_shown(c, draft) for c in row] for row in grid])
    path.write_bytes(out.getvalue().encode(draft.text.get("encoding", "utf-8"), errors="replace"))
    return path


def _json_lines(sheets: dict[str, Grid], path: Path) -> Path:
    head, *rows = next(iter(sheets.values()))
    lines = [
        json.dumps({str(h): c for h, c in zip(head, row, strict=False) if c is not None}, default=str)
        for row in rows
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def _parquet(sheets: dict[str, Grid], path: Path) -> Path:
    head, *rows = next(iter(sheets.values()))
    frame = pd.DataFrame(rows, columns=[str(h) for h in head])
    for column in frame:
        if frame[column].map(type).nunique() > 1 and frame[column].map(lambda c: isinstance(c, str)).any():
            frame[column] = frame[column].map(lambda c: None if c is None else str(c))
    frame.to_parquet(path)
    return path


def _workbook(sheets: dict[str, Grid], draft: Draft, path: Path) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, grid in sheets.items():
        sheet = book.create_sheet(name[:31])
        for i, row in enumerate(grid, 1):
            for j, cell in enumerate(row, 1):
                if cell is not None:
                    sheet.cell(i, j, cell)
        if draft.header_style == "groups merged" and draft.layout in ("wide", "years", "tabs"):
            _merge_groups(sheet, draft, len(draft.above) + 1)
        if "codes merged" in draft.options and draft.layout == "wide":
            _merge_codes(sheet, draft)
    if "hidden sheet" in draft.options:
        hidden = book.create_sheet("old")
        hidden.sheet_state = "hidden"
        hidden.append(["Chart no", "phone"])
        hidden.append(["0001", "5551234"])
    book.save(path)
    return path


def _merge_groups(sheet, draft: Draft, row: int) -> None:
    columns = [c for c in draft.columns if draft.layout != "tabs" or c.key != "patient"]
    at = 1
    for group, found in groupby(columns, key=lambda c: c.group):
        n = len(list(found))
        if group and n > 1:
            sheet.merge_cells(f"{get_column_letter(at)}{row}:{get_column_letter(at + n - 1)}{row}")
        at += n


def _merge_codes(sheet, draft: Draft) -> None:
    """Merge the first four cells of a patient's rows (drafts without rows between)."""
    at = len(draft.above) + 2 + (draft.header_style != "one row")
    for _, found in groupby(draft.plantings, key=lambda p: p.patient):
        n = len(list(found))
        for column in range(1, 5):
            if n > 1:
                sheet.merge_cells(start_row=at, end_row=at + n - 1, start_column=column, end_column=column)
        at += n


def _old_workbook(sheets: dict[str, Grid], path: Path) -> Path:
    import xlwt

    book, day = xlwt.Workbook(), xlwt.easyxf(num_format_str="DD/MM/YYYY")
    for name, grid in sheets.items():
        sheet = book.add_sheet(name[:31])
        for i, row in enumerate(grid):
            for j, cell in enumerate(row):
                if cell is not None:
                    style = day if isinstance(cell, datetime.date) else xlwt.Style.default_style
                    sheet.write(i, j, cell, style)
    book.save(path)
    return path
