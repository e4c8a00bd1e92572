"""Counts from exports of five shapes, written here by hand from the same counts: every cell accounted for."""

import json
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
import records_small

from analytics import entry, records
from analytics.__main__ import main
from analytics.errors import ParameterError
from analytics.identifiers import code, new_key

# Patient, zone, months since the session, hairs, fields of 0.65 cm2, reader: two new counts.
NEW = [("0002", "frontal", 18.0, 130, 3, "R2"), ("0003", "crown", 20.0, 44, 1, "R1")]
DAYS = {"0002": ("2024-09-29", "2026-03-30"), "0003": ("2024-05-01", "2025-12-31")}


def _comma(place: Path) -> Path:
    lines = ["Patient;Zone;Months;Hairs;Field cm2;Fields;Counted by;Remark"]
    lines += [f"{p};{z};{str(m).replace('.', ',')};{h};0,65;{n};{r};ok" for p, z, m, h, n, r in NEW]
    place.write_text("\n".join(lines), encoding="utf-8")
    return place


def _excel(place: Path) -> Path:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Export of counts"])
    sheet.append([])
    sheet.append(
        ["patient", "location", "months since surgery", "hairs/cm2", "field area", "fields", "observer"]
    )
    for p, z, m, h, n, r in NEW:
        sheet.append([p, {"crown": "Vertex"}.get(z, z), m, round(h / (0.65 * n), 2), 0.65, n, r])
    book.save(place)
    return place


def _json_lines(place: Path) -> Path:
    rows = [
        {
            "patient_id": p,
            "zone": z,
            "month": m,
            "hairs": h,
            "counted area": round(0.65 * n, 4),
            "n_fields": n,
        }
        for p, z, m, h, n, _ in NEW
    ]
    place.write_text("\n".join(json.dumps(r) for r in rows), encoding="utf-8")
    return place


def _dated(place: Path) -> Path:
    lines = ["patient,zone,surgery date,visit date,hairs,field cm2,fields"]
    lines += [f"{p},{z},{DAYS[p][0]},{DAYS[p][1]},{h},0.65,{n}" for p, z, _, h, n, _ in NEW]
    place.write_text("\n".join(lines), encoding="utf-8")
    return place


def _tidy(place: Path) -> Path:
    frame = pd.DataFrame(NEW, columns=["patient_id", "zone", "month", "hairs", "n_fields", "reader_id"])
    frame["density_hairs_cm2"] = (frame.pop("hairs") / (0.65 * frame["n_fields"])).round(2)
    frame.assign(roi_area_cm2=0.65).to_csv(place, index=False)
    return place


SHAPES = {
    "comma.csv": (_comma, {'decimal = "point"': 'decimal = "comma"'}),
    "excel.xlsx": (_excel, {}),
    "lines.jsonl": (_json_lines, {}),
    "dated.csv": (_dated, {}),
    "tidy.csv": (_tidy, {}),
}


def _imported(folder: Path, shape: str) -> tuple[Path, entry.Import, Path]:
    place = records_small.save(records_small.small(), folder / "register")
    make, mended = SHAPES[shape]
    source = make(folder / shape)
    text = entry.propose(source)
    for was, becomes in mended.items():
        text = text.replace(was, becomes)
    (folder / "columns.toml").write_text(text, encoding="utf-8")
    export = entry.read_export(folder / "columns.toml")
    return place, entry.import_counts(place, source, export), source


@pytest.mark.parametrize("shape", SHAPES)
def test_each_shape_gives_the_same_counts_and_every_cell_is_accounted_for(tmp_path: Path, shape: str) -> None:
    place, found, source = _imported(tmp_path, shape)
    assert found.rows["fate"].tolist() == ["added", "added"]
    n = len(records.load(place).measurements)
    entry.record(place, found.changes, kind="import")
    new = records.load(place).measurements.iloc[n:]
    # 130 hairs on 3 x 0.65 cm2 and 44 on 0.65 cm2.
    assert new["density_hairs_cm2"].tolist() == [66.67, 67.69]
    assert new["month"].tolist() == [18.0, 20.0]
    assert new["session_id"].tolist() == ["0002-1", "0003-1"]
    filled = {"comma.csv": 16, "excel.xlsx": 14, "lines.jsonl": 12, "dated.csv": 14, "tidy.csv": 14}
    assert sum(found.cells.values()) == filled[shape]
    assert source.exists()


