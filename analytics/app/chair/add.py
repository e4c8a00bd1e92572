"""`regrowth add DATA`: enter a follow-up or a session at the chair, correct a row, take an entry back."""

import argparse
import getpass
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from analytics import entry
from analytics.app.chair import asked
from analytics.errors import ParameterError
from analytics.identifiers import code

MORE = """
examples
  regrowth add register.xlsx                          asks for everything, with what was last used
  regrowth add register --key-file clinic.key         asks for the chart number; only its code is kept
  regrowth add register --patient 0001 --month 18 --count crown=47 --count hairline=62 --yes
  regrowth add register --session                     a new session and its planted zones
  regrowth add register --correct measurements        a cell that was typed wrongly
  regrowth add register --history                     the entries made
  regrowth add register --undo                        take the last one back

Months are counted from the person's latest session. Neither dates nor chart numbers are stored.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("data", help="folder of CSV or Parquet files, .xlsx workbook or DuckDB file")
    parser.add_argument("--patient", default="", help="code of the patient; asked for if not given")
    parser.add_argument(
        "--key-file", type=Path, help="the clinic's key: the chart number is asked for instead"
    )
    parser.add_argument("--month", default="", help="months since the latest session")
    parser.add_argument("--count", action="append", default=[], metavar="ZONE=HAIRS", help="hairs counted")
    parser.add_argument("--field", default="", help="area of one field in cm2, if not the last one")
    parser.add_argument("--fields", default="", help="fields counted, if not the last number")
    parser.add_argument("--set", action="append", default=[], metavar="COLUMN=VALUE", dest="cells",
                        help="another cell of the counts or of the visit")  # fmt: skip
    parser.add_argument("--yes", action="store_true", help="write without asking")
    parser.add_argument("--state", default="", help="state folder, if not beside the register")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--session", action="store_true", help="enter a new session and its planted zones")
    what.add_argument("--correct", metavar="TABLE", default="", help="correct a row of a table")
    what.add_argument(
        "--undo", nargs="?", type=int, const=0, metavar="N", help="take an entry back (the last)"
    )
    what.add_argument("--history", action="store_true", help="list the entries made")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Do what was asked and say what was written."""
    if options.history:
        for made in entry.history(options.data, kept_in=options.state):
            back = f", taken back by {made.taken_back_by}" if made.taken_back_by else ""
            say(f"{made.number}  {made.at}  {made.kind}  {len(made.changes)} rows{back}")
        return 0
    if options.undo is not None:
        made = entry.undo(options.data, options.undo or None, kept_in=options.state)
        say(f"Entry {made.takes_back} was taken back: {len(made.changes)} rows.")
        return 0
    case = entry.case_of(options.data, _patient(options))
    kind, changes = _asked(options, case, say)
    found = entry.look(case, changes)
    for line in asked.read_back(changes, case):
        say(line)
    for problem in (*found.problems, *found.warnings):
        say(f"  {'To mend' if problem in found.problems else 'To look at'}: {problem.sentence()}")
    if not found.is_usable:
        say("Nothing was written.")
        return 2
    if not (options.yes or asked.yes("Write this?")):
        say("Nothing was written.")
        return 1
    made = entry.record(options.data, changes, kind=kind, kept_in=options.state)
    say(f"Written as entry {made.number}. To take it back: regrowth add {options.data} --undo {made.number}")
    return 0


def _patient(options: argparse.Namespace) -> str:
    """Return the code of the person; a chart number is asked for without being shown, and not kept."""
    if options.key_file:
        number = getpass.getpass("Chart number: ") if sys.stdin.isatty() else sys.stdin.readline()
        return code(number, options.key_file)
    return options.patient or asked.line("Code of the patient")


def _asked(
    options: argparse.Namespace, case: entry.Case, say: Callable[[str], None]
) -> tuple[str, tuple[entry.Change, ...]]:
    if options.session or case.is_new:
        return "session", asked.session(case, say)
    if options.correct:
        return "correction", asked.correction(case, options.correct, say)
    cells = _pairs(options.cells, "--set")
    if options.count or options.month:
        return "follow-up", _given(options, case, cells)
    return "follow-up", asked.follow_up(case, cells, say)


def _given(options: argparse.Namespace, case: entry.Case, cells: dict[str, str]) -> tuple[entry.Change, ...]:
    """Return the rows of a follow-up given on the command line."""
    counts = [
        entry.Count(
            asked.place(case, zone),
            asked.number(hairs, f"--count {zone}"),
            asked.number(options.field or "0", "--field"),
            int(asked.number(options.fields or "0", "--fields")),
        )
        for zone, hairs in _pairs(options.count, "--count").items()
    ]
    if not options.month:
        raise ParameterError("--month: months since the latest session; give it with --count")
    of_counts, of_visit = asked.parted(cells)
    month = asked.number(options.month, "--month")
    return entry.follow_up(case, month, counts, cells=of_counts, visit=of_visit)


def _pairs(given: Sequence[str], option: str) -> dict[str, str]:
    """Return NAME=VALUE pairs as a mapping."""
    out = {}
    for pair in given:
        name, sign, value = pair.partition("=")
        if not sign:
            raise ParameterError(f"{option}: write a name, an equals sign and a value, such as crown=47")
        out[name.strip()] = value.strip()
    return out
