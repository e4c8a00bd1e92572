"""Files that could harm the reader are refused before any library opens them."""

import contextlib
import datetime
import os
import random
import shutil
import struct
import subprocess
import zipfile
import zlib
from pathlib import Path

import duckdb
import fuzzed_files as fuzz
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import xlsxwriter
import xlwt
from records_small import save, small

from analytics import mapping, records
from analytics.errors import RecordError
from analytics.mapping import sources
from analytics.records import readers, safety, workbooks

# The shape of an entity bomb (CWE-776), harmless in size.
ENTITIES = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aa"><!ENTITY b "&a;&a;">]><x>&b;</x>'


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    return records.load(save(small(), tmp_path_factory.mktemp("tables")))


@pytest.fixture(scope="module")
def sound(tmp_path_factory, whole):
    return records.write(whole, tmp_path_factory.mktemp("book") / "r.xlsx", kind="xlsx")


@pytest.fixture
def workbook(tmp_path, sound):
    return Path(shutil.copy(sound, tmp_path / "r.xlsx"))


def _rewritten(workbook, name, part, content, **options):
    """Write a copy of a workbook with one part put in or replaced."""
    target = workbook.with_name(name)
    with zipfile.ZipFile(workbook) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for info in old.infolist():
            if info.filename != part:
                new.writestr(info, old.read(info))
        new.writestr(part, content, **options)
    return target


def _read(workbook):
    safety.refuse_unsafe_workbook(workbook)
    return workbooks.read_cells(workbook)


def _spans(sheets):
    return [(len(s.rows), len(s.rows[0])) for s in sheets]


def test_a_sound_workbook_passes(workbook):
    safety.refuse_unsafe_workbook(workbook)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
@pytest.mark.parametrize("part", ["xl/workbook.xml", "xl/extra.xml", "xl/_rels/workbook.xml.rels"])
def test_entities_in_any_part_are_refused(part, encoding, workbook):
    text = ENTITIES.decode().replace('version="1.0"', f'version="1.0" encoding="{encoding}"')
    bad = _rewritten(workbook, "bad.xlsx", part, text.encode(encoding))
    with pytest.raises(RecordError, match="declares a document type or entities"):
        records.load(bad)


def test_entities_behind_a_long_comment_are_refused(workbook):
    padded = ENTITIES.replace(b"<!DOCTYPE", b"<!--" + b" " * (2 * safety.PIECE_BYTES) + b"--><!DOCTYPE")
    with pytest.raises(RecordError, match="declares a document type or entities"):
        records.load(_rewritten(workbook, "bad.xlsx", "xl/extra.xml", padded))


def test_a_part_that_is_not_xml_is_refused(workbook):
    with pytest.raises(RecordError, match=r"document type or entities|cannot be"):
        records.load(_rewritten(workbook, "bad.xlsx", "xl/extra.xml", b"\x00\x01 not xml"))


def test_a_workbook_that_unpacks_to_far_more_than_it_weighs_is_refused(workbook):
    zeros = b"0" * (safety.SMALL_BYTES + 2**23)
    with pytest.raises(RecordError, match="unpacks to far more than a register needs"):
        records.load(_rewritten(workbook, "bad.xlsx", "xl/media/a.bin", zeros))


def test_a_part_that_states_less_than_it_holds_is_refused(workbook):
    """The stated size is in the central directory, four bytes at offset 24 (APPNOTE 6.3.10, 4.3.12)."""
    bad = _rewritten(workbook, "bad.xlsx", "xl/extra.xml", b"<x>" + b" " * 5000 + b"</x>")
    data = bytearray(bad.read_bytes())
    entry = data.rindex(b"PK\x01\x02")
    while b"xl/extra.xml" not in data[entry : entry + 80]:
        entry = data.rindex(b"PK\x01\x02", 0, entry)
    data[entry + 24 : entry + 28] = (100).to_bytes(4, "little")
    bad.write_bytes(data)
    with pytest.raises(RecordError, match=r"larger than it states|cannot be unpacked"):
        records.load(bad)


@pytest.mark.parametrize("cut", [10, 500, -30])
def test_a_broken_workbook_is_refused_in_words(cut, workbook):
    workbook.write_bytes(workbook.read_bytes()[:cut])
    with pytest.raises(RecordError, match=r"save it again as \.xlsx"):
        records.load(workbook)


