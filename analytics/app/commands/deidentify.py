"""`regrowth deidentify SOURCE OUT --key-file K`: codes for numbers, months for dates, no names."""

import argparse
from collections.abc import Callable
from pathlib import Path

from analytics import files, records
from analytics.app.commands.check import say_whether_plausible
from analytics.app.commands.map import read_queries, say_what_is_left
from analytics.errors import ParameterError
from analytics.identifiers import new_key
from analytics.mapping import deidentify, read_plan


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument(
        "source", nargs="?", help="records with the columns of the dictionary, or your own file"
    )
    parser.add_argument("out", nargs="?", type=Path, help="folder of tables to write")
    parser.add_argument("--key-file", type=Path, help="the clinic's key, kept outside the data")
    parser.add_argument("--mapping", type=Path, help="the mapping file of your own file")
    parser.add_argument(
        "--keep", action="append", default=[], metavar="TABLE.COLUMN", help="a further column to keep"
    )
    parser.add_argument(
        "--register-begins", default="", metavar="YYYY-MM", help="the month that is register month 1"
    )
    parser.add_argument("--queries", type=Path, help="TOML file of one reading query a table, for a database")
    parser.add_argument("--new-key", type=Path, metavar="FILE", help="make a key and stop")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Write the tables and print what was changed; no value is printed."""
    if options.new_key is not None:
        new_key(options.new_key)
        say(f"A new key is in {options.new_key}. Keep it where only the clinic can read it, and keep a copy:")
        say("without it the next quarter cannot be linked, and no case can be looked up.")
        return 0
    if options.source is None or options.out is None or options.key_file is None:
        raise ParameterError(
            "regrowth deidentify: give SOURCE, OUT and --key-file; --new-key FILE makes a key"
        )
    report = deidentify.deidentify(
        options.source,
        options.out,
        options.key_file,
        plan=options.mapping,
        keep=options.keep,
        register_begins=options.register_begins,
        queries=read_queries(options.queries),
    )
    _keep_start(options, say)
    say(report.text().rstrip())
    say_what_is_left(options.out, say)
    say_whether_plausible(lambda: records.load(options.out), say)
    say(f"The tables are in {options.out}. Law and consent decide whether they may be passed on.")
    return 0


def _keep_start(options: argparse.Namespace, say: Callable[[str], None]) -> None:
    """Keep the month in which the register began beside the key, where it was told."""
    begins = files.begins.parsed(options.register_begins) if options.register_begins else None
    if begins is None and options.mapping is not None:
        begins = read_plan(options.mapping).register_begins
    if begins is not None:
        place = files.begins.place(options.out, key_file=options.key_file)
        files.begins.keep(place, begins, anew=True)
        say(f"The month in which the register began is kept in {place}, beside the key.")
