"""Build the twin's facts as clinics keep them: one function a habit, each returning the file it wrote.

Each says in its docstring what was counted by hand: cells that hold something, and where they must go.
"""

import datetime
import sqlite3
from pathlib import Path

import duckdb
import openpyxl
import pandas as pd
from messy.twin import PATIENTS, PLANTINGS, Planting
from openpyxl.comments import Comment

ZONE_WORDS = {
    "hairline": "H-line",
    "frontal": "Front",
    "midscalp": "Mid scalp",
    "crown": "Vertex",
    "temples": "Temple pts",
}
GERMAN = {
    "hairline": "Haarlinie",
    "frontal": "Stirn",
    "midscalp": "Oberkopf",
    "crown": "Wirbel",
    "temples": "Schläfen",
}
VISITS = (0, 6, 12)


def comma(number: float) -> str:
    """Return a number with a decimal comma."""
    return f"{number:g}".replace(".", ",")


def dmy(day: datetime.date) -> str:
    """Return a date day first."""
    return f"{day:%d/%m/%Y}"


def on(p: Planting, visit: int) -> datetime.date:
    """Return the day of a count."""
    return p.date + datetime.timedelta(days=p.counts[visit][0])


def _wide(p: Planting, number, date, mark: str = "*") -> list:
    """Return the cells of the counts: before; date and count at 6; date and count at 12."""
    cells = [number(p.counts[0][1])]
    for visit in (6, 12):
        if visit in p.counts:
            cells += [date(on(p, visit)), f"{number(p.counts[visit][1])}{'' if p.counts[visit][2] else mark}"]
        else:
            cells += ["", ""]
    return cells


def semicolons(folder: Path) -> Path:
    """Windows-1252, semicolons, decimal commas, day first, units in cells, a totals line and a remark below.

    Header 16 cells. Seven rows of 16 cells less two times 2 (no 12-month count): 7 x 16 - 4 = 108. Totals
    2, remark 1.
    """
    head = [
        "Chart no",
        "Op. date",
        "Methode",
        "Chirurg",
        "Fläche",
        "Zone",
        "1er",
        "2er",
        "3er",
        "4er",
        "before",
        "6M date",
        "6M",
        "12M date",
        "12M",
        "Größe des Fotos",
    ]
    rows = [
        [
            p.patient,
            dmy(p.date),
            p.method,
            p.surgeon,
            f"{comma(p.area)} cm²",
            GERMAN[p.zone],
            *map(str, p.grafts),
            *_wide(p, comma, dmy),
            "klein",
        ]
        for p in PLANTINGS
    ]
    lines = [head, *rows, ["Summe", "", "", "", "", "", "1510"], ["* = Foto nicht im Standard"]]
    path = folder / "semicolons.csv"
    path.write_bytes("\r\n".join(";".join(row) for row in lines).encode("cp1252"))
    return path


def tabs(folder: Path) -> Path:
    """UTF-16 with tabs, decimal points, month first, spaces of two kinds around cells, n/k for missing.

    Header 15 cells; rows 7 x 15 = 105 cells, of which four are n/k.
    """
    head = [
        "Case no",
        "Surgery date",
        "Technique",
        "Surgeon",
        "Zone",
        "Area (cm²)",
        "Singles",
        "Doubles",
        "Triples",
        "Quads",
        "Baseline",
        "6 mo date",
        "6 mo",
        "12 mo date",
        "12 mo",
    ]

    def mdy(day: datetime.date) -> str:
        return f"{day:%m/%d/%Y}"

    rows = []
    for p in PLANTINGS:
        wide = [c or "n/k" for c in _wide(p, "{:g}".format, mdy)]
        rows.append(
            [
                f"{p.patient} ",
                mdy(p.date),
                f"\u00a0{p.method}",
                p.surgeon,
                f"{ZONE_WORDS[p.zone]}\u00a0",
                f"{p.area:g}",
                *map(str, p.grafts),
                *wide,
            ]
        )
    path = folder / "tabs.txt"
    path.write_bytes("\n".join("\t".join(row) for row in [head, *rows]).encode("utf-16"))
    return path


