"""What does each question of a page cost, before a change and after it?

    python tests/bench/question_speed.py --before OTHER/CHECKOUT
    python tests/bench/question_speed.py --pages 01 --patients 1000 10000
    python tests/bench/question_speed.py --pages 01 --profile --patients 10000

The part of a page's notebook that asks is run as plain Python (`tests/pinned/pages.py`), a process of its own
each time, without the cache of fits, on one core. Printed are processor seconds by question, the least of
`--repeats` runs, with the before and the after by turns; rows that questions share count for the first that
asks. `--patients 0` is the demo; other registers are drawn by `analytics.simulate` (seed fixed).
"""

import argparse
import contextlib
import cProfile
import json
import os
import pstats
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parents[2]
SEED = 20_260_401
PAGES = ("01", "02", "03", "04", "05")
WORTH_A_LINE_SECONDS = 0.05


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--before", type=Path, help="a second checkout, timed in turn with this one")
    parser.add_argument("--pages", nargs="+", default=list(PAGES))
    parser.add_argument("--patients", nargs="+", type=int, default=[0], help="0 is the demo")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--profile", action="store_true", help="print where the seconds of this checkout go")
    parser.add_argument("--child", default="", help="page and folder of records: time them once, print JSON")
    options = parser.parse_args()
    if options.child:
        number, data = options.child.split("/", 1)
        print(json.dumps(_timed(number, data, profiled=options.profile)))
        return
    with tempfile.TemporaryDirectory(prefix="rw-bench-") as folder:
        for patients in options.patients:
            data = _register(Path(folder), patients) if patients else ""
            for number in options.pages:
                _print(number, patients, _least(options, number, data))


def _least(options: argparse.Namespace, number: str, data: str) -> list[dict[str, float]]:
    """Return the least seconds by question, of the checkout before where there is one, and of this."""
    checkouts = [place for place in (options.before, HERE) if place]
    found: list[dict[str, float]] = [{} for _ in checkouts]
    for _ in range(1 if options.profile else options.repeats):
        for place, least in zip(checkouts, found, strict=True):
            for name, seconds in _in_a_process(place, number, data, profiled=options.profile).items():
                least[name] = min(seconds, least.get(name, seconds))
    return found


def _in_a_process(place: Path, number: str, data: str, *, profiled: bool) -> dict[str, float]:
    """Time a page once with the package and the tests of a checkout."""
    paths = os.pathsep.join(map(str, (place, place / "tests")))
    threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    command = [sys.executable, __file__, "--child", f"{number}/{data}", *(["--profile"] * profiled)]
    ran = subprocess.run(
        command, env={**os.environ, **threads, "REGROWTH_CACHE": "off", "PYTHONPATH": paths},
        stdout=subprocess.PIPE, text=True, check=True,
    )  # fmt: skip
    return json.loads(ran.stdout.splitlines()[-1])


def _timed(number: str, data: str, *, profiled: bool) -> dict[str, float]:
    """Run what a page asks; return processor seconds by question, and of the whole."""
    from pinned import pages, registers

    from analytics.reports import parallel

    name = next(page for page in pages.names() if page.startswith(f"{number}_"))
    seconds: dict[str, float] = {}
    plain = parallel.guarded

    def timed(function, subject, subject_sha256, arguments):
        begun = time.process_time()
        answer = plain(function, subject, subject_sha256, arguments)
        told = " ".join(str(v) for v in arguments.values() if isinstance(v, str | int | float) and v)
        key = f"{function.__module__.split('.')[1]}.{function.__name__} {told}".strip()
        seconds[key] = seconds.get(key, 0.0) + time.process_time() - begun
        return answer

    parallel.guarded = timed
    with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(sys.stderr):
        settings = registers.settings("demo", name, Path(folder))
        settings |= {"data": data, "patient": _last_patient(data)} if data else {}
        settings = {k: v for k, v in settings.items() if k != "patient" or number in ("04", "05")}
        before, _ = pages._parts(name)
        profile = cProfile.Profile(time.process_time)
        with pages._undrawn(), profile if profiled else contextlib.nullcontext():
            begun = time.process_time()
            pages._ran(before, settings)
            seconds["the whole, records read"] = time.process_time() - begun
        if profiled:
            pstats.Stats(profile, stream=sys.stderr).sort_stats("tottime").print_stats(45)
            pstats.Stats(profile, stream=sys.stderr).sort_stats("cumtime").print_stats("analytics", 70)
    return seconds


def _last_patient(data: str) -> str:
    import pandas as pd

    return str(pd.read_csv(Path(data) / "patients.csv", dtype=str)["patient_id"].iloc[-1])


def _register(folder: Path, patients: int) -> str:
    """Write a simulated register and return its folder; it is written once for both checkouts."""
    from analytics import records, simulate

    tables, _ = simulate.register(patients, seed=SEED)
    return str(records.write(simulate.as_records(tables), folder / f"register_{patients}"))


def _print(number: str, patients: int, found: list[dict[str, float]]) -> None:
    said = f"{patients} simulated patients" if patients else "the demo"
    print(f"\npage {number}, {said}, processor seconds: {'before, after' if len(found) > 1 else 'now'}")
    for name in sorted(found[-1], key=lambda n: -max(one.get(n, 0.0) for one in found)):
        values = [one.get(name, float("nan")) for one in found]
        if max(v for v in values if v == v) >= WORTH_A_LINE_SECONDS:
            print("".join(f"{v:9.2f}" for v in values), f"  {name}", flush=True)


if __name__ == "__main__":
    main()
