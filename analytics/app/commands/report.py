"""`regrowth report PAGE DATA --set name=value`: make one report."""

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from tqdm import tqdm

from analytics.errors import ParameterError
from analytics.reports import (
    FORMATS,
    TIMEOUT_SECONDS,
    described,
    page,
    pages,
    said,
    without_answer,
    write,
)

WITHOUT_ANSWER = 3  # the exit code of a report that was made, with sections without an answer


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("page", help=f"one of {', '.join(pages())}, or a notebook of your own")
    parser.add_argument("data", nargs="?", default="", help="folder of tables, workbook or DuckDB file")
    parser.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", help="a setting of the page"
    )
    parser.add_argument("--out", type=Path, default=Path("reports"), help="folder of reports (reports)")
    parser.add_argument("--label", default="", help="tells reports of one page apart")
    parser.add_argument("--formats", default="html", help=f"any of {','.join(FORMATS)} (html)")
    parser.add_argument("--timeout", type=int, default=TIMEOUT_SECONDS, help="seconds for one step")
    parser.add_argument("--settings", action="store_true", help="list the settings of the page and stop")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Make the report and say where it lies."""
    if options.settings:
        for setting in described(options.page):
            say(f"{setting['name']:<18}{setting['help']} (default: {setting['default'] or 'not set'})")
        return 0
    given = pairs(options.set)
    if given.get("audience") == "patient":
        return _handout(options, given, say)
    with tqdm(total=1, unit="step", disable=not sys.stderr.isatty(), leave=False) as bar:

        def moved(step: int, steps: int) -> None:
            bar.total = steps
            bar.update(step - bar.n)

        report = page(
            options.page,
            options.data,
            options.out,
            formats=tuple(part for part in options.formats.split(",") if part),
            label=options.label,
            timeout=options.timeout,
            as_text=True,
            progress=moved,
            **given,
        )
    out = options.out.resolve()
    write(out)
    for line in (report.answer, *(f"Needs attention: {text}" for text in report.attention), *report.notes):
        say(line)
    if said(out):
        say(said(out))
    for kind, place in report.files.items():
        if kind not in ("results", "run"):
            say(f"{kind}: {place}")
    return told(report.unanswered, report.defects, report.name, say)


def _handout(options: argparse.Namespace, given: dict[str, Any], say: Callable[[str], None]) -> int:
    """Make the page that a patient takes home, which is no report: nothing lies beside it."""
    # Imported here: the pages' words and pictures take a second that a report's own process spends again.
    from analytics.pages import handout

    handout.refuse_other_pages(options.page)
    wanted = {name: value for name, value in given.items() if name != "audience"}
    formats = tuple(part for part in options.formats.split(",") if part)
    made = handout.write(options.data, options.out, formats=formats, label=options.label, **wanted)
    say("A handout, for this patient alone. Read it before you hand it over.")
    for kind, place in made.items():
        say(f"{kind}: {place}")
    return 0


def told(unanswered: Sequence[str], defects: Sequence[str], name: str, say: Callable[[str], None]) -> int:
    """Say which sections have no answer; return 0 for none, 3 for some, 1 where a defect is the reason."""
    if not unanswered:
        return 0
    say(f"{without_answer(len(unanswered))}: {'; '.join(unanswered)}.")
    if not defects:
        return WITHOUT_ANSWER
    say(
        f"{len(defects)} of them for a defect of the package, not of your records: details.txt in the folder "
        f"failed/{name} helps to find it, and may hold values of records: do not send it on unread."
    )
    return 1


def pairs(given: list[str]) -> dict[str, Any]:
    """Return `--set name=value` as names and texts; a value may hold further equal signs.

    Raises
    ------
    ParameterError
        When an entry has no equal sign, or a name comes twice.
    """
    out: dict[str, Any] = {}
    for entry in given:
        name, sign, value = entry.partition("=")
        if not sign or not name:
            raise ParameterError(
                "--set: expected name=value; the settings of a page: regrowth report PAGE --settings"
            )
        if name in out:
            raise ParameterError(f"--set {name}: given twice; give it once")
        out[name] = value
    return out
