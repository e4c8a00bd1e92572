"""Twelve clinics, a process each, exchange files; one is killed as it answers. Is the fit the stacked one?

    nice python tests/bench/twelve_clinics.py [PATIENTS] [KEEP]

Every step is the command line as a clinic would call it (`regrowth pool open | answer | next`), two
processes at a time, each with its own folder of records, each writing into one folder of the study. In
every round one clinic is killed (SIGKILL) after a part of its run and answers again; then an answer to the
round before is offered to `next`, an edited one, and one too few. Printed: exchanges, seconds, what the
killed clinics left, and the largest relative differences from the fit on the stacked rows.
"""

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd

from analytics import pooling, records, simulate
from analytics.numerics import mixed
from analytics.pooling.coding import design_rows, matrix, read_study

CLINICS = tuple(f"C{i:02d}" for i in range(1, 13))
AT_ONCE = 2
STUDY = f"""name = "twelve"
clinics = {json.dumps(CLINICS)}
zones = ["frontal", "crown"]
knots = [1.0, 6.0, 10.0, 18.0]
"""


def regrowth(*words: str | Path) -> subprocess.Popen:
    """Start the command line in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "analytics", "pool", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
    )


def done(process: subprocess.Popen, *, code: int = 0) -> str:
    """Wait for a process, check how it ended, return what it said."""
    out, fault = process.communicate()
    if process.returncode != code or "Traceback" in fault:
        raise SystemExit(f"ended with {process.returncode}:\n{fault[-2000:]}")
    return out + fault


def answered(folder: Path, number: int, clinic: str) -> Path:
    """Let one clinic answer a round."""
    out = folder / f"answer_{number}_{clinic}.json"
    asked = folder / f"round_{number}.json"
    done(regrowth("answer", asked, folder / clinic, "--clinic", clinic, "--out", out, "--write"))
    return out


def killed(folder: Path, number: int, clinic: str, after_s: float) -> str:
    """Kill a clinic while it answers; say what it left."""
    out = folder / f"answer_{number}_{clinic}.json"
    asked = folder / f"round_{number}.json"
    process = regrowth("answer", asked, folder / clinic, "--clinic", clinic, "--out", out, "--write")
    time.sleep(after_s)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    if out.exists():
        json.loads(out.read_text())
    return f"{clinic} killed after {after_s:.1f} s, left {'a whole answer' if out.exists() else 'nothing'}"


def offered_wrongly(folder: Path, number: int, answers: list[Path]) -> None:
    """Offer an answer edited by hand, a missing one, and (after the first round) a stale one."""
    asked, out = folder / f"round_{number}.json", folder / "never.json"
    body = json.loads(answers[0].read_text())
    edited = folder / "edited.json"
    edited.write_text(json.dumps({**body, "n_patients": body["n_patients"] + 1}))
    said = done(regrowth("next", asked, edited, *answers[1:], "--out", out), code=2)
    assert "was changed after it was written" in said, said
    said = done(regrowth("next", asked, *answers[1:], "--out", out), code=2)
    assert "no answer from C01" in said, said
    if number > 1:
        stale = folder / f"answer_{number - 1}_C01.json"
        said = done(regrowth("next", asked, stale, *answers[1:], "--out", out), code=2)
        assert "answers another round" in said, said
    assert not out.exists()


def stacked(folder: Path) -> mixed.MixedFit:
    """Fit the same model on the stacked rows of all clinics."""
    coding = read_study(folder / "study.toml")
    rows = pd.concat(
        [design_rows(records.load(folder / c), coding).assign(clinic=c) for c in CLINICS], ignore_index=True
    )
    one = np.ones((len(rows), 1))
    levels = [
        (rows["clinic"].to_numpy(), one),
        ((rows["clinic"] + "|" + rows["patient"]).to_numpy(), one),
        ((rows["clinic"] + "|" + rows["placement"]).to_numpy(), one),
    ]
    return mixed.fit(rows["y"].to_numpy(), matrix(rows, coding), levels)


def exchange(folder: Path) -> tuple[int, list[str]]:
    """Go through the rounds; return the number of the last round file and what was seen."""
    done(regrowth("open", folder / "study.toml", "--out", folder / "round_1.json"))
    seen, number, rng = [], 1, np.random.default_rng(12)
    while json.loads((folder / f"round_{number}.json").read_text())["asked"]["kind"] != "done":
        seen.append(killed(folder, number, CLINICS[number % 12], float(rng.uniform(0.5, 3.0))))
        with ThreadPoolExecutor(AT_ONCE) as two:
            answers = list(two.map(lambda c, n=number: answered(folder, n, c), CLINICS))
        if number <= 2:
            offered_wrongly(folder, number, answers)
        done(
            regrowth(
                "next",
                folder / f"round_{number}.json",
                *answers,
                "--out",
                folder / f"round_{number + 1}.json",
            )
        )
        number += 1
    return number, seen


def main(patients: int, folder: Path) -> None:
    """Simulate, exchange, compare, print."""
    for i, clinic in enumerate(CLINICS):
        tables, _ = simulate.register(patients + 5 * i, seed=7000 + i)
        records.write(simulate.as_records(tables), folder / clinic, kind="parquet")
    (folder / "study.toml").write_text(STUDY)
    begun = time.perf_counter()
    number, seen = exchange(folder)
    seconds = time.perf_counter() - begun
    ours, whole = pooling.pooled(pooling.read_round(folder / f"round_{number}.json")), stacked(folder)
    print("\n".join(seen))
    print(f"{len(CLINICS)} clinics, {number - 1} exchanges (the survey included), {seconds:.0f} s")
    spread = max(
        float(np.abs(a - b).max()) for a, b in zip(ours.covariances, whole.covariances, strict=True)
    ) / float(whole.sigma**2)
    print(
        "largest relative difference from the stacked rows: "
        f"beta {np.abs(ours.beta / whole.beta - 1).max():.0e}, "
        f"its standard errors {np.abs(ours.beta_se / whole.beta_se - 1).max():.0e}, "
        f"variances over the residual's {spread:.0e}"
    )
    left = sorted(p.name for p in folder.iterdir() if p.name.startswith("."))
    print(f"half files left by the killed: {len(left)}")


if __name__ == "__main__":
    given = sys.argv[1:]
    if len(given) > 1:
        Path(given[1]).mkdir()
        main(int(given[0]), Path(given[1]))
    else:
        with tempfile.TemporaryDirectory() as place:
            main(int(given[0]) if given else 30, Path(place))
