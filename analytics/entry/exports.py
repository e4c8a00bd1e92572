"""What the columns of an export hold: the small file a clinic corrects once, and the table it reads."""

import json
import tomllib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import tomli_w

from analytics import mapping
from analytics.dictionary import MEASURED_ZONES, TABLES
from analytics.errors import ParameterError, RecordError
from analytics.mapping import values

MEASURED = {c.name: c for c in TABLES["measurements"].asked()}
# What a column of an export may hold beside the columns of the dictionary, and words of its header (assumed).
MORE = {
    "chart_number": ("chart number", "chart no", "mrn", "record number", "patient number"),
    "date": ("date", "visit date", "date of count", "counted on", "datum", "fecha"),
    "session_date": ("date of surgery", "surgery date", "operation date", "op date", "session date"),
    "session_number": ("session", "session number", "surgery number"),
    "hairs": ("hairs", "hair count", "total hairs", "hairs counted", "count", "n hairs"),
    "counted_area_cm2": ("counted area", "total area", "area"),
}
HEADS = {
    "patient_id": ("patient", "patient code", "code", "patient id", "subject", "id"),
    "zone": ("zone", "region", "area of scalp", "location", "site"),
    "month": ("month", "months", "months after surgery", "months since surgery", "month of count"),
    "density_hairs_cm2": ("density", "hair density", "hairs/cm2", "hairs per cm2", "hairs cm2"),
    "density_fu_cm2": ("fu/cm2", "fu density", "units per cm2"),
    "roi_area_cm2": ("field", "field cm2", "field area", "roi area"),
    "n_fields": ("fields", "number of fields"),
    "reader_id": ("reader", "counted by", "observer"),
    "device_class": ("device", "camera", "lens"),
    "hair_calibre_um": ("calibre", "diameter", "mean diameter", "thickness"),
}
TARGETS = (*(c for c in MEASURED if c not in ("session_id", "region_kind")), *MORE)
ASIDE, QUESTION = "set aside", "?"


@dataclass(frozen=True, slots=True)
class Export:
    """What the columns of one kind of export hold, as a clinic declared it."""

    columns: Mapping[str, str]
    reading: values.Reading
    zones: Mapping[str, str]
    always: Mapping[str, str]
    units: Mapping[str, str] = field(default_factory=dict)


def propose(source: str | Path) -> str:
    """Return a proposal of what the columns of an export hold, for a person to read and correct.

    Raises
    ------
    RecordError
        When the file cannot be read or has no header.
    """
    names, rows = read_table(source)
    found = {name: _guess(name) for name in names}
    taken = Counter(t for t in found.values() if t not in (ASIDE, QUESTION))
    found = {n: QUESTION if taken[t] > 1 else t for n, t in found.items()}
    at = next((i for i, t in enumerate(found.values()) if t == "zone"), None)
    words = {str(row[at]).strip() for row in rows if row[at] != ""} if at is not None else set()
    by_word = {values.key(w): zone for zone, known in values.ZONE_WORDS.items() for w in (zone, *known)}
    plan: dict[str, Any] = {
        "version": 1,
        "reading": {"decimal": "point", "date_order": "year-month-day", "missing": []},
        "columns": found,
        "zones": {w: by_word.get(values.key(w), QUESTION) for w in sorted(words)},
        "always": {},
    }
    head = (
        f"# What the columns of an export of counts hold, by header: a column of measurements, one of\n"
        f'# {", ".join(MORE)}, or "{ASIDE}".\n'
        '# Read every line; a "?" must be answered. Under [always] stand cells of every row, such as\n'
        '# reader_id = "R1". Nothing of a patient stands in this file.\n'
    )
    return head + tomli_w.dumps(plan)


def _guess(header: str) -> str:
    word = values.key(header)
    if (named := word.replace(" ", "_")) in TARGETS:
        return named
    for target, words in {**MORE, **HEADS}.items():
        if word in {values.key(w) for w in (*words, target)}:
            return target
    target, score = mapping.best_target(word)
    column = target.rpartition(".")[2]
    return column if score >= 90 and column in TARGETS else ASIDE


