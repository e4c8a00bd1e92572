"""`regrowth lab`: open the workbook in JupyterLab, on the start page."""

import argparse
from collections.abc import Callable

from analytics.app.lab import open_lab


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("--port", type=int, default=8888, help="first port to try (8888)")
    parser.add_argument("--no-browser", action="store_true", help="print the address, open no window")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Open JupyterLab and wait until it is closed."""
    say("JupyterLab opens on notebooks/00_start_here.ipynb. Close it here with Ctrl-C.")
    return open_lab(port=options.port, browser=not options.no_browser)
