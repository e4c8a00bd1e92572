"""How do time and memory grow with clinics? One process beside two Dask workers, same answer.

    nice python tests/bench/pooling_scale.py --clinics 1 10 100 357 --patients 1000

Every clinic is a partition of whole patients on disk. The first ones (`--distinct`) are simulated and
prepared in full (`yields.by_visit`), and that is timed; a further one has the rows of one of these and new
readings: patient, placement and reading effects are drawn anew around the mean of zone and month. Printed are
clinics, placements, readings, seconds of the fit in one process and on two workers, peak memory of the
process and of a worker, and the largest relative difference between the two fits.
"""

import argparse
import logging
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from analytics import pooling, simulate
from analytics.pooling.coding import Coding, design_rows

ZONES = ("hairline", "frontal", "midscalp", "crown", "temples")
CODING = Coding("scale", ("one", "two"), ZONES, (1.0, 6.0, 10.0, 18.0), (), "assumed", 4.8, 10, 5)
PATIENT_SD, PLACEMENT_SD, READING_SD = 6.0, 5.0, 9.0  # percent of planted hairs, invented


def originals(patients: int, distinct: int) -> tuple[list[pd.DataFrame], float]:
    """Return the coded rows of clinics simulated in full, and seconds a clinic."""
    begun = time.perf_counter()
    frames = [
        design_rows(simulate.as_records(simulate.register(patients, seed=1000 + i)[0]), CODING)
        for i in range(distinct)
    ]
    return frames, (time.perf_counter() - begun) / distinct


def drawn_anew(rows: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Return the rows of a clinic with readings drawn around the mean of their zone and month."""
    rng = np.random.default_rng(seed)
    mean = rows.groupby(["zone", rows["month"].round()])["y"].transform("mean")
    effects = [
        sd * rng.normal(size=codes.max() + 1)[codes]
        for sd, codes in (
            (PATIENT_SD, pd.factorize(rows["patient"])[0]),
            (PLACEMENT_SD, pd.factorize(rows["placement"])[0]),
            (READING_SD, np.arange(len(rows))),
        )
    ]
    return rows.assign(y=mean + sum(effects))


def write(folder: Path, clinics: int, frames: list[pd.DataFrame]) -> tuple[list[Path], int, int]:
    """Write the clinics; return their files, placements and readings."""
    paths, placements, readings = [], 0, 0
    for i in range(clinics):
        frame = frames[i] if i < len(frames) else drawn_anew(frames[i % len(frames)], i)
        path = folder / f"clinic{i}.parquet"
        frame.to_parquet(path, index=False)
        paths.append(path)
        placements += frame["placement"].nunique()
        readings += len(frame)
    return paths, placements, readings


def peak_mb() -> float:
    """Return the most memory this process has held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def timed(paths: list[Path], client=None) -> tuple[float, float, np.ndarray]:
    """Return seconds, processor seconds of this process, and beta of a fit."""
    begun, busy = time.perf_counter(), time.process_time()
    fit = pooling.fit_partitions(paths, CODING, client=client)
    return time.perf_counter() - begun, time.process_time() - busy, fit.beta


def main() -> None:
    """Print one line a size."""
    from dask.distributed import Client, LocalCluster

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clinics", type=int, nargs="+", default=[1, 10, 100])
    parser.add_argument("--patients", type=int, default=1000)
    parser.add_argument("--distinct", type=int, default=3)
    options = parser.parse_args()
    frames, seconds = originals(options.patients, options.distinct)
    print(f"simulated and prepared: {seconds:.1f} s a clinic of {options.patients} patients", flush=True)
    print("clinics placements readings one process s (processor s) two workers s process MB worker MB differ")
    for clinics in options.clinics:
        with (
            LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
            Client(cluster) as client,
            tempfile.TemporaryDirectory() as place,
        ):
            paths, placements, readings = write(Path(place), clinics, frames)
            one, busy, alone = timed(paths)
            two, _, spread = timed(paths, client)
            worker = max(client.run(peak_mb).values())
            gap = float(np.max(np.abs(spread / alone - 1)))
            sizes = f"{clinics:7d} {placements:10d} {readings:8d} {one:13.1f} {busy:15.1f} {two:13.1f}"
            print(f"{sizes} {peak_mb():11.0f} {worker:9.0f} {gap:10.1e}", flush=True)


if __name__ == "__main__":
    logging.getLogger("distributed").setLevel(logging.ERROR)
    main()
