"""Does a case summary or a handout of ten different patients hold anybody else, or a handout the code?

    nice python tests/bench/case_pages.py [--out FOLDER]

The demo's codes are replaced by words that stand nowhere else (`ZQ0108XW`), in every column that holds one,
so that a find is a find. For each of ten patients (failed, behind, ahead, one count, no count, two sessions,
no standard photograph, therapy, withdrawn) page 04 is made as HTML, PDF, Excel and notebook, and the handout
as HTML and PDF. Every file is searched, by name and content, inside compressed parts too: a summary for the
code of anybody else, a handout for any code. Each page is opened at 390 and 1280 pixels: sideways scroll,
requests, serious faults (axe-core), sheets of A4. Pictures lie in `--out`. A find ends with 1.
"""

import argparse
import io
import re
import sys
import tempfile
import zipfile
import zlib
from pathlib import Path

import pandas as pd
from playwright.sync_api import sync_playwright

from analytics.__main__ import main as regrowth
from analytics.reports import browser

sys.path.insert(0, str(Path(__file__).parents[1]))
import seen

DATA = Path(__file__).parents[2] / "data_demo"
SITUATIONS = {
    "0108": "failed hairline, two sessions",
    "0173": "failed crown",
    "0038": "behind",
    "0022": "ahead",
    "0192": "one count",
    "0030": "no count after the session",
    "0001": "two sessions, therapy ended",
    "0144": "no standard photograph",
    "0005": "therapy",
    "0002": "withdrawn, woman",
}
CODE = re.compile(rb"ZQ\d{4}XW", re.IGNORECASE)
STREAM = re.compile(rb"stream\r?\n(.*?)endstream", re.DOTALL)
MM, SHEET_MM = 96 / 25.4, 270  # pixels; what the margins leave of A4
SIZES = (seen.DESK, seen.TELEPHONE)


def word(code: str) -> str:
    """Return the word that stands for a code."""
    return f"ZQ{code}XW"


def relabelled(folder: Path) -> Path:
    """Write the demo with words for codes, and its schedule; return the folder."""
    folder.mkdir()
    (folder / "criteria.toml").write_bytes((DATA / "criteria.toml").read_bytes())
    for path in DATA.glob("*.csv"):
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        for column in table.columns.intersection(["patient_id", "session_id", "placement_id"]):
            table[column] = table[column].str.replace(r"^(\d{4})", r"ZQ\1XW", regex=True)
        table.to_csv(folder / path.name, index=False)
    return folder


def inside(path: Path) -> list[bytes]:
    """Return a file's name and content, and what its compressed parts hold."""
    raw = path.read_bytes()
    parts = [path.name.encode(), raw]
    if zipfile.is_zipfile(io.BytesIO(raw)):
        with zipfile.ZipFile(io.BytesIO(raw)) as packed:
            parts += [packed.read(name) for name in packed.namelist()]
    for packed in STREAM.findall(raw) if raw.startswith(b"%PDF") else []:
        try:
            parts.append(zlib.decompressobj().decompress(packed))
        except zlib.error:
            continue  # a picture, packed otherwise
    return parts


def codes(folder: Path) -> dict[str, set[str]]:
    """Return the codes found in each file of a folder, where there are any."""
    found = {}
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        if named := {hit.decode().upper() for part in inside(path) for hit in CODE.findall(part)}:
            found[path.name] = named
    return found


def looked_at(chromium, page: Path, picture: Path) -> list[str]:
    """Open a page on desk and telephone, keep its pictures; return what is wrong."""
    wrong = []
    for size in SIZES:
        shown, asked = seen.opened(chromium, page, size)
        width = shown.evaluate("document.documentElement.scrollWidth")
        shown.screenshot(path=f"{picture}_{size['width']}.png", full_page=True)
        wrong += [f"{size['width']}: {len(asked)} requests"] if asked else []
        wrong += [f"{size['width']}: {width} pixels wide"] if width > size["width"] else []
        wrong += [f"{size['width']}: {fault}" for fault in seen.serious(shown)]
        shown.close()
    return wrong


def on_paper(chromium, page: Path) -> str:
    """Return how high the part before the folds stands on paper, and the sheet it should fit."""
    shown = chromium.new_page(viewport={"width": round(190 * MM), "height": 1000})
    shown.goto(page.as_uri())
    shown.emulate_media(media="print")
    bottom = shown.evaluate("document.querySelector('.rw-main').getBoundingClientRect().bottom") / MM
    shown.close()
    return f"{bottom:.0f} of {SHEET_MM} mm on paper"


def sheets(pdf: Path) -> int:
    """Return how many pages a PDF has."""
    parts = b"\n".join(inside(pdf))
    return len(re.findall(rb"/Type\s*/Page\b", parts))


def made(data: Path, out: Path, code: str, *settings: str, formats: str) -> Path:
    """Make page 04 of a patient, by the command; return its folder."""
    given = [part for one in (f"patient={word(code)}", *settings) for part in ("--set", one)]
    label = f"case{list(SITUATIONS).index(code)}"
    asked = ["report", "04", str(data), "--out", str(out), "--formats", formats, "--label", label]
    regrowth([*asked, *given])  # a page with a section that has no answer is made all the same
    return next(p for p in out.iterdir() if p.is_dir() and p.name.endswith(label))


def main() -> int:
    """Make the pages of all ten, search and open them; print a line each."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=None, help="folder for pages and pictures")
    parser.add_argument("--only", nargs="*", default=list(SITUATIONS), help="codes of some of the ten")
    options = parser.parse_args()
    out = options.out or Path(tempfile.mkdtemp())
    data = relabelled(Path(tempfile.mkdtemp()) / "register")
    finds = 0
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=browser.find(), args=["--no-sandbox"])
        for code in options.only:
            own = {word(code)}
            summary = made(data, out / "summary", code, formats="html,pdf,xlsx,ipynb")
            handout = made(data, out / "handout", code, "audience=patient", formats="html,pdf")
            others = {name: found - own for name, found in codes(summary).items() if found - own}
            any_code = codes(handout)
            finds += len(others) + len(any_code)
            print(
                f"{code} {SITUATIONS[code]}: others {others or 'none'}; codes in handout {any_code or 'none'}"
            )
            for folder in (summary, handout):
                (page,) = folder.glob("*.html")
                wrong = looked_at(chromium, page, out / f"{code}_{folder.parent.name}")
                finds += len(wrong)
                n_sheets = sheets(page.with_suffix(".pdf"))
                high = on_paper(chromium, page) if folder == summary else ""
                print(f"  {folder.parent.name}: {n_sheets} sheets of A4, {high}; {wrong or 'sound'}")
            assert own <= set().union(*codes(summary).values()), "the search finds what is there"
        chromium.close()
    print(f"{finds} finds; pages and pictures in {out}")
    return 1 if finds else 0


if __name__ == "__main__":
    sys.exit(main())
