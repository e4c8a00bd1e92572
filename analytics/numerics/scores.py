"""Do groups reach a milestone at different times? Score tests for interval-censored times.

Each observation gets a score from the pooled Turnbull curve: how early its interval lies, in the direction in
which a family of alternatives would move it. Three families: `sun` (proportional hazards through the
Nelson-Aalen form of the pooled curve, Sun 1996, Statistics in Medicine 15), `finkelstein` (grouped
proportional hazards, Finkelstein 1986, Biometrics 42), `wilcoxon` (proportional odds; weighs early
differences more). A positive score is an early time. The three in permutation form: Fay and Shaw 2010,
Journal of Statistical Software 36(2).

Scores of one patient are not independent, so the patient is what is permuted. Patients are put in classes
with the same number of observations in each stratum; under the null hypothesis the group labels of two
patients of a class can be exchanged, and labels can be exchanged within a patient and stratum. With one
observation per patient this is the published test. The mean and covariance of the statistic under these
exchanges are known in closed form; the Monte Carlo p-value makes them. Within a stratum the pooled curve is
the stratum's own. Citations from memory.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy
from scipy.special import xlogy

from analytics.errors import ParameterError
from analytics.numerics import turnbull

KINDS = ("sun", "finkelstein", "wilcoxon")
# A variance below this share of the largest is a group that no exchange can move.
FLAT = 1e-10


@dataclass(frozen=True, slots=True)
class ScoreTest:
    """A test between groups.

    `groups` (g,) the labels in order; `sums` (g,) the sum of scores in each (positive: earlier than pooled);
    `expected` (g,) and `covariance` (g, g) under exchange of patients; `z` (g,) each group against the rest;
    `statistic`, `df`, `p_value` the test of all groups at once (chi-squared approximation); `p_monte_carlo`
    from `n_permutations` exchanges, NaN where none were asked for, with `p_monte_carlo_se`; `n_patients`,
    `n_rows`.
    """

    groups: np.ndarray
    sums: np.ndarray
    expected: np.ndarray
    covariance: np.ndarray
    z: np.ndarray
    statistic: float
    df: int
    p_value: float
    p_monte_carlo: float
    p_monte_carlo_se: float
    n_permutations: int
    n_patients: int
    n_rows: int


def interval_scores(left, right, *, kind: str = "sun", stratum=None) -> np.ndarray:
    """Return the score of each observation under the pooled curve of its stratum.

    Parameters
    ----------
    left, right
        Shape (n,), as in `turnbull.fit`.
    kind
        One of KINDS.
    stratum
        Shape (n,), labels; None is one stratum.

    Returns
    -------
    numpy.ndarray
        Shape (n,), adding up to 0 within a stratum.

    Raises
    ------
    ParameterError
        For an unknown kind, or intervals that `turnbull.fit` refuses.

    Source
    ------
    Fay and Shaw 2010, Journal of Statistical Software 36(2), section 3 (from memory).

    Examples
    --------
    Two early and two late, proportional odds: the share below and the share above.

    >>> interval_scores([0.0, 0.0, 3.0, 3.0], [3.0, 3.0, 6.0, 6.0], kind="wilcoxon").round(9).tolist()
    [0.5, 0.5, -0.5, -0.5]
    """
    if kind not in KINDS:
        raise ParameterError(
            f"scores.interval_scores(kind): 1 unknown value; use one of {', '.join(KINDS)}; correct it"
        )
    left, right = np.asarray(left, dtype=float), np.asarray(right, dtype=float)
    labels = np.zeros(left.size, dtype=int) if stratum is None else np.unique(stratum, return_inverse=True)[1]
    scores = np.empty(left.size)
    for label in np.unique(labels):
        rows = labels == label
        scores[rows] = _pooled_scores(turnbull.fit(left[rows], right[rows]), kind)
    return scores


def _pooled_scores(pooled: turnbull.TurnbullFit, kind: str) -> np.ndarray:
    cells, mass = pooled.cells, pooled.cell_mass
    after = np.maximum(1.0 - np.concatenate([[0.0], np.cumsum(mass)]), 0.0)
    after[after < turnbull.SMALLEST_MASS] = 0.0
    above, below = after[cells.first], after[cells.last + 1]
    if kind == "wilcoxon":
        return (above + below - 1.0)[cells.row]
    if kind == "finkelstein":
        slope = xlogy(after, after)
    else:
        before = np.where(after[:-1] > 0, after[:-1], 1.0)
        slope = -after * np.concatenate([[0.0], np.cumsum(mass / before)])
    return ((slope[cells.first] - slope[cells.last + 1]) / (above - below))[cells.row]


def permutation_test(
    scores, group, *, patient=None, stratum=None, n_permutations: int = 0, seed: int = 1
) -> ScoreTest:
    """Test whether the scores differ between groups, exchanging patients.

    Parameters
    ----------
    scores
        Shape (n,).
    group, patient, stratum
        Shape (n,), labels. No patient: each row is its own. No stratum: one.
    n_permutations
        Monte Carlo exchanges; 0 for the approximation alone.
    seed
        Seed of the exchanges.

    Raises
    ------
    ParameterError
        Where fewer than two groups hold a row, or no exchange of patients can move a group.

    Examples
    --------
    >>> test = permutation_test([1.0, 1.0, -1.0, -1.0], ["a", "a", "b", "b"])
    >>> test.sums.tolist(), test.expected.tolist(), round(test.statistic, 9)
    ([2.0, -2.0], [0.0, 0.0], 3.0)
    """
    scores = np.asarray(scores, dtype=float)
    groups, group_of = np.unique(np.asarray(group), return_inverse=True)
    if groups.size < 2:
        raise ParameterError(
            f"scores.permutation_test(group): {groups.size} group(s) with rows; at least 2 are needed; "
            "check what was left out of the empty group"
        )
    classes = _classes(scores, group_of, groups.size, patient, stratum)
    sums = np.bincount(group_of, weights=scores, minlength=groups.size)
    expected = np.sum([c.expected() for c in classes], axis=0)
    covariance = np.sum([c.covariance() for c in classes], axis=0)
    spread = np.sqrt(np.diag(covariance))
    if not spread.max() > FLAT:
        raise ParameterError(
            "scores.permutation_test(group, patient): no exchange of patients moves a group; patients of "
            "different groups must share the number of observations per stratum; use fewer strata"
        )
    z = np.divide(sums - expected, spread, out=np.full(groups.size, np.nan), where=spread > FLAT)
    statistic, df = _quadratic(sums - expected, covariance)
    share, share_se = _monte_carlo(classes, expected, covariance, statistic, n_permutations, seed)
    return ScoreTest(
        groups, sums, expected, covariance, z, statistic, df,
        float(scipy.stats.chi2.sf(statistic, df)), share, share_se, n_permutations,
        sum(c.score.shape[0] for c in classes), scores.size,
    )  # fmt: skip


def _quadratic(distance: np.ndarray, covariance: np.ndarray) -> tuple[float, int]:
    values, vectors = np.linalg.eigh(covariance)
    moved = values > FLAT * values.max()
    along = vectors[:, moved].T @ distance
    return float(np.sum(along**2 / values[moved])), int(moved.sum())


def _monte_carlo(classes, expected, covariance, statistic, n_permutations, seed) -> tuple[float, float]:
    """Return the share of exchanges at least as far out, the observed one counted, and its standard error."""
    if n_permutations < 1:
        return np.nan, np.nan
    rng = np.random.default_rng(seed)
    as_far = 0
    for _ in range(n_permutations):
        sums = np.sum([c.exchanged(rng) for c in classes], axis=0)
        as_far += _quadratic(sums - expected, covariance)[0] >= statistic * (1.0 - 1e-9)
    share = (as_far + 1) / (n_permutations + 1)
    return share, float(np.sqrt(share * (1.0 - share) / n_permutations))


@dataclass(frozen=True, slots=True)
class _Class:
    """Patients with the same number of observations in each stratum.

    `score` (patients, places), `label` (patients, places, groups) indicators, `blocks` slices of the places
    of one stratum.
    """

    score: np.ndarray
    label: np.ndarray
    blocks: tuple[slice, ...]

    def _means(self) -> tuple[np.ndarray, np.ndarray]:
        """Return each patient's score sums (patients, blocks) and label means (patients, blocks, groups)."""
        sums = np.stack([self.score[:, b].sum(axis=1) for b in self.blocks], axis=1)
        return sums, np.stack([self.label[:, b].mean(axis=1) for b in self.blocks], axis=1)

    def expected(self) -> np.ndarray:
        """Return the expected sum of scores by group."""
        sums, means = self._means()
        return sums.sum(axis=0) @ means.mean(axis=0)

    def covariance(self) -> np.ndarray:
        """Return the covariance of the sums of scores by group."""
        sums, means = self._means()
        n = sums.shape[0]
        total = np.zeros((self.label.shape[2], self.label.shape[2]))
        if n > 1:
            sums, means = sums - sums.mean(axis=0), means - means.mean(axis=0)
            total += np.einsum("ia,ib,kag,kbh->gh", sums, sums, means, means, optimize=True) / (n - 1)
        for block in self.blocks:
            places = block.stop - block.start
            if places > 1:
                score = self.score[:, block] - self.score[:, block].mean(axis=1, keepdims=True)
                label = self.label[:, block] - self.label[:, block].mean(axis=1, keepdims=True)
                total += np.sum(score**2) * np.einsum("kpg,kph->gh", label, label) / (n * (places - 1))
        return total

    def exchanged(self, rng: np.random.Generator) -> np.ndarray:
        """Return the sums of scores by group after one exchange of patients, and of places within each."""
        label = self.label[rng.permutation(self.score.shape[0])]
        sums = np.zeros(label.shape[2])
        for block in self.blocks:
            places = label[:, block]
            order = np.argsort(rng.random(places.shape[:2]), axis=1)
            sums += np.einsum(
                "kp,kpg->g", self.score[:, block], np.take_along_axis(places, order[..., None], axis=1)
            )
        return sums


