"""How far would a number move with other patients? Resampling of patients, with all their rows.

A resample draws as many patients as there are, with return; every row of a patient goes with him, so that
placements, sessions and visits of one patient move together (Efron 1979, Annals of Statistics 7; cluster
form: Davison and Hinkley 1997, *Bootstrap Methods and their Application*, section 3.8). Rows are not
copied: the statistic is asked for its value under whole-number weights. The seeds belong to blocks of
resamples, not to workers, so the answer does not depend on how many run side by side.

Limits: percentile limits point by point; and simultaneous limits that hold at all points at once, by the
ranks of whole resamples (Mandel and Betensky 2008, Computational Statistics and Data Analysis 52). Both
stay inside the range of the statistic and are the same on any monotone scale. Citations from memory.

The other way round, one patient left out at a time (`leave_one_out`): does an answer hang on one? Cook's
distance has three meanings. Here it is (b - b_i)' V^-1 (b - b_i) / p with V the covariance of the **full**
fit; the one with V of the reduced fit is given beside it under its own name. DFBETAS divide by the standard
error of the reduced fit; the covariance ratio is det V_i / det V. None is a rule for leaving anybody out.
That somebody's absence changes a word near its edge is no news: `Influence.p_furthest` says whether the shift
is one that the furthest of so many makes by chance.
Sources: Demidenko and Stukel 2005, Stat Med 24:893-909; Nieuwenhuis et al. 2012, R Journal 4(2):38-47; Grubbs
1950, Ann Math Stat 21:27-58 (the furthest of n normal values; from memory).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy
from joblib import Parallel, delayed, parallel_config

from analytics.errors import FitError, ParameterError

# Resamples that share one seed; small enough to spread over workers.
BLOCK = 25
# Blocks that a statistic of several resamples takes at once.
BLOCKS_TOGETHER = 8
# Under this many patients a resampled interval is too short to be believed (common practice, no source).
FEWEST_PATIENTS = 5
# A statistic that exists in fewer resamples than this has no interval (common practice, no source).
FEWEST_SHARE = 0.9
# From the rows kept (bool) to coefficients and their covariance.
Fit = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]


@dataclass(frozen=True, slots=True)
class Resamples:
    """Values of a statistic over resampled patients.

    `estimate` (k,) with every patient once; `draws` (b, k), NaN where a resample has no value; `seed`;
    `n_patients`.
    """

    estimate: np.ndarray
    draws: np.ndarray
    seed: int
    n_patients: int

    def se(self) -> np.ndarray:
        """Return the standard error of each value, NaN where too few resamples have one."""
        spread = np.full(self.estimate.size, np.nan)
        enough = self._enough()
        spread[enough] = np.nanstd(
            np.where(np.isfinite(self.draws), self.draws, np.nan)[:, enough], axis=0, ddof=1
        )
        return spread

    def covariance(self) -> np.ndarray:
        """Return the covariance (k, k) over the resamples in which every value exists."""
        whole = self.draws[np.isfinite(self.draws).all(axis=1)]
        return np.atleast_2d(np.cov(whole, rowvar=False))

    def pointwise(self, level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        """Return percentile limits of each value; an infinite draw is kept as the largest."""
        tail = (1.0 - _checked_level(level)) / 2.0
        low, high = np.full(self.estimate.size, np.nan), np.full(self.estimate.size, np.nan)
        for k in np.flatnonzero(self._enough(infinite_counts=True)):
            column = np.sort(self.draws[~np.isnan(self.draws[:, k]), k])
            low[k], high[k] = _order(column, tail), _order(column, 1.0 - tail)
        return low, high

    def simultaneous(self, level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        """Return limits that hold all values of a resample at once with the stated probability."""
        _checked_level(level)
        whole = self.draws[~np.isnan(self.draws).any(axis=1)]
        low, high = np.full(self.estimate.size, np.nan), np.full(self.estimate.size, np.nan)
        if whole.shape[0] < FEWEST_SHARE * self.draws.shape[0]:
            return low, high
        ordered, n = np.sort(whole, axis=0), whole.shape[0]
        below = np.array([np.searchsorted(ordered[:, k], whole[:, k], "left") for k in range(whole.shape[1])])
        above = np.array(
            [np.searchsorted(ordered[:, k], whole[:, k], "right") for k in range(whole.shape[1])]
        )
        furthest = np.maximum(below.max(axis=0), (n - above).max(axis=0))
        rank = int(np.sort(furthest)[min(int(np.ceil(level * n)) - 1, n - 1)])
        return ordered[n - 1 - min(rank, n - 1)], ordered[min(rank, n - 1)]

    def _enough(self, *, infinite_counts: bool = False) -> np.ndarray:
        known = ~np.isnan(self.draws) if infinite_counts else np.isfinite(self.draws)
        return known.mean(axis=0) >= FEWEST_SHARE


def patients(
    codes,
    statistic: Callable[[np.ndarray], np.ndarray],
    *,
    n: int = 1000,
    seed: int = 1,
    n_jobs: int = 1,
    stratum=None,
    together: bool = False,
) -> Resamples:
    """Return a statistic over resampled patients.

    Parameters
    ----------
    codes
        Shape (rows,), the patient of each row.
    statistic
        Takes whole-number weights, shape (rows,), returns shape (k,). A FitError or ParameterError of ours
        counts as no value. With more than one job it is sent to other processes: a function or a
        `functools.partial`.
    n
        Number of resamples, at least 1.
    seed
        Seed; the answer depends on it and on nothing else that varies.
    n_jobs
        Processes; 1 keeps all in this one, -1 takes every core.
    stratum
        Shape (rows,), one label per patient: as many are drawn in each stratum as there are.
    together
        The statistic takes the weights of several resamples, shape (b, rows), and returns shape (b, k).

    Raises
    ------
    ParameterError
        For no rows, fewer than two patients, a patient in two strata, or fewer than one resample.

    Source
    ------
    Davison and Hinkley 1997, *Bootstrap Methods and their Application*, section 3.8 (from memory).

    Examples
    --------
    Two patients who differ: a resample holds one of them twice, or both.

    >>> drawn = patients(["a", "a", "b"], lambda weights: weights[:1], n=50)
    >>> sorted(set(drawn.draws[:, 0].tolist()))
    [0.0, 1.0, 2.0]
    """
    codes = np.asarray(codes)
    if n < 1:
        raise ParameterError(f"resample.patients(n): {n} resamples; at least 1 is needed; 1000 is usual")
    _, patient_of = np.unique(codes, return_inverse=True)
    if codes.size == 0 or patient_of.max() < 1:
        raise ParameterError(
            "resample.patients(codes): fewer than 2 patients; their number is what varies; take more patients"
        )
    strata = _strata(patient_of, stratum)
    once = np.ones((1, codes.size)) if together else np.ones(codes.size)
    estimate = np.asarray(statistic(once), dtype=float).ravel()
    sizes = [min(BLOCK, n - start) for start in range(0, n, BLOCK)]
    parts = list(zip(sizes, np.random.SeedSequence(seed).spawn(len(sizes)), strict=True))
    each = BLOCKS_TOGETHER if together else 1
    handfuls = [parts[at : at + each] for at in range(0, len(parts), each)]
    blocks = _run(
        [(statistic, patient_of, strata, estimate.size, handful, together) for handful in handfuls], n_jobs
    )
    return Resamples(estimate, np.concatenate(blocks), seed, int(patient_of.max()) + 1)


def _strata(patient_of: np.ndarray, stratum) -> list[np.ndarray]:
    """Return the patients of each stratum."""
    everyone = np.arange(patient_of.max() + 1)
    if stratum is None:
        return [everyone]
    labels = np.unique(np.asarray(stratum), return_inverse=True)[1]
    lowest, highest = np.full(everyone.size, labels.max()), np.zeros(everyone.size, dtype=int)
    np.minimum.at(lowest, patient_of, labels)
    np.maximum.at(highest, patient_of, labels)
    mixed = lowest != highest
    if mixed.any():
        raise ParameterError(
            f"resample.patients(stratum): {int(mixed.sum())} patient(s) in more than one stratum; a patient "
            "is drawn whole; give one label per patient"
        )
    return [np.flatnonzero(lowest == label) for label in range(labels.max() + 1)]


def _run(tasks: list, n_jobs: int) -> list[np.ndarray]:
    if n_jobs == 1:
        return [_block(*task) for task in tasks]
    with parallel_config(backend="loky", inner_max_num_threads=1):
        return Parallel(n_jobs=n_jobs)(delayed(_block)(*task) for task in tasks)


def _block(statistic, patient_of, strata, width, parts, together) -> np.ndarray:
    counts = np.zeros((sum(size for size, _ in parts), patient_of.max() + 1))
    row = iter(counts)
    for size, seed in parts:
        rng = np.random.default_rng(seed)
        for _, drawn in zip(range(size), row, strict=False):
            for members in strata:
                drawn[members] = rng.multinomial(members.size, np.full(members.size, 1.0 / members.size))
    if together:
        return np.asarray(statistic(counts[:, patient_of]), dtype=float).reshape(-1, width)
    values = np.full((len(counts), width), np.nan)
    for b in range(len(counts)):
        try:
            values[b] = statistic(counts[b, patient_of])
        except (FitError, ParameterError):
            continue
    return values


def _order(ordered: np.ndarray, share: float) -> float:
    """Return the quantile at rank share (n + 1), between neighbours; infinite if either is."""
    at = np.clip(share * (ordered.size + 1) - 1.0, 0.0, ordered.size - 1.0)
    low, high = ordered[int(np.floor(at))], ordered[int(np.ceil(at))]
    if low == high or not np.isfinite(high):
        return float(high) if share > 0.5 else float(low)
    return float(low + (high - low) * (at - np.floor(at)))


def _checked_level(level: float) -> float:
    if not 0.0 < level < 1.0:
        raise ParameterError(
            "resample(level): 1 value out of range; expected above 0 and under 1; 0.95 is usual"
        )
    return level


@dataclass(frozen=True, slots=True)
class Influence:
    """One entry per patient, NaN where the rest could not be fitted.

    `groups` (g,) as in the codes; `beta` (g, p) and `se` (g, p) of the fits without the patient; `cook` (g,)
    with the full fit's covariance, `cook_reduced` (g,) with the reduced fit's; `dfbetas` (g, p); `covratio`
    (g,).
    """

    groups: np.ndarray
    beta: np.ndarray
    se: np.ndarray
    cook: np.ndarray
    cook_reduced: np.ndarray
    dfbetas: np.ndarray
    covratio: np.ndarray

    def p_furthest(self, k: int = 0) -> np.ndarray:
        """Return for each group (g,) the chance that the furthest of g would move coefficient k so far.

        Its shift against the mean and SD of all others' (so that it does not hide itself), times g for the
        furthest of them.
        """
        x = self.beta[:, k]
        known = np.isfinite(x)
        n, total, squares = known.sum(), np.nansum(x), np.nansum(x**2)
        if n < FEWEST_PATIENTS:
            return np.full(len(x), np.nan)
        mean = (total - x) / (n - 1)
        variance = (squares - x**2 - (n - 1) * mean**2) / (n - 2)
        far = np.abs(x - mean) / np.sqrt(np.maximum(variance, 1e-300) * n / (n - 1))
        return np.minimum(n * 2 * scipy.stats.t.sf(far, n - 2), 1.0)


def leave_one_out(fit: Fit, codes: np.ndarray) -> Influence:
    """Return what each group does to the coefficients of a fit.

    Parameters
    ----------
    fit
        From the rows kept (bool, shape (n,)) to coefficients (p,) and their covariance (p, p).
    codes
        Group of each row, shape (n,).

    Raises
    ------
    FitError
        When the whole cannot be fitted.

    Examples
    --------
    The mean of 0, 0 and 3 is 0 without the last:

    >>> y = np.array([0.0, 0.0, 3.0])
    >>> found = leave_one_out(lambda kept: (y[kept].mean(keepdims=True), np.eye(1)), np.array([0, 1, 2]))
    >>> found.beta[:, 0].tolist()
    [1.5, 1.5, 0.0]
    """
    groups = np.unique(codes)
    beta, cov = fit(np.ones(len(codes), dtype=bool))
    p = len(beta)
    each = np.full((len(groups), p), np.nan)
    covs = np.full((len(groups), p, p), np.nan)
    for k, group in enumerate(groups):
        try:
            each[k], covs[k] = fit(codes != group)
        except (FitError, np.linalg.LinAlgError):
            continue
    moved = beta - each
    se = np.sqrt(np.einsum("gpp->gp", covs))
    known = np.isfinite(each).all(axis=1)
    reduced = np.full(len(groups), np.nan)
    ratio = np.full(len(groups), np.nan)
    for k in map(int, np.flatnonzero(known)):
        reduced[k] = moved[k] @ np.linalg.solve(covs[k], moved[k]) / p
        ratio[k] = np.linalg.det(covs[k]) / np.linalg.det(cov)
    cook = np.einsum("gp,pq,gq->g", moved, np.linalg.inv(cov), moved) / p
    return Influence(groups, each, se, cook, reduced, moved / se, ratio)
