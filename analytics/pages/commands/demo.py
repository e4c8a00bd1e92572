"""`regrowth demo`: every page on the invented clinic."""

import argparse
import os
from collections.abc import Callable
from pathlib import Path

from analytics.pages import batch, parameters, provenance, render
from analytics.pages.commands import batch as batch_command

DATA = provenance.ROOT / "data_demo"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument(
        "--out", type=Path, default=provenance.ROOT / "reports", help="folder of reports (reports)"
    )
    parser.add_argument("--formats", default="html,xlsx", help=f"any of {','.join(render.FORMATS)}")
    parser.add_argument("--workers", type=int, default=0, help="reports at once (one a core)")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Render every page on `data_demo` and say where to look."""
    say("The clinic, its patients and every number are invented.")
    formats = tuple(part for part in options.formats.split(",") if part)
    jobs = tuple(
        batch.Job(page, str(DATA), str(options.out.resolve()), "", formats, {}, render.TIMEOUT_SECONDS)
        for page in parameters.pages()
    )
    plan = batch.Plan(jobs, options.out.resolve(), options.workers or (os.cpu_count() or 1))
    return batch_command.make(plan, say)
