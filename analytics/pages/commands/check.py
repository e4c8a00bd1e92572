"""`regrowth check DATA`: read the records, name every problem, print what was read and left out."""

import argparse
from collections.abc import Callable
from pathlib import Path

from analytics import records


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("data", type=Path, help="folder of tables, workbook or DuckDB file")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Print the warnings and the balance; errors stop it, all of them named."""
    read = records.load(options.data)
    for warning in read.warnings:
        say(f"Warning: {warning.sentence()}")
    say(balance(read))
    count = len(read.warnings)
    say("The records can be used." if not count else f"The records can be used; {count} warnings above.")
    return 0


def balance(read: records.Records) -> str:
    """Return rows read, used and left out, one line a table."""
    lines = [f"{'table':<14}{'read':>8}{'used':>8}{'left out':>10}  reason"]
    lines += [
        f"{row.table:<14}{row.read:>8}{row.used:>8}{row.left_out:>10}  {row.reason}".rstrip()
        for row in read.balance.itertuples()
    ]
    return "\n".join(lines)
