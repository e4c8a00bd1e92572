"""How do time and memory grow with clinics? One process beside two Dask workers, same answer.

    python tests/bench/pooling_scale.py --patients 2000 20000 --partition 1000

Every partition is a simulated register of whole patients on disk; printed are seconds, peak memory of the
process and of a worker, and the largest relative difference between the two fits.
"""

import argparse
import resource
import tempfile
import time
from pathlib import Path

import numpy as np

from analytics import pooling
from analytics.pooling_coding import Coding, design_rows
from analytics.records import simulate

CODING = Coding(
    "scale",
    ("one", "two"),
    ("hairline", "frontal", "crown"),
    (1.0, 6.0, 10.0, 18.0),
    (),
    "assumed",
    4.8,
    10,
    5,
)


def _write(folder: Path, patients: int, partition: int) -> tuple[list[Path], int, float]:
    begun, paths, rows = time.perf_counter(), [], 0
    for i in range(max(patients // partition, 1)):
        tables, _ = simulate.register(min(partition, patients), seed=1000 + i)
        frame = design_rows(simulate.as_records(tables), CODING)
        path = folder / f"part{i}.parquet"
        frame.to_parquet(path, index=False)
        paths.append(path)
        rows += len(frame)
    return paths, rows, time.perf_counter() - begun


def _worker_memory() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    """Print one line a size."""
    from dask.distributed import Client, LocalCluster

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--patients", type=int, nargs="+", default=[2000, 20000])
    parser.add_argument("--partition", type=int, default=1000)
    options = parser.parse_args()
    print("patients  readings  prepare s  one process s  two workers s  process MB  worker MB  difference")
    with (
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        Client(cluster) as client,
    ):
        for patients in options.patients:
            with tempfile.TemporaryDirectory() as place:
                paths, rows, prepared = _write(Path(place), patients, options.partition)
                begun = time.perf_counter()
                alone = pooling.fit_partitions(paths, CODING)
                one = time.perf_counter() - begun
                begun = time.perf_counter()
                spread = pooling.fit_partitions(paths, CODING, client=client)
                two = time.perf_counter() - begun
                worker = max(client.run(_worker_memory).values())
                gap = float(np.max(np.abs(spread.beta / alone.beta - 1)))
                sizes = f"{patients:8d} {rows:9d} {prepared:10.1f} {one:14.1f} {two:14.1f}"
                print(f"{sizes} {_worker_memory():11.0f} {worker:10.0f} {gap:11.1e}")


if __name__ == "__main__":
    main()
