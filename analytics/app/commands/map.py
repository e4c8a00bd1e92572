"""`regrowth map SOURCE`: propose what the columns of your own file mean, then make the tables of it."""

import argparse
import os
import tomllib
from collections.abc import Callable
from pathlib import Path

from analytics import files, mapping, records
from analytics.app.commands.check import say_whether_plausible
from analytics.errors import ParameterError
from analytics.files import file, left_as_they_are


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument(
        "source", help="your workbook, text file, folder, Parquet or DuckDB file, or database URL"
    )
    parser.add_argument("--mapping", type=Path, help="the mapping file, read and corrected by you")
    parser.add_argument("--out", type=Path, help="folder of tables to write (with --mapping)")
    parser.add_argument("--propose", type=Path, help="where to write the proposal (SOURCE.mapping.toml)")
    parser.add_argument("--queries", type=Path, help="TOML file of one reading query a table, for a database")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Propose a mapping, or follow one and print the balance of every cell."""
    queries = read_queries(options.queries)
    if options.mapping is None:
        place = options.propose or _beside(options.source)
        if os.path.lexists(place):
            raise ParameterError(
                f"{place.name}: it exists, perhaps with your corrections; name another with --propose"
            )
        file(place, mapping.propose(options.source, queries=queries), by="map proposal")
        say(f"Proposed in {place}. Read every line, correct it, answer each question mark. Then:")
        say(f"regrowth map {options.source} --mapping {place} --out FOLDER")
        return 0
    if options.out is None:
        raise ParameterError(
            "regrowth map: --out names the folder of tables to write; give it with --mapping"
        )
    balance = mapping.apply(options.source, options.mapping, options.out, queries=queries)
    started = mapping.read_plan(options.mapping).register_begins
    kept = files.begins.keep(files.begins.place(options.out), started, anew=True)
    say(balance.text().rstrip())
    say("")
    say(f"The tables are in {options.out}; look at them with: regrowth check {options.out}")
    say_what_is_left(options.out, say)
    say(f"The month in which the register began is kept in {kept}, apart from the tables.")
    say_whether_plausible(lambda: records.load(options.out), say)
    say(f"What was set aside is in {mapping.beside(options.out)}, in its original form. It may hold names.")
    return 0


def say_what_is_left(out: Path, say: Callable[[str], None]) -> None:
    """Name what else is in a folder of tables, which was neither read nor changed."""
    left = left_as_they_are(out)
    if left:
        say(f"{left} They were neither read nor changed; a table among them is read with the rest.")


def read_queries(place: Path | None) -> dict[str, str] | None:
    """Return the queries of a TOML file: name = "SELECT ..."."""
    if place is None:
        return None
    try:
        found = tomllib.loads(place.read_text(encoding="utf-8"))
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise ParameterError(
            f'{place.name}: not read as TOML; write lines such as counts = "SELECT ..."'
        ) from fault
    return {str(name): str(query) for name, query in found.items()}


def _beside(source: str) -> Path:
    """Return the place of the proposal: in the working folder, named after the source."""
    name = "database" if "://" in source else Path(source).name
    return Path(f"{name}.mapping.toml")
