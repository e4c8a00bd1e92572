"""How a report is laid out, and the one way to HTML: Jinja2 templates filled, every value escaped.

The cells of a notebook before its first second-level heading are the first screen; each such heading opens a
fold, whose line is the heading with the short answer that the page gives first (`pages.lead`). A mark in the
metadata of an output says where it belongs:

- slot: `strip` (above the question), `answer`, `numbers` (under the answer), `aside` (beside the picture),
  `made` (the last fold), `words` (the one before it), `foot`. Without a slot it stays where it was written.
- lead: a short answer; the first of a fold moves to its line.
- failed: the checks that a shown result did not pass, each with what it is `of` and what that `says` to the
  reader; its fold names them, and the first to name one is open and says it: on its words, with figures and
  tables one line further down, so that a page of few data stays short.
- foot_line: what every printed page repeats.

A link to a fold opens it without a script: browsers reveal the target of a link inside a closed `details`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from analytics.reports.record import MARK

if TYPE_CHECKING:
    # Loaded where a notebook is laid out: it takes two seconds, and every command fills templates.
    import nbformat
    from jinja2 import Environment

TEMPLATES = Path(__file__).parent / "templates"
SLOTS = ("strip", "answer", "numbers", "aside", "made", "words", "foot")
MADE = "How was this made?"  # the last fold
WORDS = "What do the words mean?"
HEADING = re.compile(r"^(#{1,2}) +(.+?) *#*$", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Piece:
    """One cell with at most one output, or the text under a heading; `heading` is of level 1 or 2."""

    cell: nbformat.NotebookNode | None
    mark: Mapping[str, Any] = field(default_factory=dict)
    heading: str = ""
    level: int = 0


@dataclass(slots=True)
class Fold:
    """One question of a page: its line, and what opens beneath."""

    title: str
    short: str = ""
    failed: dict[str, list[str]] = field(default_factory=dict)  # what of, by check
    means: dict[str, str] = field(default_factory=dict)  # what it means for the reader, by check
    words: list[str] = field(default_factory=list)  # text before the first figure or table
    inside: list[str] = field(default_factory=list)

    @property
    def checks(self) -> str:
        """Return the checks that did not pass, each with what it is of."""
        return "; ".join(f"{c} ({', '.join(of)})" if of else c for c, of in self.failed.items())

    @property
    def id(self) -> str:
        """Return the address of the fold: its words, joined by dashes."""
        return re.sub(r"[^a-z0-9]+", "-", self.title.lower()).strip("-")


def pieces(notebook: nbformat.NotebookNode) -> list[Piece]:
    """Return a notebook as headings, texts and single outputs, in order."""
    from nbformat.v4 import new_code_cell

    out: list[Piece] = []
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            out += _of_text(cell.source)
        elif cell.cell_type == "code":
            for output in cell.outputs:
                mark = output.get("metadata", {}).get(MARK, {})
                out.append(Piece(new_code_cell(outputs=[output]), mark))
    return out


def _of_text(source: str) -> list[Piece]:
    from nbformat.v4 import new_markdown_cell

    out, at = [], 0
    for found in HEADING.finditer(source):
        out.append(Piece(new_markdown_cell(source[at : found.start()])))
        out.append(Piece(None, heading=found.group(2), level=len(found.group(1))))
        at = found.end()
    out.append(Piece(new_markdown_cell(source[at:])))
    return [p for p in out if p.cell is None or p.cell.source.strip()]


def document(
    title: str, laid: Sequence[Piece], html: Sequence[str], links: Mapping[str, str], named: str
) -> str:
    """Return the report: the first screen, the folds, the foot.

    Parameters
    ----------
    title
        The page's question.
    laid, html
        The pieces, and the HTML of each; a heading's is not looked at.
    links
        Address by word, at the foot.
    named
        Name of the report, for the files its tables are saved as.
    """
    slots: dict[str, list[str]] = {slot: [] for slot in (*SLOTS, "main")}
    folds: list[Fold] = []
    foot_line = ""
    for piece, written in zip(laid, html, strict=True):
        if piece.cell is None:
            folds += [Fold(piece.heading)] if piece.level > 1 else []
            continue
        foot_line = piece.mark.get("foot_line", foot_line)
        _set(piece.mark, written, slots, folds, is_text=piece.cell.cell_type == "markdown")
    shown = [fold for fold in folds if fold.inside or fold.words]
    if not slots["answer"]:  # a notebook of one's own, which says nothing for a first screen, is read on
        for fold in shown:
            head = Markup('<h2 id="{}">{}</h2>').format(fold.id, fold.title)
            slots["main"] += [head, *fold.words, *fold.inside]
        shown = []
    if slots["words"]:
        shown.append(Fold(WORDS, inside=slots["words"]))
    if slots["made"]:
        shown.append(Fold(MADE, inside=slots["made"]))
    text = filled(
        "document",
        title=title,
        slots={slot: Markup("\n".join(parts)) for slot, parts in slots.items()},
        folds=[
            {"id": f.id, "title": f.title, "short": f.short, "failed": f.checks,
             "means": [f.means[check] for check in first if f.means[check]],
             "is_open": bool(first), "words": Markup("\n".join(f.words)),
             "inside": Markup("\n".join(f.inside))}
            for f, first in zip(shown, _first_named(shown), strict=True)
        ],
        links={"What the words mean": f"#{Fold(WORDS).id}", **links} if slots["words"] else links,
        named=named,
        foot_line=_css_string(foot_line),
    )  # fmt: skip
    return re.sub(r"\n\s*\n+", "\n", text)


def _first_named(folds: Sequence[Fold]) -> list[list[str]]:
    """Return by fold the failed checks that no fold before it has named: it opens by itself to say them."""
    said: set[str] = set()
    first = []
    for fold in folds:
        first.append([check for check in fold.failed if check not in said])
        said.update(fold.failed)
    return first


def _set(
    mark: Mapping[str, Any], written: str, slots: dict[str, list[str]], folds: list[Fold], *, is_text: bool
) -> None:
    """Put one piece where it belongs."""
    if not written.strip():
        return
    slot = mark.get("slot", "")
    in_fold = bool(folds) and slot not in ("strip", "answer", "made", "words", "foot")
    if not in_fold:
        slots[slot or "main"].append(written)
        return
    fold = folds[-1]
    for check, known in mark.get("failed", {}).items():
        named = fold.failed.setdefault(check, [])
        named += [one for one in known["of"] if one not in named]
        fold.means[check] = known["says"]
    if "lead" in mark and not fold.short and not mark.get("stays"):
        fold.short = str(mark["lead"])
        return
    (fold.inside if fold.inside or not (is_text or "lead" in mark) else fold.words).append(written)


def _css_string(text: str) -> Markup:
    """Return a text as a string of a style sheet; everything but plain letters is written by its number."""
    return Markup("".join(c if c.isalnum() or c in " .,:;·" else f"\\{ord(c):06x}" for c in text))


def filled(template: str, **values: Any) -> Markup:
    """Return a template of `templates/` filled with values; what is no `Markup` already is escaped.

    Parameters
    ----------
    template
        Its path in the folder, without `.html.j2`.
    values
        What it names; a name it does not get is an error.

    Returns
    -------
    Markup
        HTML.

    Examples
    --------
    >>> str(filled("blocks/lead", sentence="Yield & zone"))
    '<p class="rw-lead">Yield &amp; zone</p>'
    """
    return Markup(_environment().get_template(f"{template}.html.j2").render(**values))


@lru_cache(maxsize=1)
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
