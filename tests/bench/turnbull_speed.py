"""How fast is the interval-censored estimate, and does it reach the maximum?

    python tests/bench/turnbull_speed.py
    python tests/bench/turnbull_speed.py --rows 500 --resamples 0

In one run on the same intervals: ours (surpyval with our certificate) and lifelines', each with its time and
with the log-likelihood of its curve under the same half-open convention (left, right]. Then 6,000 irregular
intervals, and resamples of them, which the other library's speed does not allow. Times are of the processor.
"""

import argparse
import os
import time
import warnings
from functools import partial

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from lifelines import KaplanMeierFitter

from analytics.numerics import resample, turnbull
from analytics.numerics.turnbull import cells as turnbull_cells

SHAPE, SCALE_MONTHS, VISITS, LAST_MONTH = 2.0, 10.0, 6, 24.0
AT = np.array([6.0, 12.0, 18.0])


def irregular(n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return intervals of Weibull times seen at six visits at any month."""
    rng = np.random.default_rng(seed)
    month = SCALE_MONTHS * rng.weibull(SHAPE, n)
    seen = np.sort(rng.uniform(1, LAST_MONTH, (n, VISITS)), axis=1)
    visits = np.column_stack([np.zeros(n), seen, np.full(n, np.inf)])
    at = (seen < month[:, None]).sum(axis=1)
    return visits[np.arange(n), at], visits[np.arange(n), at + 1]


def timed(function, repeats: int = 1):
    """Return what a call returns and its shortest processor time in seconds."""
    times = []
    for _ in range(repeats):
        started = time.process_time()
        result = function()
        times.append(time.process_time() - started)
    return result, min(times)


def lifelines_loglik(left: np.ndarray, right: np.ndarray) -> float:
    """Return the log-likelihood of lifelines' curve over (left, right], its masses on our cells."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitter = KaplanMeierFitter().fit_interval_censoring(left, right)
    upper = fitter.survival_function_.iloc[:, -1]
    cells = turnbull_cells.build(left, right)
    begin, end = cells.limits()
    months, curve = upper.index.to_numpy(dtype=float), upper.to_numpy(dtype=float)

    def after(t):
        at = np.searchsorted(months, t, side="right") - 1
        return np.where(np.isinf(t), 0.0, np.where(at >= 0, curve[np.maximum(at, 0)], 1.0))

    mass = np.maximum(after(begin) - after(end), 0.0)
    mass = (mass + 1e-12) / (mass + 1e-12).sum()
    return turnbull_cells.loglik(cells, turnbull_cells.weigh(cells, None), mass)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--rows", type=int, default=1000, help="intervals for both; the other library is slow"
    )
    parser.add_argument("--resamples", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2)
    chosen = parser.parse_args()
    left, right = irregular(chosen.rows, seed=1)
    turnbull.fit(left, right)
    ours, our_time = timed(lambda: turnbull.fit(left, right), repeats=5)
    theirs, their_time = timed(lambda: lifelines_loglik(left, right))
    print(f"{chosen.rows} irregular intervals, both in this run:")
    print(f"  ours       {our_time:8.3f} s   log-likelihood {ours.loglik:.6f}   gap {ours.gap:.1e}")
    print(f"  lifelines  {their_time:8.3f} s   log-likelihood {theirs:.6f}")
    print(f"  ours is {their_time / our_time:,.0f} times faster and {ours.loglik - theirs:+.6f} higher")
    left, right = irregular(6000, seed=2)
    fit, fit_time = timed(lambda: turnbull.fit(left, right), repeats=5)
    print(f"6000 irregular intervals: {fit_time:.3f} s, gap {fit.gap:.1e}")
    if chosen.resamples:
        statistic = partial(_shares, fit=fit)
        codes = np.random.default_rng(3).integers(0, 3000, 6000)
        _, alone = timed(lambda: resample.patients(codes, statistic, n=50, seed=1))
        started = time.perf_counter()
        drawn = resample.patients(codes, statistic, n=chosen.resamples, seed=1, n_jobs=chosen.jobs)
        spent = time.perf_counter() - started
        print(
            f"{chosen.resamples} resamples, 3000 patients, 6000 placements, {chosen.jobs} jobs: {spent:.1f} s"
        )
        one = alone / 51
        print(f"  processor time of one: {1000 * one:.1f} ms, so {1000 * one:.1f} s for 1000 in one process")
        print(f"  standard errors at months 6, 12, 18: {np.round(drawn.se(), 4)}")


def _shares(weights, *, fit) -> np.ndarray:
    return 1.0 - fit.reweighted(weights).interpolated(AT)


if __name__ == "__main__":
    main()
