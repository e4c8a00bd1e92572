"""Entries at the chair: the register after them equals the same rows typed into the file, in all four forms.

The register is the hand-written one of `records_small`; what must stand in it after an entry is typed here by
hand, or appended by pandas to the frames before.
"""

import csv
import multiprocessing
import os
import random
import signal
import time
import zipfile
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
import records_small

from analytics import entry, records
from analytics.__main__ import main
from analytics.errors import ParameterError
from analytics.files import state

KINDS = ("csv", "parquet", "xlsx", "duckdb")


def _register(folder: Path, kind: str) -> Path:
    """Return the small register in one of the stored forms."""
    source = records_small.save(records_small.small(), folder / "typed")
    if kind == "csv":
        return source
    ending = {"parquet": "", "xlsx": ".xlsx", "duckdb": ".duckdb"}[kind]
    return records.write(records.load(source), folder / f"register{ending}", kind=kind)


def _frame(place: Path, table: str) -> pd.DataFrame:
    return getattr(records.load(place), table)


def _follow_up(place: Path, patient: str, month: float, hairs: dict[str, float]) -> tuple[entry.Change, ...]:
    case = entry.case_of(place, patient)
    at = {p.region_id: p for p in case.places}
    return entry.follow_up(case, month, [entry.Count(at[r], n) for r, n in hairs.items()])


@pytest.mark.parametrize("kind", KINDS)
def test_a_follow_up_is_the_row_a_person_would_type(tmp_path: Path, kind: str) -> None:
    place = _register(tmp_path, kind)
    before = _frame(place, "measurements")
    entry.record(place, _follow_up(place, "0002", 18.0, {"frontal": 130}), kind="follow-up")
    new = _frame(place, "measurements").iloc[len(before) :]
    # 130 hairs on three fields of 0.65 cm2, as the count before was made: 130 / 1.95 = 66.67 hairs per cm2.
    typed = {
        "patient_id": "0002",
        "zone": "frontal",
        "region_id": "frontal",
        "session_id": "0002-1",
        "month": 18.0,
        "density_hairs_cm2": 66.67,
        "roi_area_cm2": 0.65,
        "n_fields": 3,
        "roi_marked": True,
        "reader_id": "R2",
        "device_class": "D1",
        "hair_length": "long",
        "standard_conditions": True,
    }
    assert len(new) == 1
    assert {c: new[c].iloc[0] for c in typed} == typed


@pytest.mark.parametrize("kind", KINDS)
def test_random_entries_and_undos_equal_typed_rows(tmp_path: Path, kind: str) -> None:
    place = _register(tmp_path, kind)
    chance = random.Random(KINDS.index(kind))
    register = records.load(place)
    stands: dict[int, dict[str, dict]] = {}
    for step in range(int(os.environ.get("REGROWTH_ENTRIES", "8"))):
        if stands and chance.random() < 0.3:
            number = chance.choice(list(stands))
            entry.undo(place, number)
            del stands[number]
            continue
        month, hairs = 30.0 + step / 10, chance.randrange(1, 200)
        done = entry.record(place, _follow_up(place, "0003", month, {"left": hairs}), kind="follow-up")
        count = {"patient_id": "0003", "zone": "crown", "region_id": "left", "month": month}
        stands[done.number] = {"measurements": {**count, "density_hairs_cm2": float(hairs)}, "visits": count}
    after = records.load(place)
    for table in ("measurements", "visits"):
        before, whole = getattr(register, table), getattr(after, table)
        new = whole.iloc[len(before) :]
        assert whole.iloc[: len(before)].equals(before)
        columns = ["patient_id", "month"] + (["density_hairs_cm2"] if table == "measurements" else [])
        assert new[columns].values.tolist() == [[row[table][c] for c in columns] for row in stands.values()]


def test_only_lines_are_added_to_a_csv_file_of_any_habit(tmp_path: Path) -> None:
    place = _register(tmp_path, "csv")
    file = place / "measurements.csv"
    rows = list(csv.reader(file.read_text(encoding="utf-8").splitlines()))
    before = b"\xef\xbb\xbf" + "\r\n".join(";".join(f'"{c}"' for c in row) for row in rows).encode()
    file.write_bytes(before)
    entry.record(place, _follow_up(place, "0002", 18.0, {"frontal": 130}), kind="follow-up")
    after = file.read_bytes()
    assert after.startswith(before)
    assert after[len(before) :].count(b"\r\n") == 2
    assert b"0002;frontal;frontal" in after[len(before) :]
    entry.undo(place)
    assert len(list(csv.reader(file.read_text(encoding="utf-8-sig").splitlines()))) == len(rows)


