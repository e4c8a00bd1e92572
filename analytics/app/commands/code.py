"""`regrowth code --key-file K`: the code of a chart number typed at the chair; nothing is stored."""

import argparse
import getpass
import sys
from collections.abc import Callable
from pathlib import Path

from analytics.identifiers import code


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("--key-file", type=Path, required=True, help="the clinic's key")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Ask for a chart number, not as an argument that the shell would remember, and print its code."""
    typed = getpass.getpass("Chart number: ") if sys.stdin.isatty() else sys.stdin.readline()
    say(code(typed, options.key_file))
    return 0
