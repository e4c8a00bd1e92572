# ruff: noqa: E501, PLW0108  one habit a line
"""How front desks keep a register: each habit changes a draft (`messy.clinic`) in one way.

HABITS maps a name to (what it concerns, the change). Two habits of one concern are never put together.
Where a
habit leaves something only the practice can say, it writes the true answer into `answers`.
"""

import datetime
from collections.abc import Callable
from dataclasses import replace

from messy.clinic import VISITS, Cell, Column, Draft, Planting, is_count, is_date, is_number

Habit = Callable[[Draft], Draft]


def _form(form: str, **text: str) -> Habit:
    return lambda d: replace(d, form=form, text=d.text | text)


def _layout(layout: str, **answers: str) -> Habit:
    return lambda d: replace(d, layout=layout, answers=d.answers | answers)


def _dates(change: Callable[[datetime.date], Cell], **answers: str) -> Habit:
    return lambda d: replace(d.each(is_date, change), answers=d.answers | answers)  # type: ignore[arg-type]


def _headers(names: dict[str, str]) -> Habit:
    def change(d: Draft) -> Draft:
        return replace(
            d,
            columns=tuple(
                replace(c, header=names.get(c.key, names.get(c.key.split("_")[0] + "_", c.header)).replace(
                    "{v}", c.key.split("_")[-1])) for c in d.columns),
            text=d.text | {k: v for k, v in names.items() if k in ("visit", "count")},
        )  # fmt: skip

    return change


def _language(chart, date, method, surgeon, zone, area, sizes, before, visit, day, count, visit_day) -> Habit:
    return _headers({
        "patient": chart, "date": date, "method": method, "surgeon": surgeon, "zone": zone, "area": area,
        **{f"grafts_{n}": s for n, s in enumerate(sizes, 1)},
        "count_0": before, "count_": visit, "day_": f"{visit} {day}", "count": count, "visit": visit_day,
    })  # fmt: skip


def _zones(words: dict[str, str]) -> Habit:
    return lambda d: d.changed("zone", cell=lambda p: words[p.zone])


def _some(keys: Callable[[str], bool], change: Callable[[Cell], Cell], every: int, **answers: str) -> Habit:
    """Return the habit that changes every so many filled cells."""

    def habit(d: Draft) -> Draft:
        names = [p.patient + p.zone for p in d.plantings]

        def changed(column: Column) -> Column:
            old = column.cell

            def cell(p: Planting) -> Cell:
                value, turn = old(p), names.index(p.patient + p.zone)
                return change(value) if value is not None and turn % every == 0 else value

            return replace(column, cell=cell)

        columns = tuple(changed(c) if keys(c.key) else c for c in d.columns)
        return replace(d, columns=columns, answers=d.answers | answers)

    return habit


def _by_patient(key: str, change: Callable[[Cell], Cell], every: int, **answers: str) -> Habit:
    """Return the habit that changes a cell of every so many patients alike on all their rows."""

    def habit(d: Draft) -> Draft:
        old = d.column(key).cell
        people = list(dict.fromkeys(p.patient for p in d.plantings))
        changed = {p for i, p in enumerate(people) if i % every == 0}
        d = d.changed(key, cell=lambda p: change(old(p)) if p.patient in changed else old(p))
        return replace(d, answers=d.answers | answers)

    return habit


def _more(*columns: Column, at: int | None = None, **answers: str) -> Habit:
    return lambda d: replace(d.added(*columns, at=at), answers=d.answers | answers)


def _between(rows: Callable[[int, list[list[Cell]]], list[list[Cell]]]) -> Habit:
    return lambda d: replace(d, between=(*d.between, rows))


def _subtotal(i: int, body: list[list[Cell]]) -> list[list[Cell]]:
    if i % 15 != 14:
        return []
    width = len(body[-1])
    return [["Subtotal", *(None,) * (width - 6), *(1234,) * 5]]


def _mean_row(i: int, body: list[list[Cell]]) -> list[list[Cell]]:
    return [["Mean", *(None,) * (len(body[-1]) - 3), 50.0, None, 60.0]] if i % 20 == 19 else []