def test_the_rest_of_a_workbook_stays_as_it_is(tmp_path: Path) -> None:
    place = records.template(tmp_path / "register.xlsx")
    book = openpyxl.load_workbook(place)
    for table, rows in records_small.small().items():
        heads = [c.value for c in book[table][1]]
        for row in rows:
            book[table].append([row.get(h) or None for h in heads])
    book.save(place)
    with zipfile.ZipFile(place) as before:
        kept = {n: before.read(n) for n in before.namelist()}
    entry.record(place, _follow_up(place, "0001", 20.0, {"hairline": 61}), kind="follow-up")
    with zipfile.ZipFile(place) as after:
        differing = [n for n in after.namelist() if after.read(n) != kept[n]]
    assert len(differing) == 2  # the sheets measurements and visits
    again = openpyxl.load_workbook(place)
    heads = [c.value for c in again["measurements"][1]]
    last = dict(
        zip(heads, [c.value for c in again["measurements"][again["measurements"].max_row]], strict=True)
    )
    assert (last["patient_id"], last["density_hairs_cm2"], last["reader_id"]) == ("0001", 61, "R1")
    assert len(again["measurements"].data_validations.dataValidation) > 5
    entry.undo(place)
    assert records.check(place).is_usable


def test_a_table_that_the_register_lacks_is_begun_only_where_it_would_not_lie(tmp_path: Path) -> None:
    place = _register(tmp_path, "csv")
    (place / "visits.csv").unlink()
    entry.record(place, _follow_up(place, "0002", 18.0, {"frontal": 130}), kind="follow-up")
    # With one row of visits all other persons would count as never seen.
    assert not (place / "visits.csv").exists()


def test_a_session_of_a_new_person_with_its_zones_and_baseline(tmp_path: Path) -> None:
    place = _register(tmp_path, "csv")
    case = entry.case_of(place, "0009")
    assert case.is_new
    cells = {
        "register_month": "24",
        "method": "FUE",
        "surgeon_id": "S1",
        "attempts": "1000",
        "grafts_out": "960",
        "grafts_transected": "20",
        "grafts_discarded": "10",
    }
    zone = {"zone": "crown", "area_cm2": "40", "grafts_1": "250", "grafts_2": "500", "grafts_3": "200"}
    patient = {"sex": "male", "age_years": "51", "loss_class": "V", "hair_calibre_um": "66"}
    baseline = entry.Count(entry.Place("crown", "crown", "planted", ""), 12, 1.0, 1)
    changes = entry.session(case, cells, [zone], patient=patient, baselines=[baseline])
    assert entry.look(case, changes).is_usable
    entry.record(place, changes, kind="session")
    after = records.load(place)
    assert after.patients["patient_id"].tolist()[-1] == "0009"
    assert after.placements.iloc[-1][["placement_id", "zone", "grafts", "hairs"]].tolist() == [
        "0009-1-crown",
        "crown",
        950,
        1850.0,  # 250 + 2 x 500 + 3 x 200
    ]
    assert after.measurements.iloc[-1][["session_id", "month", "density_hairs_cm2"]].tolist() == [
        "0009-1",
        0,
        12,
    ]


def test_a_correction_stays_in_its_place_and_is_an_entry(tmp_path: Path) -> None:
    place = _register(tmp_path, "csv")
    case = entry.case_of(place, "0002")
    was = case.tables["measurements"].iloc[1].to_dict()
    where = records.load(place).measurements["density_hairs_cm2"].eq(66.5).to_numpy().argmax()
    entry.record(
        place, entry.correction(case, "measurements", was, {"density_hairs_cm2": "56.5"}), kind="correction"
    )
    assert records.load(place).measurements["density_hairs_cm2"].iloc[where] == 56.5
    assert [e.kind for e in entry.history(place)] == ["correction"]
    entry.undo(place)
    assert records.load(place).measurements["density_hairs_cm2"].iloc[where] == 66.5


def test_the_rules_speak_before_anything_is_written(tmp_path: Path) -> None:
    place = _register(tmp_path, "csv")
    case = entry.case_of(place, "0002")
    too_many = entry.follow_up(case, 18, [entry.Count(case.places[0], 2000)])
    found = entry.look(case, too_many)
    assert [p.column for p in found.problems] == ["density_hairs_cm2"]
    named = entry.follow_up(
        case, 18, [entry.Count(case.places[0], 130)], cells={"device_class": "j.doe@example.org"}
    )
    assert any(p.column == "device_class" for p in entry.look(case, named).problems)


