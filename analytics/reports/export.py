"""The formats of a report, all from the executed notebook and `results.json`: HTML, notebook, workbook, PDF.

HTML is one file: nothing is fetched when it is opened, and its policy forbids the browser to try. The
notebook keeps code and outputs, and loses times, machine paths and the record of its execution, so that
the same input gives the same bytes.

A system browser of the Chromium family: found, and used to print a page to a tagged PDF.

How a page looks: the two style sheets of the templates.
"""

import os
import re
import shutil
import subprocess
import sys
import tempfile
from functools import lru_cache
from pathlib import Path
from typing import Any

import nbformat
from nbconvert.exporters import HTMLExporter

from analytics import files
from analytics.errors import AnalyticsError
from analytics.reports.record import RESULTS_FILE
from analytics.reports.workbook import write

NAMES = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "microsoft-edge",
    "msedge",
)
PLACES = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
    r"C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe",
    r"C:\Program Files\Microsoft\Edge\Application\msedge.exe",
)
PRINT_SECONDS = 120
NO_BROWSER = (
    "The PDF was not made: no Chromium, Chrome or Edge was found on this computer. Install one of them, or "
    "open the HTML file and print it to PDF."
)
QUIET_FLAGS = (
    "--headless",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-extensions",
    "--disable-sync",
    "--no-default-browser-check",
    "--no-first-run",
)


def find() -> Path | None:
    """Return a browser of the Chromium family, or None."""
    for name in NAMES:
        found = shutil.which(name)
        if found:
            return Path(found)
    return next((Path(p) for p in PLACES if Path(p).exists()), None)


def flags() -> list[str]:
    """Return the flags for a quiet browser without a window; as root it cannot use its own sandbox."""
    is_root = sys.platform != "win32" and os.geteuid() == 0
    return [*QUIET_FLAGS, *(["--no-sandbox"] if is_root else [])]


def pdf(page: Path, target: Path) -> Path:
    """Print an HTML file to a tagged PDF.

    Raises
    ------
    AnalyticsError
        When no browser is found, or it does not print.
    """
    program = find()
    if program is None:
        raise AnalyticsError(NO_BROWSER)
    with tempfile.TemporaryDirectory(prefix="rw-print-", ignore_cleanup_errors=True) as profile:
        command = [
            str(program),
            *flags(),
            f"--user-data-dir={profile}",
            "--no-pdf-header-footer",
            "--export-tagged-pdf",
            "--generate-pdf-document-outline",
            f"--print-to-pdf={target}",
            page.resolve().as_uri(),
        ]
        try:
            subprocess.run(command, capture_output=True, timeout=PRINT_SECONDS, check=True)
        except (OSError, subprocess.SubprocessError):
            raise AnalyticsError(
                "The PDF was not made: the browser did not print the page. Open the HTML file and print it "
                "to PDF."
            ) from None
    if not target.exists():
        raise AnalyticsError(NO_BROWSER)
    target.chmod(0o600)
    return target


TEMPLATES = Path(__file__).parent / "templates"


@lru_cache(maxsize=1)
def parts() -> str:
    """Return the sheet of the page's parts: figures, tables, answer; used in JupyterLab and in the report."""
    return (TEMPLATES / "sheet" / "parts.css").read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def document() -> str:
    """Return the sheet of the whole document: measure, margins, headings, print."""
    return (TEMPLATES / "sheet" / "document.css").read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def overview() -> str:
    """Return the sheet of the front page of a folder of reports."""
    return (TEMPLATES / "sheet" / "overview.css").read_text(encoding="utf-8")


EXECUTED = "executed.ipynb"


def formats(run: dict[str, Any], staging: Path) -> dict[str, Any]:
    """Make the formats a run asks for; return those made, and a sentence for each that could not be."""
    notebook = stripped(nbformat.read(staging / EXECUTED, as_version=4))
    (staging / EXECUTED).unlink()
    made, notes = [], []
    page = html(notebook)
    target = staging / f"{run['name']}.html"
    if {"html", "pdf"} & set(run["formats"]):
        files.write(target, page)
        made.append("html")
    if "ipynb" in run["formats"]:
        files.write(staging / f"{run['name']}.ipynb", nbformat.writes(notebook))
        made.append("ipynb")
    if "xlsx" in run["formats"]:
        write(staging / RESULTS_FILE, staging / f"{run['name']}.xlsx", title=title(notebook))
        made.append("xlsx")
    if "pdf" in run["formats"]:
        try:
            pdf(target, staging / f"{run['name']}.pdf")
            made.append("pdf")
        except AnalyticsError as error:
            notes.append(str(error))
    return {"made": made, "notes": notes, "title": title(notebook)}


def html(notebook: nbformat.NotebookNode) -> str:
    """Return a notebook as one offline HTML file, without its code."""
    exporter = HTMLExporter(template_name="sheet", extra_template_basedirs=[str(TEMPLATES)])
    exporter.exclude_input = True
    exporter.exclude_input_prompt = True
    exporter.exclude_output_prompt = True
    exporter.exclude_anchor_links = True
    resources = {
        "sheet_title": title(notebook),
        "sheet_style": parts() + document(),
    }
    text, _ = exporter.from_notebook_node(notebook, resources)
    return re.sub(r"\n\s*\n+", "\n", text)


def title(notebook: nbformat.NotebookNode) -> str:
    """Return the page's question: its first heading."""
    for cell in notebook.cells:
        found = re.search(r"^#\s+(.+)$", cell.source, re.MULTILINE) if cell.cell_type == "markdown" else None
        if found:
            return found.group(1).strip()
    return "Report"


def stripped(notebook: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """Return the notebook without times, paths and the record of its execution.

    What a library printed is left out too: a warning names files of this machine.
    """
    notebook.metadata.pop("papermill", None)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.outputs = [o for o in cell.outputs if o.output_type != "stream"]
        for name in ("papermill", "execution"):
            cell.metadata.pop(name, None)
    for position, cell in enumerate(notebook.cells):
        # papermill gives its own cell a random id.
        cell["id"] = f"c{position}"
    return notebook