def _header_again(d: Draft) -> Draft:
    head: list[Cell] = [c.header for c in d.columns]
    return replace(d, between=(*d.between, lambda i, body: [list(head)] if i % 15 == 14 else []))


def _codes_once(body: list[list[Cell]]) -> list[list[Cell]]:
    out, last = [], None
    for row in body:
        out.append([None, *row[1:]] if row and row[0] == last and row[0] is not None else list(row))
        last = row[0] if row and row[0] is not None else last
    return out


def _extra_on_patient(p: Planting, low: float, high: float) -> float:
    return round(low + int(p.patient) % 17 / 17 * (high - low), 1)


def _swapped(value: Cell) -> Cell:
    assert isinstance(value, datetime.date)
    return value.replace(month=value.day, day=value.month) if value.day <= 12 else value


def _year_off(value: Cell) -> Cell:
    assert isinstance(value, datetime.date)
    return value + datetime.timedelta(days=365)


def _day_of_visit(key: str) -> bool:
    return key.startswith("day_")


def _grafts_total(d: Draft, *more: Column) -> Draft:
    place = [c.key for c in d.columns].index("grafts_1")
    total = Column("total", "Grafts", lambda p: sum(p.grafts))
    return d.without("grafts_1", "grafts_2", "grafts_3", "grafts_4").added(total, *more, at=place)


def _has(d: Draft, key: str) -> bool:
    return any(c.key == key for c in d.columns)


def _merged_codes(d: Draft) -> Draft:
    """Leave the first four cells of a patient's later rows empty, to be merged when written."""
    first = {p.patient: p for p in reversed(d.plantings)}

    def once(column: Column) -> Column:
        old = column.cell
        return replace(column, cell=lambda p: old(p) if first[p.patient] is p else None)

    columns = tuple(once(c) if i < 4 else c for i, c in enumerate(d.columns))
    return replace(d, columns=columns, options=d.options | {"codes merged"})


