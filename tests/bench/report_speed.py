"""Where does the time of a report go, and what does a batch gain from two workers?

    python tests/bench/report_speed.py --patients 1000            # one surgeon audit, a line a step
    python tests/bench/report_speed.py --patients 10000
    python tests/bench/report_speed.py --batch 24 --workers 2     # 24 reports one by one, then together
    python tests/bench/report_speed.py --before CHECKOUT --runs 5 # commands on the demo, there and here

Registers are drawn by `records.simulate` (seed fixed). The cache of fits is off, so that every report pays
for its own; `--cache` turns it on. In a batch each report has one core, one by one or together. Times are
wall clock and processor of all processes together; on a busy machine the second is the one to compare.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from analytics import records, simulate
from analytics.reports import batch, parameters, render

HERE = Path(__file__).parents[2]
COMMANDS = {
    "check": ("check", "data_demo"),
    "report 06": ("report", "06"),
    "report 01": ("report", "01", "data_demo"),
    "report 02": ("report", "02", "data_demo"),
    "report 03": ("report", "03", "data_demo"),
    "report 04": ("report", "04", "data_demo", "--set", "patient=0108"),
    "report 05": (
        *("report", "05", "data_demo", "--set", "patient=0006", "--set", "areas=frontal 45, crown 90"),
        *("--set", "draft_a=frontal 1500, crown 1000", "--set", "draft_b=frontal 800, crown 1700"),
    ),
    "unknown setting": ("report", "01", "data_demo", "--set", "surgon=S1"),
}
PAGE = "01_surgeon_audit"
SEED = 20_260_401


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--patients", type=int, default=1000)
    parser.add_argument("--page", default=PAGE)
    parser.add_argument("--batch", type=int, default=0, help="number of reports in the batch")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--cache", action="store_true")
    parser.add_argument("--before", type=Path, help="another checkout, to time commands there and here")
    parser.add_argument("--runs", type=int, default=5, help="runs of each command, of which the least counts")
    parser.add_argument("--only", default=",".join(COMMANDS), help="which commands")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="rw-bench-") as folder:
        os.environ["REGROWTH_CACHE"] = str(Path(folder) / "fits") if options.cache else "off"
        if options.before:
            _before_and_after(Path(folder), options.before.resolve(), options.runs, options.only.split(","))
        elif options.batch:
            _batch(Path(folder), options.batch, options.workers)
        else:
            _one(Path(folder), options.page, options.patients)


def _before_and_after(folder: Path, before: Path, runs: int, names: list[str]) -> None:
    """Print the least seconds of each command in two checkouts, run in turn so that both meet one load."""
    print(
        f"load {os.getloadavg()[0]:.1f}; least of {runs} runs: clock and processor seconds, before -> after"
    )
    for name in names:
        times: dict[Path, list[tuple[float, float]]] = {before: [], HERE: []}
        for run in range(runs):
            for checkout, taken in times.items():
                taken.append(_timed(checkout, COMMANDS[name], folder / f"{checkout.name}{run}"))
        (clock, used), (clock_now, used_now) = (
            map(min, zip(*taken, strict=True)) for taken in times.values()
        )
        print(f"{name:<16}{clock:7.1f} -> {clock_now:5.1f}{used:9.1f} -> {used_now:5.1f}", flush=True)


def _timed(checkout: Path, command: tuple[str, ...], out: Path) -> tuple[float, float]:
    more = ("--out", str(out)) if command[0] == "report" else ()
    start, used = time.monotonic(), _processor()
    subprocess.run(
        [sys.executable, "-m", "analytics", *command, *more],
        cwd=checkout,
        env={**os.environ, "PYTHONPATH": str(checkout)},
        capture_output=True,
        check=False,
    )
    return time.monotonic() - start, _processor() - used


def _one(folder: Path, page: str, patients: int) -> None:
    data = _register(folder, patients)
    start, used = time.monotonic(), _processor()
    report = render.page(page, data, folder / "out")
    wall, used = time.monotonic() - start, _processor() - used
    seconds = json.loads(report.files["run"].read_text())["seconds"]
    for step, value in sorted(seconds.items(), key=lambda item: -item[1]):
        if value >= 0.05:
            print(f"{step:<10}{value:8.2f} s")
    print(f"{page}, {patients} patients: {wall:.1f} s on the clock, {used:.1f} s of processor")


def _batch(folder: Path, n: int, workers: int) -> None:
    """Time the same reports by one worker and by several, and print the ratio."""
    pages = [p for p in parameters.pages() if p != "06_method_checks"]
    data = parameters.NOTEBOOKS.parent / "data_demo"
    clocks = {}
    for count in (1, workers):
        out = folder / f"by_{count}"
        jobs = tuple(
            batch.Job(
                pages[i % len(pages)],
                str(data),
                str(out),
                f"r{i:02d}",
                ("html",),
                {},
                render.TIMEOUT_SECONDS,
                cores=1,
            )
            for i in range(n)
        )
        if os.environ["REGROWTH_CACHE"] != "off":
            # Each run fills a cache of its own, as a first batch of a quarter would.
            os.environ["REGROWTH_CACHE"] = str(folder / f"fits_{count}")
        start, used = time.monotonic(), _processor()
        outcomes = batch.run(batch.Plan(jobs, out, count))
        clocks[count] = time.monotonic() - start
        made = sum(outcome.state == "made" for outcome in outcomes)
        cost = _processor() - used
        print(f"{made} of {n} reports, {count} at once: {clocks[count]:.1f} s, {cost:.1f} s of processor")
    print(f"ratio one by one / {workers} at once: {clocks[1] / clocks[workers]:.2f}")


def _register(folder: Path, patients: int) -> Path:
    tables, _ = simulate.register(patients, seed=SEED)
    return records.write(simulate.as_records(tables), folder / "register")


def _processor() -> float:
    """Return processor seconds of this process and of its children that have ended."""
    kinds = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    return sum(resource.getrusage(kind).ru_utime + resource.getrusage(kind).ru_stime for kind in kinds)


if __name__ == "__main__":
    main()