def test_what_is_there_is_recognised_and_what_differs_is_shown_and_not_written_over(tmp_path: Path) -> None:
    place = records_small.save(records_small.small(), tmp_path / "register")
    source = tmp_path / "again.csv"
    source.write_text(
        "patient_id,zone,month,density_hairs_cm2,roi_area_cm2,n_fields,reader_id\n"
        "0002,frontal,9,66.5,0.65,3,R2\n"  # as the register has it
        "0002,frontal,9,70,0.65,3,R2\n"  # another value for the same count
        "0002,frontal,9,64,0.65,3,R1\n"  # a second reader: a repeat
        "0007,frontal,9,64,0.65,3,R1\n"  # nobody of the register
        "0002,frontal,x,64,0.65,3,R1\n",
        encoding="utf-8",
    )
    (tmp_path / "columns.toml").write_text(entry.propose(source), encoding="utf-8")
    before = (place / "measurements.csv").read_bytes()
    found = entry.import_counts(place, source, entry.read_export(tmp_path / "columns.toml"))
    assert found.rows["fate"].tolist() == ["there already", "in conflict", "added", "set aside", "set aside"]
    assert found.conflicts[["in the register", "in the file"]].values.tolist() == [["66.5", "70"]]
    assert [c.becomes["count_number"] for c in found.changes] == ["2"]
    assert (place / "measurements.csv").read_bytes() == before
    assert len(found.set_aside) == 3


def test_a_row_that_a_rule_refuses_stops_no_other(tmp_path: Path) -> None:
    place = records_small.save(records_small.small(), tmp_path / "register")
    source = tmp_path / "export.csv"
    source.write_text(
        "patient_id,zone,month,density_hairs_cm2,roi_area_cm2,n_fields,reader_id\n"
        "0002,frontal,18,4000,0.65,3,R2\n"  # above 450, the limit of the dictionary
        "0002,frontal,20,66,0.65,3,R2\n"
        "0003,crown,20,60,1,1,R1\n",
        encoding="utf-8",
    )
    (tmp_path / "columns.toml").write_text(entry.propose(source), encoding="utf-8")
    found = entry.import_counts(place, source, entry.read_export(tmp_path / "columns.toml"))
    assert found.rows["fate"].tolist() == ["set aside", "added", "added"]
    assert "density_hairs_cm2" in found.rows["reason"].iloc[0]


def test_chart_numbers_become_codes_and_are_kept_nowhere_in_the_register(tmp_path: Path, monkeypatch) -> None:
    key = new_key(tmp_path / "key")
    register = records_small.small()
    coded = code("CH-4471", key)
    for table, rows in register.items():
        register[table] = [
            {**r, **({"patient_id": coded} if r.get("patient_id") == "0002" else {})} for r in rows
        ]
    place = records_small.save(register, tmp_path / "register")
    monkeypatch.chdir(tmp_path)
    Path("export.csv").write_text(
        "chart number,zone,month,hairs,field cm2,fields\nCH-4471,frontal,18,130,0.65,3\n", encoding="utf-8"
    )
    assert main(["import", "counts", "export.csv"]) == 0
    given = ["import", "counts", "export.csv", str(place), "--columns", "export.csv.columns.toml", "--yes"]
    assert main(given) == 2  # the key is needed
    assert main([*given, "--key-file", str(key)]) == 0
    assert records.load(place).measurements["patient_id"].iloc[-1] == coded
    kept = [p for p in (*place.rglob("*"), *tmp_path.glob("register.state/**/*")) if p.is_file()]
    assert kept
    assert not [p for p in kept if b"CH-4471" in p.read_bytes()]


def test_every_fault_of_the_columns_is_told_at_once(tmp_path: Path) -> None:
    place = tmp_path / "columns.toml"
    place.write_text(
        '[columns]\nA = "?"\nB = "zone"\nC = "hares"\n[zones]\ntop = "summit"\n[reading]\ndecimal = "both"\n',
        encoding="utf-8",
    )
    with pytest.raises(ParameterError) as told:
        entry.read_export(place)
    said = str(told.value)
    for part in (
        "still a question",
        "'hares'",
        "patient_id or chart_number",
        "month",
        "'top'",
        "reading.decimal",
    ):
        assert part in said


def test_a_header_that_is_a_column_s_name_is_that_column(tmp_path: Path) -> None:
    (tmp_path / "export.csv").write_text(
        "patient_id,zone,region_id,month,density_hairs_cm2\n0003,crown,left,20,44\n", encoding="utf-8"
    )
    assert 'region_id = "region_id"' in (said := entry.propose(tmp_path / "export.csv"))
    assert 'zone = "zone"' in said