def _classes(scores, group_of, n_groups, patient, stratum) -> list[_Class]:
    n = scores.size
    patient_of = np.arange(n) if patient is None else np.unique(np.asarray(patient), return_inverse=True)[1]
    stratum_of = (
        np.zeros(n, dtype=int) if stratum is None else np.unique(np.asarray(stratum), return_inverse=True)[1]
    )
    counts = np.zeros((patient_of.max() + 1, stratum_of.max() + 1), dtype=int)
    np.add.at(counts, (patient_of, stratum_of), 1)
    patterns, pattern_of = np.unique(counts, axis=0, return_inverse=True)
    order = np.lexsort((stratum_of, patient_of, pattern_of.ravel()[patient_of]))
    starts = np.concatenate([[0], np.cumsum(np.bincount(pattern_of.ravel()) * patterns.sum(axis=1))])
    classes = []
    for pattern, low, high in zip(patterns, starts[:-1], starts[1:], strict=True):
        rows = order[low:high].reshape(-1, int(pattern.sum()))
        edges = np.concatenate([[0], np.cumsum(pattern[pattern > 0])])
        blocks = tuple(slice(int(a), int(b)) for a, b in pairwise(edges))
        classes.append(_Class(scores[rows], np.eye(n_groups)[group_of[rows]], blocks))
    return classes