def read_export(place: str | Path) -> Export:
    """Return what a clinic declared of an export; every fault at once.

    Raises
    ------
    ParameterError
        When the file is no such TOML, or holds an unknown word or an open question.
    """
    try:
        found = tomllib.loads(Path(place).read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as fault:
        raise ParameterError(
            f"{Path(place).name}: not read as TOML; regrowth import counts FILE writes a proposal"
        ) from fault
    columns, zones = dict(found.get("columns", {})), dict(found.get("zones", {}))
    always, reading = dict(found.get("always", {})), dict(found.get("reading", {}))
    faults = _faults(columns, zones, always, reading)
    if faults:
        raise ParameterError("\n".join(f"{Path(place).name}: {fault}" for fault in faults))
    declared = values.Reading(
        decimal=reading.get("decimal", "point"),
        thousands=reading.get("thousands", "none"),
        date_order=reading.get("date_order", "year-month-day"),
        missing=frozenset(reading.get("missing", ())),
    )
    known = {values.key(word): zone for word, zone in zones.items()}
    known |= {values.key(zone): zone for zone in MEASURED_ZONES}
    return Export(
        columns, declared, known, {c: str(v) for c, v in always.items()}, dict(found.get("units", {}))
    )


def _faults(columns: Mapping, zones: Mapping, always: Mapping, reading: Mapping) -> list[str]:
    targets = list(columns.values())
    faults = [f"columns: {t!r} is still a question; write the answer" for t in targets if t == QUESTION][:1]
    faults += [
        f"columns: there is no {t!r}; use one of {', '.join(TARGETS)}, or {ASIDE!r}"
        for t in targets
        if t not in (*TARGETS, ASIDE, QUESTION)
    ]
    twice = [t for t, n in Counter(targets).items() if n > 1 and t != ASIDE and t != QUESTION]
    faults += [f"columns: two headers hold {t}; set one aside" for t in twice]
    given = {*targets, *always}
    if not given & {"patient_id", "chart_number"}:
        faults.append("columns: none holds patient_id or chart_number; say which column tells the person")
    if "zone" not in given:
        faults.append("columns: none holds zone; write it under [always] if it is the same in every row")
    if "month" not in given and not {"date", "session_date"} <= given:
        faults.append("columns: none holds month; without it the dates of count and session are both needed")
    if not given & {"density_hairs_cm2", "hairs"}:
        faults.append("columns: none holds density_hairs_cm2 or hairs")
    faults += [
        f"zones: what {word!r} stands for is no zone; use one of {', '.join(MEASURED_ZONES)}"
        for word, zone in zones.items()
        if zone not in MEASURED_ZONES
    ]
    faults += [f"always: measurements has no column {c}" for c in always if c not in MEASURED]
    wrong = reading.get("decimal", "point") not in ("point", "comma")
    faults += ["reading.decimal: use point or comma"] if wrong else []
    if reading.get("date_order", "year-month-day") not in values.ORDERS:
        faults.append(f"reading.date_order: use one of {', '.join(values.ORDERS)}")
    return faults


def read_table(source: str | Path) -> tuple[list[str], list[list[object]]]:
    """Return the header and the rows of an export: of a workbook its sheet with most rows."""
    place = Path(source)
    if place.suffix.lower() in (".jsonl", ".ndjson", ".json"):
        return _json_lines(place)
    sheet = max(mapping.read_source(place).sheets, key=lambda s: int((s.cells != "").any(axis=1).sum()))
    filled = [row for row in sheet.cells.tolist() if any(c != "" for c in row)]
    start = next((i for i, row in enumerate(filled) if _is_header(row)), None)
    if start is None:
        raise RecordError(f"{place.name}: no row names the columns; write a header above the counts")
    last = max(i for i, c in enumerate(filled[start]) if c != "") + 1
    names = [str(c).strip() or f"column {i + 1}" for i, c in enumerate(filled[start][:last])]
    return _distinct(names), [row[:last] for row in filled[start + 1 :]]


def _is_header(row: list[object]) -> bool:
    """Tell whether a row names columns: at least two cells, all of them words."""
    said = [c for c in row if c != ""]
    return len(said) >= 2 and all(isinstance(c, str) and any(x.isalpha() for x in c) for c in said)


def _distinct(names: list[str]) -> list[str]:
    seen: Counter[str] = Counter()
    out = []
    for name in names:
        seen[name] += 1
        out.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return out


def _json_lines(place: Path) -> tuple[list[str], list[list[object]]]:
    try:
        text = place.read_text(encoding="utf-8-sig")
        found = (
            json.loads(text)
            if text.lstrip().startswith("[")
            else [json.loads(line) for line in text.splitlines() if line.strip()]
        )
    except (OSError, UnicodeDecodeError, ValueError) as fault:
        raise RecordError(f"{place.name}: not read as JSON; write one object per line") from fault
    if not found or not all(isinstance(row, dict) for row in found):
        raise RecordError(f"{place.name}: not read as JSON lines; write one object per line")
    names = list(dict.fromkeys(name for row in found for name in row))
    return names, [[_as_cell(row.get(name)) for name in names] for row in found]


def _as_cell(value: Any) -> object:
    """Return a value of JSON as a cell: empty, number or text."""
    if value is None:
        return ""
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else str(value)