def test_a_zip_that_is_no_workbook_is_refused_in_words(tmp_path):
    with zipfile.ZipFile(tmp_path / "r.xlsx", "w") as archive:
        archive.writestr("readme.txt", "nothing")
    with pytest.raises(RecordError, match="the workbook cannot be read"):
        records.load(tmp_path / "r.xlsx")


def test_a_file_beyond_the_largest_is_refused_unread(tmp_path, monkeypatch):
    monkeypatch.setattr(safety, "LARGEST_FILE_BYTES", 100)
    save(small(), tmp_path)
    with pytest.raises(RecordError, match="the file is too large"):
        records.load(tmp_path)


def test_a_cell_beyond_the_largest_is_refused():
    with pytest.raises(RecordError, match="no cell holds more than"):
        readers.rows_of("a\n" + "x" * 200_000, delimiter=",", file="t.csv")


def test_a_broken_parquet_file_is_refused_in_words(tmp_path):
    save(small(), tmp_path)
    (tmp_path / "events.csv").unlink()
    (tmp_path / "events.parquet").write_bytes(b"PAR1" + zlib.compress(b"x" * 100) + b"PAR1")
    with pytest.raises(RecordError, match=r"events\.parquet: the file cannot be read"):
        records.load(tmp_path)


@pytest.mark.parametrize("seed", range(8))
def test_a_bit_changed_in_a_parquet_file_is_noticed(seed, tmp_path, whole):
    """A page carries its checksum (CRC-32, Apache Parquet format): no number changes unnoticed."""
    records.write(whole, tmp_path, kind="parquet")
    place = tmp_path / "measurements.parquet"
    data = bytearray(place.read_bytes())
    at = random.Random(seed).randrange(4, len(data) - 8)
    data[at] ^= 1 << (seed % 8)
    place.write_bytes(data)
    try:
        read = records.load(tmp_path)
    except RecordError:
        return
    pd.testing.assert_frame_equal(read.measurements, whole.measurements)


def test_a_broken_duckdb_file_is_refused_in_words(tmp_path):
    (tmp_path / "r.duckdb").write_bytes(b"\x00" * 8 + b"DUCK" + b"\x01" * 4000)
    with pytest.raises(RecordError, match="the DuckDB file cannot be read"):
        records.load(tmp_path / "r.duckdb")


def test_a_duckdb_view_that_would_read_another_file_is_not_followed(tmp_path):
    (tmp_path / "other.csv").write_text("session_id,kind\nA,B\n")
    with duckdb.connect(str(tmp_path / "r.duckdb")) as store:
        store.execute(f"create view events as select * from read_csv('{tmp_path}/other.csv')")
        store.execute("create table patients as select 'P1' as patient_id")
    found = records.check(tmp_path / "r.duckdb")
    assert ("events", "absent_column") not in {(p.table, p.code) for p in found.problems}
    read = found.balance.set_index("table")["read"]
    assert (read["patients"], read["events"]) == (1, 0)


def test_a_kind_is_told_by_its_first_bytes_not_its_name(workbook, tmp_path):
    renamed = workbook.rename(tmp_path / "register.csv")
    assert safety.kind_of(renamed) == "zip"
    assert len(records.load(renamed).patients) == 3


def test_a_parquet_column_that_stands_twice_is_told_in_words(tmp_path, whole):
    """Parquet lets a name stand twice (Apache Parquet format, SchemaElement); the dictionary does not."""
    records.write(whole, tmp_path / "r", kind="parquet")
    place = tmp_path / "r" / "patients.parquet"
    table = pq.ParquetFile(place).read()
    pq.write_table(table.append_column("sex", table["sex"]), place)
    with pytest.raises(RecordError, match=r"patients\.sex: the column stands twice"):
        records.load(tmp_path / "r")


@pytest.mark.parametrize("kind", [pa.duration("s"), pa.duration("ns")])
def test_a_length_of_time_is_no_number_in_a_parquet_file(kind, tmp_path, whole):
    """As text it would be a plain number that has lost its unit."""
    records.write(whole, tmp_path / "r", kind="parquet")
    place = tmp_path / "r" / "measurements.parquet"
    table = pq.ParquetFile(place).read()
    at = table.column_names.index("n_fields")
    pq.write_table(table.set_column(at, "n_fields", table["n_fields"].cast(pa.int64()).cast(kind)), place)
    with pytest.raises(RecordError, match="holds neither text nor numbers"):
        records.load(tmp_path / "r")