STAMP = [("Register of the practice",), ()]
KEYS = {"swapped": "as stored"}
HABITS: dict[str, tuple[str, Habit]] = {
    "workbook": ("form", lambda d: d),
    "comma separated": ("form", _form("csv")),
    "semicolons, decimal commas": ("form", _form("semicolon", decimal=",")),
    "tabs, UTF-16": ("form", _form("tab", encoding="utf-16")),
    "pipes, Windows-1252": ("form", _form("pipe", encoding="cp1252")),
    "old workbook": ("form", _form("xls")),
    "JSON lines": ("form", _form("jsonl")),
    "Parquet": ("form", _form("parquet")),
    "days with dots": ("dates", _dates(lambda t: f"{t:%d.%m.%Y}")),
    "days with slashes": ("dates", _dates(lambda t: f"{t:%d/%m/%Y}")),
    "month first": ("dates", _dates(lambda t: f"{t:%m/%d/%Y}")),
    "month in words": ("dates", _dates(lambda t: f"{t.day} {t:%B} {t.year}")),
    "two-digit years": ("dates", _dates(lambda t: f"{t:%d.%m.%y}", short_years="2000")),
    "day numbers": ("dates", _dates(lambda t: float((t - datetime.date(1899, 12, 30)).days))),
    "day and time": ("dates", _dates(lambda t: f"{t:%Y-%m-%d} 00:00:00")),
    "visit dates a year off": ("dates", _some(_day_of_visit, _year_off, 6)),
    "day and month swapped in half": ("dates", _some(_day_of_visit, _swapped, 2)),
    "codes as numbers": ("ids", lambda d: replace(
        d.each(lambda k: k == "patient", lambda c: float(c)), options=d.options | {"zeros lost"})),
    "codes text and number": ("ids", _by_patient("patient", lambda c: c if c is None else float(c), 2)),
    "one code two ways": ("ids", _some(lambda k: k == "patient", lambda c: float(c), 2, same_codes="one")),
    "starred codes": ("ids", _some(lambda k: k == "patient", lambda c: f"*{c}", 5, code_marks="drop")),
    "codes with spaces": ("ids", _some(lambda k: k == "patient", lambda c: f"{c} ", 3)),
    "codes once a patient": ("ids", lambda d: replace(
        d, grid=(*d.grid, _codes_once), answers=d.answers | {"blank_codes": "as above"})),
    "codes merged": ("ids", _merged_codes),
    "German": ("language", _language("Patientennummer", "OP-Datum", "Methode", "Chirurg", "Bereich", "Fläche",
        ("1er", "2er", "3er", "4er"), "vorher", "{v} Monate", "Datum", "Haare pro cm2", "Besuchsdatum")),
    "French": ("language", _language("Dossier", "Date intervention", "Méthode", "Chirurgien", "Zone", "Surface",
        ("1 cheveu", "2 cheveux", "3 cheveux", "4 cheveux"), "avant", "{v} mois", "date", "Cheveux par cm2",
        "Date de visite")),
    "Spanish": ("language", _language("Nº historia", "Fecha de cirugía", "Técnica", "Cirujano", "Zona", "Superficie",
        ("1 pelo", "2 pelos", "3 pelos", "4 pelos"), "antes", "{v} meses", "fecha", "Pelos por cm2",
        "Fecha de visita")),
    "Portuguese": ("language", _language("Nº do prontuário", "Data da cirurgia", "Técnica", "Cirurgião", "Região",
        "Área", ("1 fio", "2 fios", "3 fios", "4 fios"), "antes", "{v} meses", "data", "Fios por cm2",
        "Data da consulta")),
    "Turkish": ("language", _language("Hasta no", "Ameliyat tarihi", "Yöntem", "Cerrah", "Bölge", "Alan",
        ("1'li", "2'li", "3'lü", "4'lü"), "önce", "{v}. ay", "tarih", "cm2 başına saç", "Kontrol tarihi")),
    "Korean": ("language", _language("환자번호", "수술일", "수술방법", "집도의", "부위", "면적",
        ("1모", "2모", "3모", "4모"), "수술 전", "{v}개월", "날짜", "모발 밀도", "방문일")),
    "Italian": ("language", _language("Cartella", "Data intervento", "Tecnica", "Chirurgo", "Zona", "Superficie",
        ("1 capello", "2 capelli", "3 capelli", "4 capelli"), "prima", "{v} mesi", "data", "Capelli per cm2",
        "Data visita")),
    "short headings": ("language", _language("Pt", "OP", "Tech", "Dr", "Region", "cm2", ("1s", "2s", "3s", "4s"),
        "pre", "{v} mo", "date", "Density", "Visit")),
    "capitals": ("language", _headers({"patient": "CHART NO", "date": "OP DATE", "method": "METHOD",
        "surgeon": "SURGEON", "zone": "ZONE", "area": "AREA", "count_0": "BEFORE", "count_": "{v}M",
        "day_": "{v}M DATE"})),
    "line breaks in headings": ("language", _headers({"count_": "{v}M\ncount", "day_": "{v}M\ndate",
        "patient": "Chart\nno", "date": "Op\ndate"})),
    "months in words": ("language", _headers({"count_": "Month {v}", "day_": "Month {v} date",
        "count_0": "Baseline"})),
    "groups above": ("heading", lambda d: replace(d, header_style="groups above")),
    "groups merged": ("heading", lambda d: replace(d, header_style="groups merged")),
    "units below": ("heading", lambda d: replace(d, header_style="units below")),
    "units in brackets": ("heading", lambda d: replace(d, text=d.text | {"units": "{header} ({unit})"})),
    "units without brackets": ("heading", lambda d: replace(d, text=d.text | {"units": "{header} {unit}"})),
    "subtotals every 15 rows": ("between", _between(_subtotal)),
    "means every 20 rows": ("between", _between(_mean_row)),
    "a row left empty every 10": ("between", _between(lambda i, body: [[]] if i % 10 == 9 else [])),
    "headings again every 15 rows": ("between", _header_again),
    "total below": ("below", lambda d: replace(d, below=(("Total", None, None, None, None, 1234.5, 999),))),
    "legend below": ("below", lambda d: replace(d, below=((), ("Legend: counts by one reader",)))),
    "remark below": ("below", lambda d: replace(d, below=(("printed 2024-03-01",),))),
    "title above": ("above", lambda d: replace(d, above=tuple(STAMP))),
    "hidden sheet": ("hidden", lambda d: replace(d, options=d.options | {"hidden sheet"})),
    "names and telephones": ("more", _more(
        Column("name", "Patient name", lambda p: f"Person {p.patient}"),
        Column("phone", "Phone", lambda p: f"+49 30 99{p.patient}"))),
    "remarks": ("more", _more(Column("notes", "Notes", lambda p: "wet hair, again" if p.surgeon == "S1" else None))),
    "weight before": ("more", _more(Column("weight", "Weight before (kg)", lambda p: _extra_on_patient(p, 60, 95)))),
    "blood before": ("more", _more(Column("hb", "Hb preop", lambda p: _extra_on_patient(p, 12, 16)),
                                   **{"header Hb preop": "set aside"})),
    "survival at a visit": ("more", _more(Column("survival", "12M survival %",
        lambda p: 85 + int(p.patient) % 9))),
    "pain at a visit": ("more", _more(Column("pain", "Pain 6M", lambda p: int(p.patient) % 6),
                                      **{"header Pain 6M": "set aside"})),
    "FU beside hairs": ("more", lambda d: d.added(*(
        Column(f"fu_{v}", f"{v}M FU/cm2", lambda p, v=v: round(p.counts[v][1] / 2, 1) if v in p.counts else None)
        for v in VISITS[1:]))),
    "FU before hairs": ("more", lambda d: d.added(*(
        Column(f"fu_{v}", f"{v}M FU/cm2", lambda p, v=v: round(p.counts[v][1] / 2, 1) if v in p.counts else None)
        for v in VISITS[1:]), at=10)),
    "age": ("more", _more(Column("age", "Age", lambda p: 30 + int(p.patient) % 30))),
    "a column twice": ("more", lambda d: replace(
        d.added(replace(d.column("grafts_3"), key="again", header="Triples")) if _has(d, "grafts_3") else d,
        answers=d.answers | {"header Triples": "set aside", "header 3s": "placements.grafts_3"})),
    "column left empty": ("more", _more(Column("gap", "", lambda p: None), at=6)),
    "running number first": ("more", _more(Column("nr", "Nr", lambda p: 1 + int(p.patient) % 50), at=0)),
    "counts on their own sheet": ("layout", _layout("long")),
    "counts below": ("layout", _layout("stacked")),
    "counts beside": ("layout", _layout("beside")),
    "log repeats the planting": ("layout", _layout("log")),
    "one row a patient": ("layout", _layout("by patient")),
    "columns headed by a zone alone": ("layout", _layout("zones alone", zones_alone="count")),
    "one tab a patient": ("layout", _layout("tabs")),
    "one tab a year": ("layout", _layout("years")),
    "attribute and value": ("layout", _layout("items")),
    "units in cells": ("area", lambda d: d.each(lambda k: k == "area", lambda c: f"{c:g} cm²")),
    "area in mm2": ("area", lambda d: replace(
        d.changed("area", unit="mm2").each(lambda k: k == "area", lambda c: round(c * 100)),  # type: ignore[operator]
        text=d.text | {"units": d.text.get("units", "{header} ({unit})")})),
    "area in mm2, unsaid": ("area", lambda d: d.each(lambda k: k == "area", lambda c: round(c * 100))),  # type: ignore[operator]
    "area and zone in one cell": ("area", lambda d: replace(
        d.changed("area", header="Area & zone", unit="", cell=lambda p: f"{p.area:g} cm² {p.zone}"),
        columns=tuple(replace(c, header="Area & zone", unit="", cell=lambda p: f"{p.area:g} cm² {p.zone}")
                      if c.key == "area" else c for c in d.columns if c.key != "zone"))),
    "about 45": ("counts", _some(is_count, lambda c: f"~{c:g}", 7, approximate="as written")),
    "45-50": ("counts", _some(is_count, lambda c: f"{c - 2.5:g}-{c + 2.5:g}", 7, ranges="midpoint")),  # type: ignore[operator]
    "starred counts": ("counts", _some(is_count, lambda c: f"{c:g}*", 7, mark="*")),
    "units in counts": ("counts", _some(is_count, lambda c: f"{c:g} /cm2", 2)),
    "n/k for missing": ("counts", lambda d: replace(d, columns=tuple(
        replace(c, cell=(lambda p, old=c.cell: "n/k" if old(p) is None else old(p))) if is_count(c.key) else c
        for c in d.columns))),
    "errors of formulas": ("counts", _some(is_count, lambda c: "#REF!", 9, errors="set aside")),
    "formulas never calculated": ("counts", _some(is_count, lambda c: f"={c:g}+0", 9, errors="set aside")),
    "counts as text": ("counts", lambda d: d.each(is_count, lambda c: f"{c:g}")),
    "grafts and hairs": ("grafts", lambda d: _grafts_total(d, Column("hairs", "Hairs", lambda p: p.hairs))),
    "grafts and hairs a graft": ("grafts", lambda d: _grafts_total(
        d, Column("mix", "Hairs per graft", lambda p: p.hairs / sum(p.grafts)))),
    "grafts without sizes": ("grafts", lambda d: _grafts_total(d)),
    "sizes swapped": ("grafts", lambda d: replace(d, columns=tuple(
        replace(c, cell=lambda p, n=int(c.key[-1]): p.grafts[4 - n]) if c.key.startswith("grafts_") else c
        for c in d.columns))),
    "zones in German": ("zones", _zones({"hairline": "Haarlinie", "frontal": "Stirn", "midscalp": "Oberkopf",
                                         "crown": "Wirbel"})),
    "zones in Turkish": ("zones", _zones({"hairline": "Ön saç çizgisi", "frontal": "Ön bölge",
                                          "midscalp": "Orta bölge", "crown": "Tepe"})),
    "zones in Korean": ("zones", _zones({"hairline": "헤어라인", "frontal": "전두부", "midscalp": "중간부",
                                         "crown": "정수리"})),
    "zones by number": ("zones", lambda d: replace(_zones({"hairline": "Z1", "frontal": "Z2", "midscalp": "Z3",
        "crown": "Z4"})(d), answers=d.answers | {"Z1": "hairline", "Z2": "frontal", "Z3": "midscalp",
        "Z4": "crown"})),
    "zones misspelt": ("zones", _zones({"hairline": "hair line", "frontal": "frontl", "midscalp": "mid-scalp",
                                        "crown": "crwon"})),
}  # fmt: skip

