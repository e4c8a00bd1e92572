"""`regrowth template FILE.xlsx`: an empty workbook to fill in, with drop-downs and a note on every header."""

import argparse
from collections.abc import Callable
from pathlib import Path

from analytics import records


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("file", type=Path, nargs="?", default=Path("register.xlsx"), help="where to write it")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Write the workbook and say what comes next."""
    path = records.template(options.file)
    say(f"Written: {path}. Fill it in, then: regrowth check {path}")
    return 0
