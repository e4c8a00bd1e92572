"""Means of yields with every error in its place: a patient's, a placement's, a reading's, and everybody's.

A mean is a coefficient of a mixed model with a patient intercept, the placements' own spread as residual and
known sampling variances (`numerics.mixed`, REML, Satterthwaite df), or least squares where no patient has two
placements. Some errors are one and the same for many placements and do not shrink with their number: that of
the mean ratio of region over zone (`yields_planted`), that of the practice's rate of native loss from
unplanted regions (`yields_native`), those of readers' or devices' shifts taken out (`measurement`) and of the
season (`yields_level`). A shared
error moves all readings by a known pattern c times one unknown number; it moves the coefficients by A c, A
being what the fit does to the readings, and c c' is added to their covariance that way. Degrees of freedom of
the sum are Satterthwaite's.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from analytics import measurement
from analytics.measurement import CountError
from analytics.numerics import mixed


@dataclass(frozen=True, slots=True)
class Means:
    """The first k coefficients, (k,), with SE and df; `own_se` is what is left without shared errors."""

    beta: np.ndarray
    se: np.ndarray
    df: np.ndarray
    own_se: np.ndarray
    checks: dict[str, bool] = field(default_factory=dict)


def estimate(y: np.ndarray, X: np.ndarray, picked: pd.DataFrame, variance: np.ndarray, k: int) -> Means:
    """Return the first k coefficients: mixed model, or least squares if no patient repeats.

    Parameters
    ----------
    y, X
        Yields, (n,), and design, (n, p).
    picked
        Their rows, as `yields_average.one_reading` gives them.
    variance
        Sampling variances that no other placement shares, (n,).
    """
    patient = pd.factorize(picked["patient_id"])[0]
    if len(np.unique(patient)) == len(y) or len(y) <= X.shape[1] + 1:
        takes = np.linalg.pinv(X)
        beta, se, df = _plain(y, X, takes, variance, k)
        checks = {"patients_repeat": False}
    else:
        fit = mixed.fit(y, X, [(patient, np.ones((len(y), 1)))], known_variance=variance)
        beta, se, df, checks = fit.beta[:k], fit.beta_se[:k], fit.beta_df[:k], fit.checks
        takes = _generalised(X, patient, variance + fit.sigma**2, float(fit.covariances[0][0, 0]))
    total, by_df = se**2, se**4 / df
    for pattern, pattern_df in shared_errors(picked, y):
        added = (takes[:k] @ pattern) ** 2
        total, by_df = total + added, by_df + added**2 / pattern_df
    some = by_df > 0
    joined = np.where(some, total**2 / np.where(some, by_df, 1.0), df)
    return Means(beta, np.sqrt(total), joined, se, checks)


def shared_errors(picked: pd.DataFrame, y: np.ndarray) -> Iterator[tuple[np.ndarray, float]]:
    """Give what one standard error of each shared number does to all readings, (n,), and its df."""
    ratio = picked["planted_ratio"].to_numpy(dtype=float)
    yield y * picked["planted_ratio_se"].to_numpy(dtype=float) / ratio, np.inf
    planted = picked["planted_hairs_cm2"].to_numpy(dtype=float) * ratio
    native = picked["native_shared_se"].fillna(0.0).to_numpy(dtype=float)
    yield 100 * native / planted, float(picked["native_shared_df"].iloc[0])
    for name in ("season_1", "season_2"):
        if name in picked and picked[name].ne(0).any():
            yield 100 * picked[name].to_numpy(dtype=float) / planted, np.inf
    for name in sorted(set(picked["bridge_of"]) | set(picked["baseline_bridge_of"])):
        now = picked["density"] * picked["bridge_se"] * picked["bridge_of"].eq(name)
        before = (
            picked["baseline_density"] * picked["baseline_bridge_se"] * picked["baseline_bridge_of"].eq(name)
        )
        pattern = (now - before).to_numpy(dtype=float)
        if pattern.any():
            yield 100 * pattern / planted, np.inf


def _generalised(X: np.ndarray, patient: np.ndarray, own: np.ndarray, between: float) -> np.ndarray:
    """Return A, (p, n), with beta = A y, for variances `own` and a patient's variance `between`."""
    weighted = X / own[:, None]
    of_patient = np.zeros((patient.max() + 1, X.shape[1]))
    np.add.at(of_patient, patient, weighted)
    together = np.bincount(patient, 1 / own)
    shrunk = between / (1 + between * together)
    inverse = weighted - (of_patient * shrunk[:, None])[patient] / own[:, None]
    return np.linalg.pinv(X.T @ inverse) @ inverse.T


