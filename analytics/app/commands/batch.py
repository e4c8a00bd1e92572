"""`regrowth batch PLAN.toml`: make many reports; one line each, a bar with the time left on a terminal."""

import argparse
import datetime
import os
import re
import sys
from collections.abc import Callable
from pathlib import Path

from tqdm import tqdm

from analytics import files
from analytics.reports import batch, overview

LOG = "batch.log"
MORE = """\
A plan, say quarterly.toml; data and out are taken from its folder:

  data = "data_demo"
  out = "reports/quarter"
  formats = ["html", "xlsx", "pdf"]

  [settings]                     # of every report
  as_of = "2026-03-31"

  [[report]]
  page = "02_quarterly_review"

  [[report]]
  page = "01_surgeon_audit"
  each = { surgeon = "all" }     # one report a surgeon; or a list of codes

  [[report]]
  page = "01_surgeon_audit"      # all surgeons together

Reports whose data, settings and code have not changed are kept as they are, so that a batch that was broken
off goes on where it stopped. The end is 0 when every report was made, 1 when one failed (the others are
made; its cause is told), 2 when the plan cannot be read. OUT/batch.log has a line a report.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("plan", type=Path, help="TOML file: which pages, for whom, with which settings")
    parser.add_argument(
        "--workers", type=int, default=0, help="reports at once (the plan's, else one a core)"
    )
    parser.add_argument(
        "--scheduler", default="", help="address of a Dask scheduler, such as tcp://host:8786"
    )
    parser.add_argument("--again", action="store_true", help="make every report again, changed or not")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Make the reports of the plan; return 1 when any was not made."""
    plan = batch.read(options.plan, again=options.again)
    return make(batch.with_workers(plan, options.workers, options.scheduler), say)


def make(plan: batch.Plan, say: Callable[[str], None]) -> int:
    """Make the reports of a plan, with a line each in the log and on screen."""
    log = _log(files.made(plan.out))
    with tqdm(total=len(plan.jobs), unit="report", disable=not sys.stderr.isatty(), leave=False) as bar:

        def done(outcome: batch.Outcome) -> None:
            line = line_of(outcome)
            _append(log, f"{datetime.datetime.now(datetime.UTC).isoformat(timespec='seconds')} {line}\n")
            bar.clear()
            for said in (line, *outcome.notes):
                say(said)
            bar.update()

        outcomes = batch.run(plan, done=done)
    failed = sum(outcome.state == "failed" for outcome in outcomes)
    say(f"{len(outcomes) - failed} of {len(outcomes)} reports are in {plan.out}")
    say(f"Open {overview.place(plan.out)}")
    for said in (overview.said(plan.out), _said(log)):
        if said:
            say(said)
    if failed:
        say(f"{failed} not made: the cause of each is in {plan.out / 'failed'}")
        say("Run the same command to try them again.")
    return 1 if failed else 0


def _log(out: Path) -> Path:
    """Return the first edition of the log that is no file of somebody else."""
    return next(place for place in files.editions(out / LOG, ending=".log") if _is_log(place))


def _is_log(place: Path) -> bool:
    """Tell whether lines may be added to a file: there is none, or its first line is one of a batch."""
    if not os.path.lexists(place):
        return True
    if place.is_symlink() or not place.is_file():
        return False
    with place.open("rb") as content:
        return bool(re.match(rb"\d{4}-\d\d-\d\dT[\d:+]+ (made|kept|failed) ", content.readline()))


def _append(log: Path, line: str) -> None:
    handle = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, files.OWNER_ONLY)
    with os.fdopen(handle, "a", encoding="utf-8") as out:
        out.write(line)


def _said(log: Path) -> str:
    if log.name == LOG:
        return ""
    return f"{LOG} was left as it is: it is no log of a batch. The log is {log.name}."


def line_of(outcome: batch.Outcome) -> str:
    """Return one line about one report."""
    first = (outcome.message.splitlines() or [""])[0]
    return f"{outcome.state:<6} {outcome.name}  {outcome.seconds:.1f} s  {first}"