def test_a_row_that_was_changed_since_is_not_taken_back(tmp_path: Path) -> None:
    place = _register(tmp_path, "csv")
    entry.record(place, _follow_up(place, "0002", 18.0, {"frontal": 130}), kind="follow-up")
    file = place / "measurements.csv"
    file.write_text(file.read_text(encoding="utf-8").replace("66.67", "66.7"), encoding="utf-8")
    before = file.read_bytes()
    with pytest.raises(ParameterError, match="changed since"):
        entry.undo(place)
    assert file.read_bytes() == before


def test_an_open_workbook_is_refused(tmp_path: Path) -> None:
    place = _register(tmp_path, "xlsx")
    (tmp_path / "~$register.xlsx").write_bytes(b"")
    with pytest.raises(ParameterError, match="open in another program"):
        entry.record(place, _follow_up(place, "0002", 18.0, {"frontal": 130}), kind="follow-up")


def _enter(place: Path, month: float) -> None:
    for step in range(3):
        entry.record(place, _follow_up(place, "0003", month + step / 10, {"left": 44}), kind="follow-up")


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_two_writers_at_once_lose_nothing(tmp_path: Path, kind: str) -> None:
    place = _register(tmp_path, kind)
    n = len(_frame(place, "measurements"))
    fork = multiprocessing.get_context("spawn")
    both = [fork.Process(target=_enter, args=(place, 40.0 + 10 * i)) for i in range(2)]
    for process in both:
        process.start()
    for process in both:
        process.join(60)
    assert len(_frame(place, "measurements")) == n + 6
    assert len(entry.history(place)) == 6
    assert not state.read(state.folder(place), "entries").fault


@pytest.mark.parametrize("seconds", [float(s) for s in os.environ.get("REGROWTH_KILLS", "0.02 0.1").split()])
def test_a_kill_leaves_the_register_before_or_after(tmp_path: Path, seconds: float) -> None:
    place = _register(tmp_path, "csv")
    before = {t: len(_frame(place, t)) for t in ("measurements", "visits")}
    writer = multiprocessing.get_context("fork").Process(target=_enter, args=(place, 40.0))
    writer.start()
    time.sleep(seconds)
    os.kill(writer.pid or 0, signal.SIGKILL)
    writer.join()
    more = {t: len(_frame(place, t)) - n for t, n in before.items()}
    assert more["measurements"] == more["visits"]
    entry.record(place, _follow_up(place, "0003", 50.0, {"left": 40}), kind="follow-up")
    assert len(entry.history(place)) == more["measurements"] + 1
    assert records.check(place).is_usable


def test_neither_chart_number_nor_date_is_stored(tmp_path: Path, monkeypatch, capsys) -> None:
    place = _register(tmp_path, "csv")
    key = tmp_path / "clinic.key"
    main(["deidentify", "--new-key", str(key)])
    monkeypatch.setattr("sys.stdin", _Typed(["CHART-7788\n"]))
    assert (
        main(["add", str(place), "--key-file", str(key), "--month", "12", "--count", "crown=3", "--yes"]) == 2
    )
    lines = ["0002\n", "2026-03-30\n", "2024-09-29\n", "131\n", "\n", "\n", "yes\n"]
    monkeypatch.setattr("sys.stdin", _Typed(lines))
    assert main(["add", str(place)]) == 0
    assert "month 18 " in capsys.readouterr().out
    for path in tmp_path.rglob("*"):
        if path.is_file() and path.suffix != ".key":
            data = path.read_bytes()
            assert not [t for t in (b"CHART-7788", b"2026-03-30", b"2024-09-29") if t in data], path.name


class _Typed:
    """Lines as typed by a person."""

    def __init__(self, lines: list[str]) -> None:
        self._lines = iter(lines)

    def readline(self) -> str:
        return next(self._lines, "")

    def isatty(self) -> bool:
        return False


def test_the_command_writes_lists_and_takes_back(tmp_path: Path, capsys) -> None:
    place = _register(tmp_path, "csv")
    given = ["add", str(place), "--patient", "0002", "--month", "18", "--count", "frontal=130", "--yes"]
    assert main([*given, "--set", "reader_id=R1", "--set", "complications_asked=yes"]) == 0
    assert "66.67 hairs/cm2 on 3 x 0.65 cm2, was 66.5 at month 9; counted by R1" in capsys.readouterr().out
    assert _frame(place, "visits")["complications_asked"].iloc[-1]
    assert main(["add", str(place), "--history"]) == 0
    assert "follow-up  2 rows" in capsys.readouterr().out
    assert main(["add", str(place), "--undo"]) == 0
    assert main(["add", str(place), "--undo"]) == 2