def test_an_interval_in_a_duckdb_file_is_refused_in_words(tmp_path, whole):
    place = records.write(whole, tmp_path / "r.duckdb", kind="duckdb")
    with duckdb.connect(str(place)) as store:
        store.execute("alter table measurements alter n_fields type interval using interval '1' month")
    with pytest.raises(RecordError, match="holds neither text nor numbers"):
        records.load(place)


# Cells astray: the limits of a sheet are those of ECMA-376 readers, XFD1048576 being its last cell.

SHEET = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">%s</worksheet>'


def _sheet(workbook, cells, *, row=b'<row r="1">', before=b""):
    body = before + b"<sheetData>" + row + cells + b"</row></sheetData>"
    return _rewritten(workbook, "astray.xlsx", "xl/worksheets/sheet1.xml", SHEET % body)


def _cell(address):
    return b'<c r="%s"><v>1</v></c>' % address


@pytest.mark.parametrize("address", [b"$A$2", b"A-2", b"", b"7", b"1A", b"A", b"A0"])
@pytest.mark.parametrize("form", [b'<c r="%s"><v>1</v></c>', b"<x:c a='>' r = '%s'><v>1</v></x:c>"])
def test_a_cell_whose_address_is_none_is_refused(address, form, workbook):
    with pytest.raises(RecordError, match="the workbook cannot be read"):
        _read(_sheet(workbook, form % address))


@pytest.mark.parametrize(
    "address",
    [b"FALSEN1", b"AAAA1", b"A12345678", b"XFE1", b"ZZZ1", b"xfe1", b"A1048577", b"A9999999"],
)
@pytest.mark.parametrize("form", [b'<c r="%s"><v>1</v></c>', b"<x:c a='>' r = '%s'><v>1</v></x:c>"])
def test_a_cell_outside_a_sheet_is_refused(address, form, workbook):
    with pytest.raises(RecordError, match="names a cell outside a sheet"):
        _read(_sheet(workbook, form % address))


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"cells": b"<c><v>1</v></c>", "row": b'<row r="1048577">'}, "outside a sheet"),
        ({"cells": b"<c><v>1</v></c>", "row": b'<row r="-3">'}, "the workbook cannot be read"),
        ({"cells": b"<c><v>1</v></c>", "row": b'<row r="99999999999">'}, "outside a sheet"),
        ({"cells": b'<c r="A1" r="B2"><v>1</v></c>'}, "no sound XML"),
        ({"cells": b'<c r="A1" s="<c">'}, "no sound XML"),
        ({"cells": b"<c><v>1</v></c>" * 16_385}, "outside a sheet"),
    ],
)
def test_rows_and_cells_without_address_are_looked_at_too(given, says, workbook):
    with pytest.raises(RecordError, match=says):
        _read(_sheet(workbook, **given))


def test_one_value_far_away_is_refused_but_not_an_empty_cell_or_a_stated_size(workbook):
    far = _cell(b"A1") + _cell(b"XFD1048576")
    with pytest.raises(RecordError, match=r"span more cells.*Ctrl\+End"):
        records.load(_sheet(workbook, far))
    styled = _cell(b"B7") + b'<c r="XFD1048576" s="1"/>'
    read = _read(_sheet(workbook, styled, before=b'<dimension ref="A1:XFD1048576"/>'))
    assert _spans(read)[0] == (7, 2)


def test_a_fault_is_seen_wherever_the_pieces_are_cut(workbook, monkeypatch):
    twice = _sheet(workbook, _cell(b"A1") + b'<c r="A1" r="B2"><v>1</v></c>')
    for piece in range(1, 40):
        monkeypatch.setattr(safety, "PIECE_BYTES", piece)
        with pytest.raises(RecordError, match="no sound XML"):
            safety.refuse_unsafe_workbook(twice)


