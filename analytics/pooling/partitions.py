"""One organisation, more records than one machine: the same sums over partitions on disk.

A partition is a register of whole patients (a folder of Parquet tables). `prepare_partition` reads only what
the coding needs and writes one narrow Parquet file of coded rows; `fit_partitions` then asks every partition
for its sums at each theta, one partition a worker at a time, so that a worker holds one partition and the
driver only sums. Work goes to a Dask client where one is given, else runs in this process.
`turnbull_partitions` adds up duplicate intervals on a declared month grid.
"""

import io
from collections.abc import Sequence
from functools import reduce
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analytics import records as door
from analytics.errors import FitError
from analytics.files import file
from analytics.numerics import mixed, turnbull
from analytics.numerics.mixed import MixedFit, Plan, Sums, Survey
from analytics.numerics.turnbull import TurnbullFit
from analytics.pooling.coding import Coding, covariance, design_rows, part_design, shared_designs, sums

HANDFUL = 8  # partitions a task; their sum is made where they are read, so that sending costs little


def prepare_partition(register: Path, coding: Coding, out: Path) -> Path:
    """Read one partition's register, write its coded rows as one Parquet file, and return the file's path.

    Parameters
    ----------
    register
        The partition's register, as `records.load` takes it.
    coding
        Of `read_study`.
    out
        Path of the Parquet file.

    Returns
    -------
    Path
        Of the file written.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import mkdtemp
    >>> from analytics import pooling
    >>> coding = pooling.read_study(Path("data_demo/pooling/study.toml"))
    >>> part = pooling.prepare_partition(Path("data_demo"), coding, Path(mkdtemp(), "part.parquet"))
    >>> part.name
    'part.parquet'
    """
    frame = design_rows(door.load(register), coding)
    sink = io.BytesIO()
    frame.to_parquet(sink, index=False)
    return file(Path(out), sink.getvalue(), by="pool partition")


def fit_partitions(paths: Sequence[Path], coding: Coding, *, client: Any = None) -> MixedFit:
    """Fit the pooled model from coded partitions.

    Parameters
    ----------
    paths
        Files of `prepare_partition`, one partition each; patients must not be split over partitions.
    coding
        Of `read_study`.
    client
        A `dask.distributed.Client`; None works in this process.

    Returns
    -------
    MixedFit
        Of `numerics.mixed.fit_sums`.

    Raises
    ------
    FitError
        When there is no partition.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import mkdtemp
    >>> from analytics import pooling
    >>> coding = pooling.read_study(Path("data_demo/pooling/study.toml"))
    >>> part = pooling.prepare_partition(Path("data_demo"), coding, Path(mkdtemp(), "part.parquet"))
    >>> pooling.fit_partitions([part], coding).converged
    True
    """
    if not paths:
        raise FitError("pooling.fit_partitions: no partition given; prepare at least one")
    named = [(str(path), f"part {i}") for i, path in enumerate(paths)]
    plain = _without_clinics(coding)
    total: Survey = _summed(client, _partition_survey, named, plain)
    form = mixed.plan(total, ("full",) * len(total.n_groups), method="REML")

    def evaluate(theta: np.ndarray, probe: np.ndarray | None = None) -> Sums:
        return _summed(client, _partition_sums, named, plain, form, theta, probe)

    return mixed.fit_sums(form, evaluate)


def shared_covariance_partitions(
    paths: Sequence[Path], coding: Coding, fit: MixedFit, *, client: Any = None
) -> np.ndarray:
    """Return what errors that readings share add to the covariance of `fit_partitions`, (p, p).

    Parameters
    ----------
    paths, coding, client
        As given to `fit_partitions`.
    fit
        Its answer.

    Returns
    -------
    numpy.ndarray
        Shape (p, p).

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import mkdtemp
    >>> from analytics import pooling
    >>> coding = pooling.read_study(Path("data_demo/pooling/study.toml"))
    >>> part = pooling.prepare_partition(Path("data_demo"), coding, Path(mkdtemp(), "part.parquet"))
    >>> fit = pooling.fit_partitions([part], coding)
    >>> pooling.shared_covariance_partitions([part], coding, fit).shape == fit.beta_cov.shape
    True
    """
    named = [(str(path), f"part {i}") for i, path in enumerate(paths)]
    theta = fit.optimum.theta
    total: dict = _summed(client, _partition_shared, named, _without_clinics(coding), fit.form, theta)
    return covariance(fit, total)


