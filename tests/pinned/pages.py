"""The numbers of a page without kernel, pictures or files: its notebook run as plain Python.

All that the pins know of the package stands here. A page's notebook falls into two parts: what is asked, up
to the call that hands the results over, and what is written from them. The first part runs once and serves
every audience; the second runs for each, with the results protected for it, and the pictures and tables left
undrawn. What a page may show is then collected as its `results.json` holds it.
"""

import ast
import contextlib
import dataclasses
import json
import os
from collections.abc import Iterator
from typing import Any
from unittest import mock

from analytics.errors import AnalyticsError
from analytics.pages import blocks, content, tables
from analytics.pages import page as writing
from analytics.reports import parameters
from analytics.reports.record import CORES_VARIABLE
from analytics.results import Result

AUDIENCES = ("internal", "shared", "public")
HANDS_OVER, FIRST_WRITTEN, LAST = "results", "answer", "finish"  # calls by which a notebook is cut


@dataclasses.dataclass(frozen=True)
class Shown:
    """One page for one audience: what `results.json` holds, and the results it was made from.

    `refused` is the kind of error where the page refuses; content and results are then empty.
    """

    content: dict[str, Any]
    results: dict[str, Result]
    refused: str = ""


def names() -> list[str]:
    """Return the names of the pages that make a report, in order."""
    return parameters.pages()


def shown(page: str, settings: dict[str, Any]) -> dict[str, Shown]:
    """Return the page for each audience; what is asked of the records is computed once."""
    before, after = _parts(page)
    with _undrawn():
        try:
            made = _ran(before, dict(settings))
        except AnalyticsError as error:
            return {audience: _refused(error) for audience in AUDIENCES}
        return {audience: _written(page, settings, audience, dict(made), after) for audience in AUDIENCES}


def _parts(page: str) -> tuple[list[ast.stmt], list[ast.stmt]]:
    """Return a notebook's statements up to the handing over of its results, and those after."""
    cells = json.loads(parameters.notebook(page).read_text(encoding="utf-8"))["cells"]
    code = [c for c in cells if c["cell_type"] == "code"]
    steps = [step for c in code for step in ast.parse("".join(c["source"])).body]
    calls = [_called(step) for step in steps]
    at = next((i + 1 for i, called in enumerate(calls) if HANDS_OVER in called), None)
    if at is None:
        at = next(i for i, called in enumerate(calls) if FIRST_WRITTEN in called)
    after = [step for step, called in zip(steps[at:], calls[at:], strict=True) if LAST not in called]
    return steps[:at], after


def _called(step: ast.stmt) -> set[str]:
    """Return the names of the functions that a statement calls by way of a module."""
    calls = (node.func for node in ast.walk(step) if isinstance(node, ast.Call))
    return {func.attr for func in calls if isinstance(func, ast.Attribute)}


def _ran(steps: list[ast.stmt], made: dict[str, Any]) -> dict[str, Any]:
    """Run statements on the names given and return all names; a setting that is given keeps its value."""
    for step in steps:
        if isinstance(step, ast.AnnAssign) and isinstance(step.target, ast.Name) and step.target.id in made:
            continue
        exec(compile(ast.Module([step], type_ignores=[]), "<page>", "exec"), made)
    return made


def _written(
    page: str, settings: dict[str, Any], audience: str, made: dict[str, Any], after: list[ast.stmt]
) -> Shown:
    """Write the page for an audience from what was asked."""
    name, asked = next((k, v) for k, v in made.items() if isinstance(v, writing.Page))
    try:
        chosen = parameters.checked(page, {**settings, "audience": audience})
        blank = dataclasses.replace(asked, settings=chosen, results={}, written=[])
        made[name] = writing.results(blank, **asked.results) if asked.results else blank
        done = _ran(after, {**made, "audience": audience})[name]
    except AnalyticsError as error:
        return _refused(error)
    _raise_defects({**asked.results, **done.results})
    return Shown(content.collect(page, audience, done.results, done.written, {}), done.results)


def _raise_defects(results: dict[str, Result]) -> None:
    """Fail where a page has a section without an answer because the package failed: no pin holds that."""
    for name, result in results.items():
        if result.gap is not None and result.gap.is_defect:
            raise AssertionError(f"{name}: {result.gap.why}\n{result.gap.details}")


def _refused(error: AnalyticsError) -> Shown:
    return Shown({}, {}, refused=type(error).__name__)


@contextlib.contextmanager
def _undrawn() -> Iterator[None]:
    """Leave pictures and tables undrawn, show nothing, and start no helper process."""
    with (
        mock.patch.dict(os.environ, {CORES_VARIABLE: "1"}),
        mock.patch.object(blocks, "figure_block", return_value=""),
        mock.patch.object(tables, "show", return_value=""),
        mock.patch.object(writing, "display"),
    ):
        yield
