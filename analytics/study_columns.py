"""From the words of a plan to the columns of a model: the exposure first, then what is held equal.

Numbers are centred; words become indicators. A missing value of something adjusted for is set to the mean
and marked by an indicator of its own, so that no unit is lost for it. A column that the ones before it
determine is left out and named.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.study_plan import Plan
from analytics.study_rows import OF_PLACEMENT, Sample, as_words

NUMBERS = (
    "out_of_body_min", "holding_temperature_c", "planted_hairs_cm2", "session_number", "register_month",
    "age_years", "hair_calibre_um", "grafts",
)  # fmt: skip
SMALL_SHARE = 1e-9
# An indicator carried by fewer units than this explains them away; they go with the rest (no source).
FEWEST_UNITS = 5


@dataclass(frozen=True, slots=True)
class Columns:
    """A design matrix (n, p): the exposure in column 0, the constant in column 1, then what is held equal.

    `left_out` names what could not be held equal, `held` what is.
    """

    X: np.ndarray
    names: tuple[str, ...]
    held: tuple[str, ...]
    left_out: tuple[str, ...]

    @property
    def without_exposure(self) -> np.ndarray:
        """The columns held equal, without exposure and constant (n, p - 2)."""
        return self.X[:, 2:]


def of_plan(units: pd.DataFrame, given: Sample, plan: Plan, *, adjusted: bool = True) -> Columns:
    """Return the design of units of a sample under a plan.

    Parameters
    ----------
    adjusted
        False for exposure and constant alone.
    """
    wanted = tuple(v for v in plan.adjusted_for if adjusted and v != given.exposure.variable)
    usable = tuple(v for v in wanted if given.has_zone or v not in OF_PLACEMENT)
    return design(units, usable, not_usable=tuple(v for v in wanted if v not in usable))


def design(units: pd.DataFrame, variables: tuple[str, ...], *, not_usable: tuple[str, ...] = ()) -> Columns:
    """Return the design of units: exposure `x`, a constant, and the variables."""
    columns = [units["x"].to_numpy(dtype=float), np.ones(len(units))]
    names, of = ["exposure", "constant"], ["exposure", "constant"]
    for variable in variables:
        made, labels = coded(units[variable], variable)
        columns += list(made.T)
        names += labels
        of += [variable] * len(labels)
    X = np.column_stack(columns)
    kept = independent(X)
    held = tuple(v for v in variables if any(of[j] == v for j in kept))
    lost = tuple(v for v in variables if v not in held and units[v].nunique(dropna=False) > 1)
    return Columns(X[:, kept], tuple(names[j] for j in kept), held, (*not_usable, *lost))


def coded(values: pd.Series, variable: str) -> tuple[np.ndarray, list[str]]:
    """Return the columns (n, k) a variable becomes, and their names."""
    if variable in NUMBERS:
        number = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float)
        return _with_missing(number, variable)
    words = common_words(values)
    levels = list(words.value_counts().index)
    made = np.column_stack([words.eq(w).to_numpy(dtype=float) for w in levels[1:]] or [np.zeros(len(words))])
    return made - made.mean(axis=0), [f"{variable}: {w}" for w in levels[1:]] or [variable]


def common_words(values: pd.Series) -> pd.Series:
    """Return the words of a variable, those of few units joined to *other or rare*."""
    words = as_words(values).fillna("not recorded")
    counts = words.value_counts()
    rare = set(counts[counts < FEWEST_UNITS].index)
    return words.where(~words.isin(rare), "other or rare") if len(rare) > 1 else words


def _with_missing(number: np.ndarray, variable: str) -> tuple[np.ndarray, list[str]]:
    missing = np.isnan(number)
    if missing.all():
        return np.zeros((len(number), 1)), [variable]
    filled = np.where(missing, np.nanmean(number), number)
    spread = filled.std() or 1.0
    made = [(filled - filled.mean()) / spread]
    if missing.any():
        made.append(missing - missing.mean())
        return np.column_stack(made), [variable, f"{variable}: not recorded"]
    return np.column_stack(made), [variable]


def independent(X: np.ndarray) -> list[int]:
    """Return the columns that those before them do not determine."""
    kept: list[int] = []
    basis = np.empty((len(X), 0))
    for j in range(X.shape[1]):
        size = float(np.linalg.norm(X[:, j]))
        rest = X[:, j] - basis @ (basis.T @ X[:, j])
        rest = rest - basis @ (basis.T @ rest)
        left = float(np.linalg.norm(rest))
        if size > 0 and left > max(SMALL_SHARE, 1e-7) * size:
            kept.append(j)
            basis = np.column_stack([basis, rest / left])
    return kept