def test_the_cells_of_all_sheets_are_counted_together(workbook, monkeypatch):
    monkeypatch.setattr(workbooks, "MOST_CELLS", 20_000)
    half = SHEET % (b"<sheetData><row>" + _cell(b"A600") + _cell(b"T1") + b"</row></sheetData>")
    one = _rewritten(workbook, "one.xlsx", "xl/worksheets/sheet1.xml", half)
    assert _spans(_read(one))[0] == (600, 20)
    with pytest.raises(RecordError, match="span more cells"):
        _read(_rewritten(one, "two.xlsx", "xl/worksheets/sheet2.xml", half))


def _open_document(place, rows, columns):
    """Write an OpenDocument sheet of one repeated value (OASIS OpenDocument 1.3 part 3, repeats)."""
    name = "urn:oasis:names:tc:opendocument:xmlns"
    cell = (
        f'<table:table-cell table:number-columns-repeated="{columns}" office:value-type="float" '
        'office:value="1">'
        "<text:p>1</text:p></table:table-cell>"
        '<table:table-cell table:number-columns-repeated="16000"/>'
    )
    content = (
        f'<office:document-content xmlns:office="{name}:office:1.0" xmlns:table="{name}:table:1.0" '
        f'xmlns:text="{name}:text:1.0"><office:body><office:spreadsheet><table:table table:name="a">'
        f'<table:table-row table:number-rows-repeated="{rows}">{cell}</table:table-row>'
        '<table:table-row table:number-rows-repeated="1048000"><table:table-cell/></table:table-row>'
        "</table:table></office:spreadsheet></office:body></office:document-content>"
    )
    with zipfile.ZipFile(place, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", content)
        archive.writestr("META-INF/manifest.xml", "<m/>")
    return place


def test_a_value_repeated_beyond_a_register_is_refused(tmp_path):
    assert _spans(_read(_open_document(tmp_path / "r.ods", 3, 2))) == [(3, 2)]
    for rows, columns, says in ((1_000_000, 21, "span more cells"), (10**400, 1, "cannot be read")):
        with pytest.raises(RecordError, match=says):
            _read(_open_document(tmp_path / "r.ods", rows, columns))
    # The reader lets a value be repeated to the last column of a sheet and no further.
    assert _spans(_read(_open_document(tmp_path / "r.ods", 2, 10**8))) == [(2, 16_384)]


def _record(kind, content=b""):
    """Return a record of a binary workbook: its kind and length, seven bits a byte ([MS-XLSB] 2.1.4)."""
    number = bytes([kind & 0x7F | 0x80, kind >> 7]) if kind > 0x7F else bytes([kind])
    return number + bytes([len(content)]) + content


def _wide(text):
    return len(text).to_bytes(4, "little") + text.encode("utf-16-le")


def _binary_workbook(place, row, column):
    """Write a binary workbook of one number: bundle, row and cell records as [MS-XLSB] lays them out."""
    bundle = _record(156, bytes(4) + (1).to_bytes(4, "little") + _wide("rId1") + _wide("a"))
    header = row.to_bytes(4, "little") + bytes(13)
    cell = column.to_bytes(4, "little") + bytes(4) + struct.pack("<d", 1.0)
    sheet = [(129, b""), (148, bytes(16)), (145, b""), (0, header), (5, cell), (146, b""), (130, b"")]
    link = (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship '
        'Id="rId1" Target="worksheets/sheet1.bin" '
        'Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet"/></Relationships>'
    )
    with zipfile.ZipFile(place, "w") as archive:
        archive.writestr("xl/_rels/workbook.bin.rels", link)
        archive.writestr("xl/workbook.bin", _record(143) + bundle + _record(144) + _record(132))
        archive.writestr("xl/worksheets/sheet1.bin", b"".join(_record(*r) for r in sheet))
    return place


def test_a_binary_sheet_with_a_cell_far_away_is_refused(tmp_path):
    assert _spans(_read(_binary_workbook(tmp_path / "r.xlsb", 999, 19))) == [(1000, 20)]
    for row, column, says in ((1_048_575, 16_383, "span more cells"), (0, 2**32 - 1, "outside a sheet")):
        with pytest.raises(RecordError, match=says):
            _read(_binary_workbook(tmp_path / "r.xlsb", row, column))
    # The reader takes a row that no sheet has for the end of the sheet: it asks for no memory.
    assert _read(_binary_workbook(tmp_path / "r.xlsb", 2**32 - 1, 0))[0].rows == []


def _old_workbook(place, *cells, sheets=1):
    """Write an old workbook with xlwt, a number at each (row, column) of every sheet."""
    book = xlwt.Workbook()
    for number in range(sheets):
        sheet = book.add_sheet(f"s{number}")
        for row, column in cells:
            sheet.write(row, column, 1.5)
    book.save(place)
    return place


def test_an_old_workbook_with_a_cell_far_away_is_refused(tmp_path):
    """65,536 rows of 256 columns a sheet: three of them asked a reader for 3.3 GB from a file of 6 kB."""
    near = [(row, column) for row in range(40) for column in range(12)]
    read = sources.read(_old_workbook(tmp_path / "near.xls", *near))
    assert [s.cells.shape for s in read.sheets] == [(40, 12)]
    for name, sheets, cells in (("far", 1, [*near, (65_535, 255)]), ("sheets", 3, [(65_535, 255)])):
        with pytest.raises(RecordError, match="span more cells"):
            mapping.propose(_old_workbook(tmp_path / f"{name}.xls", *cells, sheets=sheets))


def test_a_broken_old_workbook_is_refused_in_a_sentence(tmp_path):
    sound = _old_workbook(tmp_path / "r.xls", *((r, c) for r in range(30) for c in range(9))).read_bytes()
    rng = np.random.default_rng(20261130)
    for _ in range(60):
        (tmp_path / "b.xls").write_bytes(fuzz.broken(sound, rng))
        with contextlib.suppress(RecordError):
            sources.read(tmp_path / "b.xls")


def test_the_extent_of_open_documents_written_by_a_library_is_theirs(tmp_path):
    """odfpy through pandas writes the cells; the extent is theirs and a value far down is refused."""
    frame = pd.DataFrame({"a": range(50), "b": 1.5})
    frame.to_excel(tmp_path / "r.ods", engine="odf", index=False)
    assert [s.cells.shape for s in sources.read(tmp_path / "r.ods").sheets] == [(51, 2)]


def test_a_part_in_an_encoding_that_does_not_exist_is_refused(tmp_path):
    """XML 1.0, sec. 4.3.3: a processor that cannot read the encoding of an entity reports an error."""
    with zipfile.ZipFile(tmp_path / "r.xlsx", "w") as archive:
        archive.writestr("xl/workbook.xml", b'<?xml version="1.0" encoding="UTF-5"?><workbook/>')
    with pytest.raises(RecordError):
        safety.refuse_unsafe_workbook(tmp_path / "r.xlsx")


def test_a_workbook_that_keeps_the_reader_busy_is_left_and_the_reader_ended(workbook, monkeypatch):
    monkeypatch.setattr(workbooks, "MOST_SECONDS", 0)
    with pytest.raises(RecordError, match="takes far longer to read"):
        workbooks.read_cells(workbook)
    children = subprocess.run(
        ["ps", "--ppid", str(os.getpid()), "-o", "args="], check=True, capture_output=True, text=True
    )
    assert "sheet_process" not in children.stdout


def test_a_reader_that_dies_is_told_in_words(workbook, tmp_path, monkeypatch):
    for code, says in (("os.abort()", "or need more memory"), ("os._exit(3)", "cannot be read")):
        script = tmp_path / "dies.py"
        script.write_text(f"import os\n{code}\n")
        monkeypatch.setattr(workbooks, "SCRIPT", script)
        with pytest.raises(RecordError, match=says):
            workbooks.read_cells(workbook)


def test_days_times_and_spans_come_back_as_they_were_stored(tmp_path):
    stored = [
        datetime.date(2024, 2, 29),
        datetime.datetime(2024, 2, 29, 7, 5),
        datetime.time(7, 5),
        True,
        0.1,
    ]
    with xlsxwriter.Workbook(tmp_path / "d.xlsx") as book:
        sheet = book.add_worksheet("a")
        for i, (value, form) in enumerate(
            zip(stored, ("yyyy-mm-dd", "yyyy-mm-dd hh:mm", "hh:mm", "", ""), strict=True)
        ):
            sheet.write(0, i, value, book.add_format({"num_format": form}) if form else None)
    assert _read(tmp_path / "d.xlsx")[0].rows == [stored]
