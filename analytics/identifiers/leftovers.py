"""What a spreadsheet or folder leaves behind beside its cells: hidden sheets, remarks, authors, pictures.

A workbook's parts are read as XML text from the zip, after the reader has looked it over (`records.safety`);
nothing is executed. A photograph beside the tables is found by its name, and whether it says place, time or
device by its EXIF block.
"""

import html
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from analytics.dictionary import TABLES, note, zones
from analytics.errors import Problem
from analytics.identifiers.patterns import kind_of

PICTURES = (
    ".jpg",
    ".jpeg",
    ".png",
    ".heic",
    ".heif",
    ".tif",
    ".tiff",
    ".bmp",
    ".gif",
    ".webp",
    ".dcm",
    ".mp4",
    ".mov",
)
# What programs write as the author of a workbook when no person did.
PROGRAMS = ("", "openpyxl", "xlsxwriter", "apache poi", "unknown", "microsoft office user")
EXIF_MARKS = (b"Exif\x00\x00", b"eXIf", b"ftypheic", b"ftypmif1", b"II*\x00", b"MM\x00*")
HEAD_BYTES = 2**17


@dataclass(frozen=True, slots=True)
class Leftover:
    """One kind of leftover: its name for letting it through, how many, and a remark on them."""

    name: str
    count: int
    remark: str = ""


def scan(place: Path, *, allowed: Mapping[str, str] | None = None) -> list[Problem]:
    """Return what a workbook, or the pictures in a folder, would give away; never a value.

    Parameters
    ----------
    place
        A workbook, or a folder of tables.
    allowed
        `workbook.hidden_sheets`, `folder.pictures` and so on, to the clinic's reason for letting it through.
    """
    if place.is_dir():
        leftovers, where = _folder(place), "folder"
    elif zipfile.is_zipfile(place):
        leftovers, where = workbook(place), "workbook"
    else:
        leftovers, where = _file_name(place), "file"
    return [_problem(where, leftover, dict(allowed or {})) for leftover in leftovers]


def workbook(path: Path) -> list[Leftover]:
    """Return the leftovers of an .xlsx file."""
    with zipfile.ZipFile(path) as archive:
        names = archive.namelist()
        if "xl/workbook.xml" not in names:
            return []
        book = archive.read("xl/workbook.xml")
        sheets = [archive.read(n) for n in names if re.fullmatch(r"xl/worksheets/[^/]+\.xml", n)]
        core = archive.read("docProps/core.xml") if "docProps/core.xml" in names else b""
        remarks = [
            archive.read(n) for n in names if re.search(r"(?:^|/)(?:threaded)?comment[^/]*\.xml$", n, re.I)
        ]
    counts = {
        "hidden_sheets": len(re.findall(rb"<sheet\b[^>]*\bstate=\"(?:hidden|veryHidden)\"", book)),
        "hidden_rows_or_columns": sum(
            len(re.findall(rb"<(?:row|col)\b[^>]*\bhidden=\"(?:1|true)\"", xml)) for xml in sheets
        ),
        "comments": sum(_foreign_remarks(xml) for xml in remarks),
        "author": _authors(core),
        "defined_names": sum(
            not m.group(1).startswith(b"_xlnm.")
            for m in re.finditer(rb"<definedName\b[^>]*\bname=\"([^\"]*)\"", book)
        ),
        "pictures": sum(n.startswith("xl/media/") for n in names),
        "links_to_files": sum(bool(re.fullmatch(r"xl/externalLinks/[^/]+\.xml", n)) for n in names),
        "own_properties": sum(n == "docProps/custom.xml" for n in names),
    }
    return [Leftover(name, count) for name, count in counts.items() if count] + _file_name(path)


LET_THROUGH = 'or let it through: write "table.column" = "the reason" under [allow] in privacy.toml'
# One, several, what to do.
WORDS = {
    "hidden_sheets": ("hidden sheet", "hidden sheets", "show and delete it, or make it a table of its own"),
    "hidden_rows_or_columns": ("hidden row or column", "hidden rows or columns", "show and delete it"),
    "comments": ("remark on a cell", "remarks on cells", "delete the remarks"),
    "author": (
        "author in the properties",
        "authors in the properties",
        "remove personal properties on saving",
    ),
    "defined_names": (
        "name defined for cells",
        "names defined for cells",
        "delete the names, which hold texts",
    ),
    "pictures": ("picture in the workbook", "pictures in the workbook", "delete the pictures"),
    "links_to_files": ("link to another file", "links to other files", "break the links, which hold paths"),
    "own_properties": ("list of own properties", "lists of own properties", "delete the own properties"),
    "photographs": ("picture beside the tables", "pictures beside the tables", "move pictures elsewhere"),
    "file_name": ("file name that speaks of a person", "", "give the file a name without a person's"),
}
ABOUT_A_PERSON = ("name", "email", "phone", "national", "record")


def _foreign_remarks(xml: bytes) -> int:
    """Return how many remarks of a part are not the notes that the empty workbook puts on its headers."""
    notes = {"".join(note(c).split()) for t in (*TABLES.values(), zones.table()) for c in t.asked()}
    text = xml.decode("utf-8", "replace")
    remarks = re.findall(r"<comment\b.*?</comment>", text, re.S)
    texts = (html.unescape("".join(re.findall(r"<t\b[^>]*>([^<]*)</t>", remark))) for remark in remarks)
    return sum("".join(words.split()) not in notes for words in texts) + text.count("<threadedComment ")


def _authors(core: bytes) -> int:
    people = re.findall(rb"<(?:dc:creator|cp:lastModifiedBy)[^>]*>([^<]*)<", core)
    return sum(p.decode("utf-8", "replace").strip().casefold() not in PROGRAMS for p in people)


def _folder(folder: Path) -> list[Leftover]:
    pictures = [p for p in folder.iterdir() if p.is_file() and p.suffix.lower() in PICTURES]
    if not pictures:
        return []
    telling = sum(has_exif(p) for p in pictures)
    remark = f" ({telling} with place, time or device written inside)" if telling else ""
    return [Leftover("photographs", len(pictures), remark)]


def _file_name(path: Path) -> list[Leftover]:
    words = re.sub(r"[_.-]+", " ", path.stem)
    return [Leftover("file_name", 1)] if kind_of(words) in ABOUT_A_PERSON else []


def has_exif(path: Path) -> bool:
    """Tell whether a picture carries an EXIF block, where cameras write place, time and device."""
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    return any(mark in head for mark in EXIF_MARKS[:4]) or head.startswith(EXIF_MARKS[4:])


def _problem(where: str, leftover: Leftover, allowed: Mapping[str, str]) -> Problem:
    reason = allowed.get(f"{where}.{leftover.name}")
    one, several, action = WORDS[leftover.name]
    what = f"{leftover.count} {one if leftover.count == 1 else several}{leftover.remark}"
    if reason is not None:
        return let_through(where, leftover.name, leftover.count, None, reason, (what, ""))
    return Problem(
        where,
        leftover.name,
        leftover.count,
        None,
        "a file for the workbook holds its tables and nothing beside",
        f"{action}; {LET_THROUGH.replace('table.column', f'{where}.{leftover.name}')}",
        "error",
        f"leftover_{leftover.name}",
        (what, ""),
    )


def let_through(
    table: str, column: str, count: int, row: int | None, reason: str, what: tuple[str, str]
) -> Problem:
    """Return the warning that stands for a problem the clinic let through by name, with its reason."""
    rule, action = "let through by name", f"reason on record: {reason}"
    return Problem(table, column, count, row, rule, action, "warning", "identifier_let_through", what)