def front_desk(folder: Path) -> Path:
    """A workbook: title, two-line merged header, two facts in a cell, comment, hidden sheet, legend, sums.

    Cells: title 1; first header line 2, second 16; seven rows of 16 less 4 = 108 and five remarks; totals
    3; legend 1; hidden sheet 3.
    """
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Cases"
    sheet["A1"] = "Register of the practice"
    sheet["F3"], sheet["K3"] = "Grafts by hairs", "Count per cm2"
    sheet.merge_cells("F3:I3")
    sheet.merge_cells("K3:O3")
    head = [
        "Chart no",
        "E-mail",
        "Op. date",
        "Tech / Dr",
        "Notes",
        "1s",
        "2s",
        "3s",
        "4s",
        "Area & zone",
        "before",
        "6M date",
        "6M",
        "12M date",
        "12M",
        "Phone",
    ]
    for column, text in enumerate(head, 1):
        sheet.cell(4, column, text)
    for i, p in enumerate(PLANTINGS):
        cells = [
            p.patient,
            f"c{p.patient}@example.org",
            dmy(p.date),
            f"{'strip' if p.method == 'FUT' else 'FUE'} / {p.surgeon}",
            "wet photo" if i < 5 else "",
            *p.grafts,
            f"{comma(p.area)} cm² {ZONE_WORDS[p.zone]}",
            *_wide(p, comma, dmy),
            f"+49 30 12345{i}",
        ]
        for column, cell in enumerate(cells, 1):
            if cell != "":
                sheet.cell(5 + i, column, cell)
    sheet["A13"], sheet["F13"], sheet["G13"] = "Total", 1510, 3390
    sheet["A14"] = "* = photo not to standard"
    sheet["A5"].comment = Comment("call first", "desk")
    hidden = book.create_sheet("old list")
    hidden.sheet_state = "hidden"
    hidden.append(["Chart no", "phone"])
    hidden.append(["0007"])
    path = folder / "desk.xlsx"
    book.save(path)
    return path


def stacked(folder: Path) -> Path:
    """Two tables under one another on one sheet, German: operations with plantings, below them the counts.

    First table: header 10, seven rows of 10 = 70. Second: title 1, header 4, nineteen rows of 4 = 76 cells.
    """
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Liste"
    sheet.append(
        ["Patientennummer", "OP-Datum", "Methode", "Chirurg", "Zone", "Fläche", "1er", "2er", "3er", "4er"]
    )
    for p in PLANTINGS:
        sheet.append(
            [p.patient, f"{p.date:%d.%m.%Y}", p.method, p.surgeon, GERMAN[p.zone], comma(p.area), *p.grafts]
        )
    sheet.append([])
    sheet.append(["Zählungen"])
    sheet.append(["Patientennummer", "Besuch", "Zone", "Dichte"])
    for p in PLANTINGS:
        for visit, (_, density, standard) in p.counts.items():
            sheet.append(
                [
                    p.patient,
                    f"{on(p, visit):%d.%m.%Y}",
                    GERMAN[p.zone],
                    f"{comma(density)}{'' if standard else '*'}",
                ]
            )
    path = folder / "stacked.xlsx"
    book.save(path)
    return path


def beside(folder: Path) -> Path:
    """Two tables beside one another: plantings on the left, counts on the right, an empty column between.

    Left: header 10, seven rows of 10. Right: header 4, nineteen rows of 4.
    """
    left = [["Patient ID", "Op date", "Method", "Surgeon", "Zone", "Area cm2", "1s", "2s", "3s", "4s"]]
    left += [[p.patient, p.date, p.method, p.surgeon, p.zone, p.area, *p.grafts] for p in PLANTINGS]
    right = [["Patient ID", "Visit date", "Zone", "Density"]]
    right += [
        [p.patient, on(p, v), p.zone, density if standard else f"{density:g} *"]
        for p in PLANTINGS
        for v, (_, density, standard) in p.counts.items()
    ]
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "All"
    for i, row in enumerate(left, 1):
        for j, cell in enumerate(row, 1):
            sheet.cell(i, j, cell)
    for i, row in enumerate(right, 1):
        for j, cell in enumerate(row, 12):
            sheet.cell(i, j, cell)
    path = folder / "beside.xlsx"
    book.save(path)
    return path