def turnbull_partitions(
    paths: Sequence[Path], *, percent: float, grid: Sequence[float], client: Any = None
) -> TurnbullFit:
    """Return Turnbull's estimate of the first reading at or above `percent`, from counts on a month grid.

    Parameters
    ----------
    paths
        Files of `prepare_partition`.
    percent
        The milestone, percent of planted hairs, above 0.
    grid
        Months to which interval ends are moved up, rising; the same for all partitions.
    client
        A `dask.distributed.Client`; None works in this process.

    Returns
    -------
    TurnbullFit
        Of `numerics.turnbull.fit`.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import mkdtemp
    >>> from analytics import pooling
    >>> coding = pooling.read_study(Path("data_demo/pooling/study.toml"))
    >>> part = pooling.prepare_partition(Path("data_demo"), coding, Path(mkdtemp(), "part.parquet"))
    >>> found = pooling.turnbull_partitions([part], percent=50, grid=range(3, 61, 3))
    >>> round(float(found.mass.sum()), 6)
    1.0
    """
    named = [(str(path), "") for path in paths]
    counts: dict = _summed(client, _partition_intervals, named, float(percent), tuple(float(g) for g in grid))
    left = np.array([k[0] for k in counts])
    right = np.array([k[1] for k in counts])
    return turnbull.fit(left, right, weights=np.array(list(counts.values()), dtype=float))


def _without_clinics(coding: Coding) -> Coding:
    from dataclasses import replace

    return replace(coding, clinics=coding.clinics[:1])


def _summed(client: Any, work, named: list[tuple[str, str]], *shared):
    handfuls = [named[i : i + HANDFUL] for i in range(0, len(named), HANDFUL)]
    if client is None:
        return reduce(_add, (_handful_sum(work, handful, *shared) for handful in handfuls))
    from dask.distributed import as_completed

    futures = [client.submit(_handful_sum, work, handful, *shared, pure=False) for handful in handfuls]
    # Added up in the order of the partitions, so that the answer does not depend on which worker was first.
    order = {future.key: i for i, future in enumerate(futures)}
    waiting, done, total = 0, {}, None
    for future in as_completed(futures):
        done[order[future.key]] = future.result()
        future.release()
        while waiting in done:
            found = done.pop(waiting)
            total = found if total is None else _add(total, found)
            waiting += 1
    return total


def _handful_sum(work, handful: list[tuple[str, str]], *shared):
    """Sum one partition after the other: only one is held at a time."""
    return reduce(_add, (work(path, name, *shared) for path, name in handful))


def _add(a, b):
    if isinstance(a, dict):
        return {k: a.get(k, 0) + b.get(k, 0) for k in (*a, *(k for k in b if k not in a))}
    return a + b


def _partition_survey(path: str, name: str, coding: Coding) -> Survey:
    return mixed.survey(part_design(pd.read_parquet(path), coding, name))


def _partition_sums(
    path: str, name: str, coding: Coding, form: Plan, theta: np.ndarray, probe: np.ndarray | None
) -> Sums:
    part = mixed.prepare(part_design(pd.read_parquet(path), coding, name), form)
    return mixed.contributions(theta, part, form, probe=probe)


def _partition_shared(
    path: str, name: str, coding: Coding, form: Plan, theta: np.ndarray
) -> dict[str, np.ndarray]:
    return sums(shared_designs(pd.read_parquet(path), coding, name), theta, form)


def _partition_intervals(
    path: str, _: str, percent: float, grid: tuple[float, ...]
) -> dict[tuple[float, float], int]:
    frame = pd.read_parquet(path, columns=["placement", "month", "y"])
    at = np.array(grid)[np.minimum(np.searchsorted(grid, frame["month"].to_numpy()), len(grid) - 1)]
    frame = frame.assign(at=at, reached=frame["y"].ge(percent)).sort_values(["placement", "at"])
    first = frame[frame["reached"]].groupby("placement")["at"].first()
    below = frame[~frame["reached"]]
    limit = below["placement"].map(first).fillna(np.inf)
    last = below[below["at"].lt(limit)].groupby("placement")["at"].last()
    every = frame["placement"].unique()
    left = last.reindex(every).fillna(0.0).to_numpy()
    right = first.reindex(every).fillna(np.inf).to_numpy()
    pairs, counts = np.unique(np.column_stack([left, right]), axis=0, return_counts=True)
    return {(float(a), float(b)): int(n) for (a, b), n in zip(pairs, counts, strict=True)}
