"""Rows of a register as typed into the one sheet `zones`, and the workbook filled with them."""

from collections.abc import Sequence
from pathlib import Path

import openpyxl
import pandas as pd

from analytics import records
from analytics.dictionary.zones import MOST

HOW = {"roi_area_cm2": "1", "n_fields": "1", "roi_marked": "yes", "standard_conditions": "yes"}
Rows = list[dict[str, str]]


def rows_of(
    register: records.Records, patients: Sequence[str], *, zones: int, later: int, is_first: bool
) -> Rows:
    """Return rows of some patients: so many zones a session, the latest counts of each."""
    sessions = register.sessions[register.sessions["patient_id"].isin(patients)]
    sessions = sessions[sessions["session_number"].eq(1)] if is_first else sessions
    counts = register.measurements
    counts = counts[counts["count_number"].eq(1) & counts["region_kind"].eq("planted")]
    counts = counts.drop_duplicates(["session_id", "zone", "month"])
    out: Rows = []
    for session in sessions.itertuples():
        placed = register.placements[register.placements["session_id"].eq(session.session_id)]
        placed = placed.drop_duplicates("zone").head(zones)
        for i, place in enumerate(placed.itertuples()):
            own = counts[counts["session_id"].eq(session.session_id) & counts["zone"].eq(place.zone)]
            out.append(_row(session, place, own.sort_values("month"), later, is_first_row=i == 0))
    return out


def _row(session, place, counts: pd.DataFrame, later: int, *, is_first_row: bool) -> dict[str, str]:
    before = counts[counts["month"].le(0)].tail(1)
    after = counts[counts["month"].gt(0)].tail(min(later, MOST))
    row = {
        "patient_id": session.patient_id,
        "register_month": text(session.register_month),
        "grafts_out": text(session.grafts_out) if is_first_row else "",
        "zone": place.zone,
        "area_cm2": text(place.area_cm2),
        "grafts": text(place.grafts),
        "hairs": text(place.hairs),
        "density_before": "".join(text(v) for v in before["density_hairs_cm2"]),
    }
    for k, count in enumerate(after.itertuples(), start=1):
        row |= {f"month_{k}": text(count.month), f"density_{k}": text(round(count.density_hairs_cm2))}
    return row | {"surgeon_id": session.surgeon_id, "method": session.method} | HOW


def text(value: object) -> str:
    """Return a value as it is typed."""
    if isinstance(value, float):
        return f"{value:g}"
    return "yes" if value is True else str(value)


def as_text(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame as typed, missing as empty."""
    return frame.astype(object).map(lambda v: "" if pd.isna(v) else text(v))


def written(place: Path, rows: Rows, *, numbers: bool = True) -> Path:
    """Write the empty workbook of one sheet, fill it with rows (new columns at the end), and return it."""
    records.template(place, one_sheet=True)
    book = openpyxl.load_workbook(place)
    sheet = book["zones"]
    heads = [c.value for c in sheet[1]]
    for name in dict.fromkeys(n for row in rows for n in row):
        if name not in heads:
            heads.append(name)
            sheet.cell(1, len(heads)).value = name
    for i, row in enumerate(rows, start=2):
        for name, cell in row.items():
            is_number = numbers and not name.endswith("_id") and cell.replace(".", "", 1).isdigit()
            sheet.cell(i, heads.index(name) + 1).value = float(cell) if is_number else cell or None
    book.save(place)
    return place