def one_row_a_patient(folder: Path) -> Path:
    """One wide row a patient: operations, zones and months in the headers, no dates of counts.

    Header: patient, 2 operations of 3 columns, 6 plantings (operation and zone) of 8 columns = 55 cells.
    Rows: 4 patients, 5 operations of 3 cells, 7 plantings of 5 cells, 19 counts = 4 + 15 + 35 + 19 = 73.
    """
    plantings = dict.fromkeys((p.session, p.zone) for p in PLANTINGS)
    head = ["Patient", *(f"OP {n} {what}" for n in (1, 2) for what in ("date", "method", "surgeon"))]
    parts = ("area", "1s", "2s", "3s", "4s", "before", "6M", "12M")
    head += [f"OP {n} {zone.title()} {part}" for n, zone in plantings for part in parts]
    book = openpyxl.Workbook()
    book.active.title = "Wide"
    book.active.append(head)
    for patient in PATIENTS:
        cells: dict[str, object] = {"Patient": patient}
        for p in (p for p in PLANTINGS if p.patient == patient):
            here, zone = f"OP {p.session}", f"OP {p.session} {p.zone.title()}"
            cells |= {
                f"{here} date": f"{p.date:%Y-%m-%d}",
                f"{here} method": p.method,
                f"{here} surgeon": p.surgeon,
            }
            cells |= {f"{zone} area": p.area} | {f"{zone} {n}s": g for n, g in enumerate(p.grafts, 1)}
            for visit, (_, density, standard) in p.counts.items():
                label = f"{zone} {'before' if visit == 0 else f'{visit}M'}"
                cells[label] = density if standard else f"{density:g}*"
        book.active.append([cells.get(h) for h in head])
    path = folder / "wide.xlsx"
    book.save(path)
    return path


def day_numbers(folder: Path) -> Path:
    """Dates as day numbers without a format, codes as numbers that lost their zeros, area in mm2.

    Header 15; seven rows of 15 less 4 = 101 cells.
    """
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Export"
    sheet.append(
        [
            "Patient no",
            "Surgery date",
            "Method",
            "Doctor",
            "Zone",
            "Area (mm²)",
            "1s",
            "2s",
            "3s",
            "4s",
            "before",
            "6M date",
            "6M",
            "12M date",
            "12M",
        ]
    )

    def number(day: datetime.date) -> int:
        return (day - datetime.date(1899, 12, 30)).days

    for p in PLANTINGS:
        wide = [
            number(c) if isinstance(c, datetime.date) else c for c in _wide(p, lambda x: x, lambda d: d, "*")
        ]
        wide = [float(c) if isinstance(c, str) and c and "*" not in c else c for c in wide]
        sheet.append(
            [
                int(p.patient),
                number(p.date),
                p.method,
                p.surgeon,
                p.zone,
                round(p.area * 100),
                *p.grafts,
                *(c if c != "" else None for c in wide),
            ]
        )
    path = folder / "export.xlsx"
    book.save(path)
    return path


