"""`regrowth demo`: every page on the invented clinic."""

import argparse
import os
from collections.abc import Callable
from pathlib import Path

from analytics.app.commands.batch import make
from analytics.reports import FORMATS, ROOT, TIMEOUT_SECONDS, Job, Plan, pages, parameters

DATA = ROOT / "data_demo"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("--out", type=Path, default=ROOT / "reports", help="folder of reports (reports)")
    parser.add_argument("--formats", default="html,xlsx", help=f"any of {','.join(FORMATS)}")
    parser.add_argument("--workers", type=int, default=0, help="reports at once (one a core)")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Render every page on `data_demo` and say where to look."""
    say("The clinic, its patients and every number are invented.")
    formats = tuple(part for part in options.formats.split(",") if part)
    out = str(options.out.resolve())
    jobs = tuple(
        Job(page, str(DATA), out, "", formats, parameters.DEMO.get(page, {}), TIMEOUT_SECONDS)
        for page in pages()
    )
    plan = Plan(jobs, options.out.resolve(), options.workers or (os.cpu_count() or 1))
    return make(plan, say)
