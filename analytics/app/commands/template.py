"""`regrowth template FILE.xlsx`: an empty workbook to fill in, with drop-downs and a note on every header."""

import argparse
from collections.abc import Callable
from pathlib import Path

from analytics import records


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("file", type=Path, nargs="?", default=Path("register.xlsx"), help="where to write it")
    form = parser.add_mutually_exclusive_group()
    form.add_argument(
        "--one-sheet",
        action="store_true",
        help="one sheet, a row a planted zone with its counts: the least to type",
    )
    form.add_argument("--from", dest="filled", metavar="DATA", help="a sheet a table, filled with a register")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Write the workbook and say what comes next."""
    if options.filled:
        path = records.write(records.load(options.filled), options.file, kind="xlsx", by="template")
        say(f"Written: {path}, a sheet for each table. Add to it with: regrowth add {path} --patient CODE")
        return 0
    path = records.template(options.file, one_sheet=options.one_sheet)
    say(f"Written: {path}. Fill it in, then: regrowth check {path}")
    return 0