def merged_codes(folder: Path) -> Path:
    """The patient's code and operation merged over the rows of its zones; dates as dates; repeated header.

    Header 15; codes 5, dates 5, methods 5, surgeons 5 (merged over 2, 1, 1, 2, 1 rows); 7 x 7 of zone to
    before; dates and counts 4 x 7 - 4 = 24; the header once more, 15.
    """
    head = [
        "Patient",
        "Op date",
        "Method",
        "Surgeon",
        "Zone",
        "Area",
        "1s",
        "2s",
        "3s",
        "4s",
        "before",
        "6M date",
        "6M",
        "12M date",
        "12M",
    ]
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Pages"
    sheet.append(head)
    spans: dict[tuple, list[int]] = {}
    for i, p in enumerate(PLANTINGS):
        row = 2 + i + (1 if i >= 4 else 0)
        if i == 4:
            for column, text in enumerate(head, 1):
                sheet.cell(6, column, text)
        spans.setdefault((p.patient, p.session), []).append(row)
        wide = [
            float(c) if isinstance(c, str) and c and "*" not in c else c
            for c in _wide(p, lambda x: x, lambda d: d)
        ]
        for column, cell in enumerate([p.zone, p.area, *p.grafts, *wide], 5):
            if cell != "":
                sheet.cell(row, column, cell)
    for (patient, session), rows in spans.items():
        p = next(x for x in PLANTINGS if (x.patient, x.session) == (patient, session))
        for column, cell in enumerate([patient, p.date, p.method, p.surgeon], 1):
            sheet.cell(rows[0], column, cell)
            if len(rows) > 1:
                sheet.merge_cells(start_row=rows[0], end_row=rows[-1], start_column=column, end_column=column)
    path = folder / "pages.xlsx"
    book.save(path)
    return path


def thousands(folder: Path) -> Path:
    """French, cells between pipes, grafts and hairs with points between thousands instead of sizes.

    Header 13 cells; seven rows of 13 less 4 = 87.
    """
    lines = [
        "Dossier|Date intervention|Méthode|Chirurgien|Zone|Surface|Greffons|Cheveux|avant|6 mois date|6 mois"
        "|12 mois date|12 mois"
    ]
    for p in PLANTINGS:
        grafts = sum(p.grafts)
        hairs = sum(n * g for n, g in enumerate(p.grafts, 1))
        lines.append(
            "|".join(
                [
                    p.patient,
                    f"{p.date:%d.%m.%Y}",
                    "bandelette" if p.method == "FUT" else "FUE",
                    p.surgeon,
                    {
                        "hairline": "ligne frontale",
                        "frontal": "tiers antérieur",
                        "midscalp": "sommet",
                        "crown": "couronne",
                        "temples": "tempes",
                    }[p.zone],
                    comma(p.area),
                    f"{grafts:,}".replace(",", "."),
                    f"{hairs:,},0".replace(",", ".", 1) if hairs >= 1000 else f"{hairs},0",
                    *_wide(p, comma, lambda d: f"{d:%d.%m.%Y}"),
                ]
            )
        )
    path = folder / "greffes.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def four_sheets(folder: Path) -> Path:
    """Patients, operations, plantings (by number of the operation), counts (by date) on sheets of their own.

    Patients 3 + 4 x 3; operations 5 + 5 x 5; plantings 8 + 7 x 8; counts 5 + 19 x 5 cells.
    """
    book = openpyxl.Workbook()
    people, operations, zones, counts = (
        book.create_sheet(n) for n in ("People", "Operations", "Zones", "Counts")
    )
    del book["Sheet"]
    people.append(["Patient ID", "Sex", "Date of birth"])
    for patient, (sex, born, _) in PATIENTS.items():
        people.append([patient, {"male": "m", "female": "f"}[sex], born])
    operations.append(["Patient ID", "Session", "Op date", "Method", "Surgeon"])
    done = set()
    for p in PLANTINGS:
        if (p.patient, p.session) not in done:
            operations.append([p.patient, p.session, p.date, p.method, p.surgeon])
            done.add((p.patient, p.session))
    zones.append(["Patient ID", "Session", "Zone", "Area cm2", "1s", "2s", "3s", "4s"])
    for p in PLANTINGS:
        zones.append([p.patient, p.session, p.zone, p.area, *p.grafts])
    counts.append(["Patient ID", "Count date", "Zone", "Density", "Standard photo"])
    for p in PLANTINGS:
        for visit, (_, density, standard) in p.counts.items():
            counts.append([p.patient, on(p, visit), p.zone, density, "yes" if standard else "no"])
    path = folder / "sheets.xlsx"
    book.save(path)
    return path


