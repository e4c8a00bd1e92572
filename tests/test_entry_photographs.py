"""Photographs on the clinic's disk: names made of codes noted, nothing copied, shown only with consent."""

import datetime
import urllib.error
import urllib.request
from pathlib import Path

import pytest
import records_small
from PIL import Image

from analytics import entry, records
from analytics.__main__ import main
from analytics.app.chair import timeline
from analytics.errors import ParameterError

PATTERN = "{patient}_{session}_{zone}_{view}_m{month}"


def _picture(place: Path, day: datetime.date | None = None) -> Path:
    image = Image.new("RGB", (8, 8), "grey")
    notes = image.getexif()
    if day:
        notes.get_ifd(0x8769)[36867] = day.strftime("%Y:%m:%d 10:00:00")
    image.save(place, exif=notes)
    return place


@pytest.fixture
def register(tmp_path):
    return records_small.save(records_small.small(), tmp_path / "register")


@pytest.fixture
def pictures(tmp_path):
    folder = tmp_path / "pictures"
    folder.mkdir()
    for name in (
        "0002_0002-1_frontal_top_m9",
        "0002_0002-1_frontal_top_m0",
        "jane_doe",
        "0077_0077-1_crown_top_m3",
    ):
        _picture(folder / f"{name}.jpg")
    return folder


def test_names_of_codes_are_noted_and_others_set_aside(register, pictures, capsys):
    given = [
        "import",
        "photographs",
        str(pictures),
        str(register),
        "--pattern",
        PATTERN,
        "--consent",
        "--yes",
    ]
    assert main(given) == 0
    rows = records.load(register).photographs.iloc[1:]
    assert rows["month"].tolist() == [0, 9]
    assert rows["file"].tolist() == ["0002_0002-1_frontal_top_m0", "0002_0002-1_frontal_top_m9"]
    said = capsys.readouterr().out
    assert "1 because: its name does not follow the pattern" in said
    assert "1 because: its name holds no patient and session of the register" in said
    assert main(given) == 0
    assert len(records.load(register).photographs) == 3
    kept = b"".join(
        p.read_bytes() for p in register.parent.rglob("*") if p.is_file() and pictures not in p.parents
    )
    assert b"jane_doe" not in kept


def test_a_month_comes_from_the_day_the_camera_noted_and_the_start_of_the_register(register, tmp_path):
    folder = tmp_path / "pictures"
    folder.mkdir()
    # The session of 0002 lies in register month 5: with a register begun in January 2021, May 2021.
    _picture(folder / "0002_crown.jpg", datetime.date(2022, 2, 15))
    without = entry.read_folder(register, folder, "{patient}_{zone}")
    assert without.rows["fate"].tolist() == ["set aside"]
    found = entry.read_folder(register, folder, "{patient}_{zone}", begins=(2021, 1))
    assert found.changes[0].becomes["month"] == "9"
    assert "2022" not in str(found.changes)


def test_only_pictures_with_consent_are_shown_and_only_under_their_address(register, pictures):
    noted = entry.read_folder(register, pictures, PATTERN)
    entry.record(register, noted.changes, kind="photographs")
    with pytest.raises(ParameterError, match="consent"):
        timeline.shelf(register, pictures, "0002")
    entry.undo(register)
    entry.record(
        register, entry.read_folder(register, pictures, PATTERN, consent="True").changes, kind="photographs"
    )
    shown = timeline.shelf(register, pictures, "0002")
    assert shown.page.decode().index("month 0") < shown.page.decode().index("month 9")
    assert b"0002_0002-1" not in shown.page
    address = timeline.serve(shown)
    token = next(iter(shown.pictures))
    assert urllib.request.urlopen(f"{address}{token}").read() == shown.pictures[token].read_bytes()
    for wrong in (f"{address}else", address.rsplit("/", 2)[0] + "/", f"{address}../../etc/passwd"):
        with pytest.raises(urllib.error.HTTPError):
            urllib.request.urlopen(wrong)


def test_a_pattern_that_tells_no_patient_is_refused(register, pictures):
    with pytest.raises(ParameterError, match="pattern"):
        entry.read_folder(register, pictures, "{zone}_{when}")