def _plain(
    y: np.ndarray, X: np.ndarray, takes: np.ndarray, variance: np.ndarray, k: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return least-squares coefficients, SE from the spread (HC2; a reading alone: its sampling SE), df."""
    beta = takes @ y
    leverage = np.einsum("ij,ji->i", X, takes)
    alone = leverage > 1 - 1e-9
    spread = np.where(alone, variance, (y - X @ beta) ** 2 / np.where(alone, 1.0, 1 - leverage))
    se = np.sqrt(takes**2 @ spread)
    df = np.maximum(np.minimum((X[:, :k] != 0).sum(axis=0) - 1, max(len(y) - X.shape[1], 1)), 1)
    return beta[:k], se[:k], df


def expected_variance(picked: pd.DataFrame, mean: np.ndarray, error: CountError) -> np.ndarray:
    """Return sampling variances of yields, (n,), from the densities that the group means let expect.

    What all placements share is not in them: it is no placement's own (`shared_errors`). A planted density
    from a zone average is expected too, as its zone's mean: an average too low would make a yield too high
    and its weight too small, which pulls the mean down by a point.
    """
    from_zone = picked["planted_source"].eq("zone").to_numpy()
    of_zone = picked.groupby("zone")["planted_hairs_cm2"].transform("mean")
    known = np.where(from_zone, of_zone, picked["planted_hairs_cm2"]).astype(float)
    planted = known * picked["planted_ratio"].to_numpy(dtype=float)
    level_before = picked.groupby("zone")["baseline_density"].transform("mean").to_numpy(dtype=float)
    factor = picked["native_factor"].to_numpy(dtype=float)
    after = np.maximum(level_before * factor + planted * mean / 100, 1.0)
    marked = picked["both_marked"].to_numpy(dtype=bool)
    changed = picked["reader_changed"].to_numpy(dtype=bool)
    area = picked["counted_area_cm2"].to_numpy(dtype=float)
    repeats = picked["n_repeats"].to_numpy(dtype=float)
    v_after = (
        measurement.count_variance(after, area, marked=marked, reader_changed=changed, error=error) / repeats
    )
    v_before = measurement.count_variance(
        np.maximum(level_before, 1.0),
        picked["baseline_area"].to_numpy(dtype=float),
        marked=marked,
        reader_changed=np.zeros(len(picked), dtype=bool),
        error=error,
    )
    carry = np.where(picked["is_later"], 1.0, factor)
    native = picked["native_change_se"] ** 2 - picked["native_shared_se"] ** 2
    counting = v_after + carry**2 * v_before + np.maximum(native.to_numpy(dtype=float), 0.0)
    return 1e4 * counting / planted**2 + (mean * picked["planted_cv"].to_numpy(dtype=float)) ** 2


def indicators(picked: pd.DataFrame, adjust: list[str]) -> np.ndarray:
    """Return centred case-mix columns, (n, k): numbers as they are, words as indicators."""
    if not adjust:
        return np.empty((len(picked), 0))
    frame = pd.get_dummies(picked[adjust].convert_dtypes(), drop_first=True).astype("Float64")
    frame = frame.fillna(frame.mean()).astype(float)
    frame = frame.loc[:, frame.nunique() > 1]
    return (frame - frame.mean()).to_numpy()
