"""`regrowth check DATA`: read the records, name every problem, print what was read and left out."""

import argparse
from collections.abc import Callable

from analytics import records


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("data", help="folder of tables, workbook, DuckDB file, or the URL of a database")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Print problems, warnings and the balance; return 2 when something must be mended first."""
    found = records.check(options.data)
    say(found.text().rstrip())
    return 0 if found.is_usable else 2