# What cannot stand together in a file: one sheet alone, or no cells of two kinds in a column.
ONE_SHEET = {"comma separated", "semicolons, decimal commas", "tabs, UTF-16", "pipes, Windows-1252", "JSON lines",
             "Parquet"}  # fmt: skip
ROW_HABITS = {"codes once a patient", "codes merged", "subtotals every 15 rows", "means every 20 rows",
              "a row left empty every 10", "headings again every 15 rows", "running number first"}  # fmt: skip
PLAIN_LAYOUT_ONLY = {"area and zone in one cell"}


def fits_together(*names: str) -> bool:
    """Tell whether habits can stand in one file."""
    concerns = [HABITS[n][0] for n in names]
    if len(set(concerns)) < len(concerns):
        return False
    layouts = [n for n in names if HABITS[n][0] == "layout"]
    both = set(names)
    if layouts and (both & ROW_HABITS or both & PLAIN_LAYOUT_ONLY):
        return False
    if "codes merged" in both and (both & ONE_SHEET or "between" in concerns or "old workbook" in both):
        return False
    if "running number first" in both and both & {"between", "below"} & set(concerns):
        return False
    table_only = {"JSON lines", "Parquet"}
    if both & table_only and (
        {"between", "above", "below", "heading"} & set(concerns) or "column left empty" in both
    ):
        return False
    if both & ONE_SHEET and set(layouts) & {"counts on their own sheet", "columns headed by a zone alone",
                                            "one tab a patient", "one tab a year"}:  # fmt: skip
        return False
    if both & table_only and layouts and layouts[0] in ("counts below", "counts beside"):
        return False
    if both & ONE_SHEET and both & {"formulas never calculated", "hidden sheet", "groups merged"}:
        return False
    return not ("old workbook" in both and "formulas never calculated" in both)


_ = is_number