def spanish(folder: Path) -> Path:
    """Spanish headers, months by name, decimal commas in quotes between commas.

    Header 15; seven rows of 15 less 4 = 101 cells.
    """
    names = "ene feb mar abr may jun jul ago sep oct nov dic".split()

    def named(day: datetime.date) -> str:
        return f"{day.day} {names[day.month - 1]} {day.year}"

    zone = {
        "hairline": "línea frontal",
        "frontal": "tercio anterior",
        "midscalp": "tercio medio",
        "crown": "coronilla",
        "temples": "entradas",
    }
    lines = [
        "Historia,Fecha de cirugía,Técnica,Cirujano,Zona,Superficie,1 pelo,2 pelos,3 pelos,4 pelos,antes,"
        "6 meses fecha,6 meses,12 meses fecha,12 meses"
    ]
    for p in PLANTINGS:
        cells = [
            p.patient,
            named(p.date),
            "tira" if p.method == "FUT" else "FUE",
            p.surgeon,
            zone[p.zone],
            comma(p.area),
            *map(str, p.grafts),
            *_wide(p, comma, named),
        ]
        lines.append(",".join(f'"{c}"' if "," in c else c for c in cells))
    path = folder / "historias.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8-sig")
    return path


def sqlite_database(folder: Path) -> Path:
    """A database with two tables under names of its own: 7 rows of 10 columns, 19 rows of 5 columns."""
    path = folder / "clinic.sqlite"
    with sqlite3.connect(path) as link:
        link.execute(
            "create table t_plant (chart text, opdate text, method text, surgeon text, zone text, area real,"
            " singles int, doubles int, triples int, quads int)"
        )
        link.execute(
            "create table t_count (chart text, visit_date text, zone text, density real, photo_standard int)"
        )
        link.executemany(f"insert into t_plant values ({','.join('?' * 10)})", database_rows()[0])
        link.executemany(f"insert into t_count values ({','.join('?' * 5)})", database_rows()[1])
    return path


def database_rows() -> tuple[list[tuple], list[tuple]]:
    """Return plantings and counts as a database holds them."""
    plantings = [
        (p.patient, p.date.isoformat(), p.method, p.surgeon, p.zone, p.area, *p.grafts) for p in PLANTINGS
    ]
    counts = [
        (p.patient, on(p, v).isoformat(), p.zone, density, int(standard))
        for p in PLANTINGS
        for v, (_, density, standard) in p.counts.items()
    ]
    return plantings, counts


def duckdb_file(folder: Path) -> Path:
    """The same two tables in a DuckDB file."""
    path = folder / "clinic.duckdb"
    plantings, counts = (pd.DataFrame(rows) for rows in database_rows())
    plantings.columns = ["chart_no", "op_date", "method", "surgeon", "zone", "area", "s1", "s2", "s3", "s4"]
    plantings = plantings.rename(columns={f"s{n}": f"grafts {n}" for n in (1, 2, 3, 4)})
    counts.columns = ["chart_no", "visit_date", "zone", "density", "standard"]
    with duckdb.connect(str(path)) as store:
        store.execute("create table plantings as select * from plantings")
        store.execute("create table counts as select * from counts")
    return path


def parquet_folder(folder: Path) -> Path:
    """The same two tables as Parquet files in a folder, dates as dates."""
    place = folder / "lake"
    place.mkdir()
    plantings, counts = (pd.DataFrame(rows) for rows in database_rows())
    plantings.columns = ["chart no", "op date", "method", "surgeon", "zone", "area", "1s", "2s", "3s", "4s"]
    counts.columns = ["chart no", "count date", "zone", "density", "standard"]
    plantings["op date"] = pd.to_datetime(plantings["op date"])
    plantings.to_parquet(place / "plantings.parquet", index=False)
    counts.to_parquet(place / "counts.parquet", index=False)
    return place
