"""Is this installation fit for use? Python, libraries, kernel, browser, folders, and the published examples.

Each finding says what was found and, where something is amiss, what to do. *mend* stops reports; *look*
takes a convenience away.
"""

import platform
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Literal

from packaging.requirements import Requirement

from analytics import published
from analytics.errors import AnalyticsError
from analytics.reports import NOTEBOOKS, PACKAGE, ROOT, find, folder, page, pages

OLDEST_PYTHON = (3, 11)
TINY = Path(__file__).parents[1] / "reports" / "templates" / "tiny.ipynb"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at: its state, what was found, what to do."""

    name: str
    state: Literal["ok", "look", "mend"]
    said: str
    action: str = ""

    def line(self) -> str:
        """Return the finding as one line."""
        return f"{self.state:<5} {self.name}: {self.said}{'; ' + self.action if self.action else ''}"


def run() -> Iterator[Finding]:
    """Look at everything, one finding after the other."""
    yield _python()
    yield _libraries()
    yield _pages()
    yield _folder("folder of reports", ROOT / "reports")
    place = folder()
    yield _folder("folder of kept fits", place) if place else Finding("kept fits", "ok", "switched off")
    yield _kernel()
    yield _browser()
    yield _fonts()
    yield _methods()


def _python() -> Finding:
    found = f"Python {platform.python_version()} on {platform.system()} {platform.machine()}"
    if sys.version_info[:2] < OLDEST_PYTHON:
        return Finding("Python", "mend", found, "install Python 3.11 or newer and make the environment again")
    return Finding("Python", "ok", found)


def _libraries() -> Finding:
    """Compare every installed library with the bounds the package declares."""
    wrong, count = [], 0
    for text in metadata.requires(PACKAGE) or []:
        needed = Requirement(text)
        if needed.marker is not None and not needed.marker.evaluate({"extra": ""}):
            continue
        count += 1
        try:
            version = metadata.version(needed.name)
        except metadata.PackageNotFoundError:
            wrong.append(f"{needed.name} is absent")
            continue
        if not needed.specifier.contains(version, prereleases=True):
            wrong.append(f"{needed.name} {version} is not {needed.specifier}")
    if wrong:
        return Finding("libraries", "mend", "; ".join(wrong), "install again with -c .ci/constraints.txt")
    return Finding("libraries", "ok", f"{count} within their bounds")


def _pages() -> Finding:
    known = pages()
    if not known:
        return Finding("pages", "mend", "no notebooks found", "install the package from its folder with -e")
    return Finding("pages", "ok", f"{len(known)} pages in {NOTEBOOKS}")


def _folder(name: str, place: Path) -> Finding:
    try:
        place.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=place):
            pass
    except OSError:
        return Finding(
            name, "mend", f"cannot be written: {place}", "choose another folder or mend its rights"
        )
    return Finding(name, "ok", f"{place} can be written")


def _kernel() -> Finding:
    """Render a page of one line, by the way every report takes."""
    with tempfile.TemporaryDirectory(prefix="rw-self-", ignore_cleanup_errors=True) as out:
        try:
            page(str(TINY), "", out, timeout=60)
        except AnalyticsError as error:
            return Finding("kernel", "mend", str(error), "see the README, section on trouble")
    return Finding("kernel", "ok", "starts, calculates and stops")


def _browser() -> Finding:
    found = find()
    if found is None:
        return Finding(
            "browser",
            "look",
            "none found",
            "for PDF files install Chromium, Chrome or Edge; all else works without",
        )
    return Finding("browser", "ok", f"{found} prints PDF files")


def _fonts() -> Finding:
    from matplotlib import font_manager

    names = {font.name for font in font_manager.fontManager.ttflist}
    if "DejaVu Sans" not in names:
        return Finding(
            "fonts", "look", "DejaVu Sans is absent", "install matplotlib again; its fonts are missing"
        )
    return Finding("fonts", "ok", "the font that pictures are measured with is there")


def _methods() -> Finding:
    found = published.run()
    failed = sorted(found.loc[~found["passed"], "check"].unique())
    said = published.sentence(found)
    if failed:
        return Finding(
            "methods", "mend", said, f"not reproduced: {', '.join(failed)}; do not use until mended"
        )
    return Finding("methods", "ok", said)
