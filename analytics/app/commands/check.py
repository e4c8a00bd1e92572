"""`regrowth check DATA`: read the records and what is declared beside them, and name every problem."""

import argparse
from collections.abc import Callable

from analytics import records
from analytics.app.criteria import say_of_files
from analytics.app.plausible import implausible
from analytics.errors import AnalyticsError, RecordError


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("data", help="folder of tables, workbook, DuckDB file, or the URL of a database")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Print problems, warnings and the balance; return 2 when something must be mended first."""
    found = records.check(options.data)
    if found.problems and not found.balance["read"].any():
        raise RecordError("\n".join(p.sentence() for p in found.problems), found.problems)
    say(found.text().rstrip())
    if found.records is not None:
        known = found.records
        say_whether_plausible(lambda: known, say)
    declared = say_of_files(options.data, found.records, say)
    return declared if found.is_usable else 2


def say_whether_plausible(read: Callable[[], records.Records], say: Callable[[str], None]) -> None:
    """Say what of a register as a whole is unlike what is published, or why that cannot be told.

    Parameters
    ----------
    read
        Gives the records; an error of ours says why it cannot be told.
    """
    try:
        sentences = implausible(read())
    except AnalyticsError as fault:
        say("")
        say(f"Whether the register is plausible as a whole cannot be told yet. {fault}")
        return
    say("")
    if not sentences:
        say(
            "As a whole: mean yields, sizes of grafts, planted densities and months are like those published."
        )
        return
    say("To look at, of the register as a whole:")
    for sentence in sentences:
        say(f"  {sentence}")
