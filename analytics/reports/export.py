"""The formats of a report, from the notebook run and `results.json`: HTML, notebook, workbook, LaTeX, PDF.

Figures as SVG and PNG, where asked for, were drawn with the page and are packed into one file.

HTML is one file: nothing is fetched when it is opened, and its policy forbids the browser to try. The
notebook keeps code and outputs, and loses times, machine paths and the record of its execution, so that
the same input gives the same bytes.
"""

import io
import json
import re
import shutil
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import nbformat
from nbconvert.exporters import HTMLExporter, TemplateExporter

from analytics import files
from analytics.errors import AnalyticsError
from analytics.reports import browser, layout, workbook
from analytics.reports.layout import TEMPLATES
from analytics.reports.record import DRAWINGS, FIGURES, RESULTS_FILE

EXECUTED = "executed.ipynb"
PAPERS = {"pdf": "A4", "letter.pdf": "letter"}
BETWEEN = "<!-- end of cell -->"


def formats(run: dict[str, Any], staging: Path) -> dict[str, Any]:
    """Make the formats a run asks for; return those made, and a sentence for each that could not be."""
    notebook = stripped(nbformat.read(staging / EXECUTED, as_version=4))
    (staging / EXECUTED).unlink()
    made, notes = [], []
    page = html(notebook, links=_links(run, staging), named=run["name"])
    target = staging / f"{run['name']}.html"
    if {"html", *PAPERS} & set(run["formats"]):
        files.write(target, page)
        made.append("html")
    if "ipynb" in run["formats"]:
        files.write(staging / f"{run['name']}.ipynb", nbformat.writes(notebook))
        made.append("ipynb")
    if "xlsx" in run["formats"]:
        workbook.write(staging / RESULTS_FILE, staging / f"{run['name']}.xlsx", title=title(notebook))
        made.append("xlsx")
    if "tex" in run["formats"]:
        workbook.write_latex(staging / RESULTS_FILE, staging / f"{run['name']}.tex", title=title(notebook))
        made.append("tex")
    if "tables.html" in run["formats"]:
        to = staging / f"{run['name']}.tables.html"
        workbook.write_html(staging / RESULTS_FILE, to, title=title(notebook))
        made.append("tables.html")
    made += _packed(run, staging)
    notes += _empty(run, staging, made)
    for kind in [kind for kind in PAPERS if kind in run["formats"]]:
        try:
            browser.pdf(target, staging / f"{run['name']}.{kind}", paper=PAPERS[kind])
            made.append(kind)
        except AnalyticsError as error:
            notes.append(str(error))
    return {"made": made, "notes": notes, "title": title(notebook)}


def _empty(run: dict[str, Any], staging: Path, made: list[str]) -> list[str]:
    """Return a sentence on formats that hold what a page hands over, where it hands nothing over."""
    content = json.loads((staging / RESULTS_FILE).read_text(encoding="utf-8"))
    hold = [
        kind for kind in run["formats"] if kind in ("xlsx", "tex", "tables.html") and not content["results"]
    ]
    hold += [FIGURES] if FIGURES in run["formats"] and FIGURES not in made else []
    if not hold:
        return []
    return [f"{', '.join(hold)}: empty, because the page hands nothing over (pages.results, pages.figure)"]


def _packed(run: dict[str, Any], staging: Path) -> list[str]:
    """Pack the figures that were asked for into one file; none where the page has no figure."""
    drawn = sorted((staging / DRAWINGS).glob("*"))
    if drawn:
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w") as packed:
            for path in drawn:  # without a time: the same figures are the same bytes
                packed.writestr(zipfile.ZipInfo(path.name), path.read_bytes(), zipfile.ZIP_DEFLATED)
        files.write(staging / f"{run['name']}.{FIGURES}", buffer.getvalue())
        shutil.rmtree(staging / DRAWINGS)
    return [FIGURES] if drawn else []


def _links(run: dict[str, Any], staging: Path) -> dict[str, str]:
    """Return what lies beside the report, by word."""
    words = {"Excel": "xlsx", "LaTeX": "tex", "Word processor": "tables.html", "Figures": FIGURES}
    asked = set(run["formats"]) - (set() if (staging / DRAWINGS).exists() else {FIGURES})
    beside = {word: f"{run['name']}.{kind}" for word, kind in words.items() if kind in asked}
    return {**beside, "All numbers (JSON)": RESULTS_FILE, "All reports": "../index.html"}


def html(notebook: nbformat.NotebookNode, *, links: Mapping[str, str] | None = None, named: str = "") -> str:
    """Return a notebook as one offline HTML file, without its code: first screen, folds, foot.

    Parameters
    ----------
    notebook
        The executed notebook.
    links
        Address by word of what lies beside the report.
    named
        Name of the report.
    """
    laid = layout.pieces(notebook)
    cells = [piece.cell for piece in laid if piece.cell is not None]
    written = iter(_written(nbformat.v4.new_notebook(cells=cells)))
    each = ["" if piece.cell is None else next(written) for piece in laid]
    return layout.document(title(notebook), laid, each, links or {}, named)


def _written(notebook: nbformat.NotebookNode) -> list[str]:
    """Return the HTML of each cell."""
    exporter = HTMLExporter(template_name="report", extra_template_basedirs=[str(TEMPLATES)])
    exporter.exclude_input = True
    exporter.exclude_input_prompt = True
    exporter.exclude_output_prompt = True
    exporter.exclude_anchor_links = True
    exporter.default_preprocessors = []  # none is wanted, and the notebook is validated after each
    # HTMLExporter reads the whole page again, to give images the alternatives that ours have: a second.
    text, _ = TemplateExporter.from_notebook_node(exporter, notebook, {"between": BETWEEN})
    return text.split(BETWEEN)[:-1]


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
