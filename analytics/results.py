"""The one shape in which every question is answered.

A result answers three calls: `table()` (one row a reported number), `facts()` (one row about the whole:
method, counts, who was left out, failed checks) and `rows()` (the rows it rests on, with what each may be
used for). `pages.figures.draw(result)` makes its picture. Numbers are held at full precision; a page rounds
them to what the standard error supports.
"""

from collections.abc import Collection
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from analytics.errors import ParameterError

# The only columns a table may hold after its `by` columns, in this order.
TABLE_COLUMNS = (
    "term",
    "x",
    "estimate",
    "se",
    "ci_low",
    "ci_high",
    "level",
    "unit",
    "n_patients",
    "n_rows",
    "statistic",
    "df",
    "p_value",
    "flag",
)
REQUIRED_COLUMNS = ("term", "estimate", "unit")
LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class Result:
    """Answer to one question.

    `estimates` has one row a reported number: the `by` columns, then any of TABLE_COLUMNS. `used` has one
    row an observation with its reason where it was left out (column `reason`, empty where used). `method`
    says in words what was done, with its source, level, weighting, seed. `checks` are named booleans, True
    where passed. `notes` travel with the numbers as footnotes. `extra` holds frames a particular picture or
    page needs.
    """

    estimates: pd.DataFrame
    used: pd.DataFrame
    method: str
    by: tuple[str, ...] = ()
    checks: dict[str, bool] = field(default_factory=dict)
    picture: str = "intervals"
    notes: tuple[str, ...] = ()
    extra: dict[str, pd.DataFrame] = field(default_factory=dict)

    def table(self) -> pd.DataFrame:
        """Return one row a reported number, in the fixed column order."""
        ordered = [*self.by, *(c for c in TABLE_COLUMNS if c in self.estimates.columns)]
        return self.estimates.loc[:, ordered].reset_index(drop=True)

    def facts(self) -> pd.DataFrame:
        """Return one row: method, rows, patients, left out, level, failed checks."""
        left_out = _left_out(self.used)
        level = self.estimates["level"].dropna() if "level" in self.estimates else pd.Series(dtype=float)
        return pd.DataFrame(
            {
                "method": [self.method],
                "n_rows": [len(self.used) - int(left_out.sum())],
                "n_patients": [_n_patients(self.used[~left_out])],
                "n_left_out": [int(left_out.sum())],
                "level": [float(level.iloc[0]) if len(level) else LEVEL],
                "failed_checks": [", ".join(k for k, passed in self.checks.items() if not passed)],
            }
        )

    def rows(self) -> pd.DataFrame:
        """Return the rows the result rests on, those left out included with their reason."""
        return self.used.copy()


@dataclass(frozen=True, slots=True)
class Curve(Result):
    """A result that is a function of x: `path` has one row an x and term, with the columns of `estimates`."""

    path: pd.DataFrame = field(default_factory=pd.DataFrame)
    x_name: str = "month"

    def at(self, x, *, beyond: bool = False) -> pd.DataFrame:
        """Return the curve at the x values asked for, by linear interpolation of `path`.

        Parameters
        ----------
        x
            One value or several, in the unit of `x_name`.
        beyond
            Return flagged rows (NaN) outside the supported range instead of refusing.

        Raises
        ------
        ParameterError
            When an x lies outside the data and `beyond` is False.
        """
        wanted = np.atleast_1d(np.asarray(x, dtype=float))
        keys = [*self.by, "term"]
        parts = [_interpolate(group, wanted, beyond) for _, group in self.path.groupby(keys, sort=False)]
        return pd.concat(parts, ignore_index=True)


def only(result: Result, *, picture: str = "", **where: str | Collection[str]) -> Result:
    """Return the result with only the rows asked for, e.g. `only(result, term="tempo_ratio")`.

    Parameters
    ----------
    picture
        Name of another standard picture to draw it with.
    where
        Column of `estimates` (and of `path`, where it has one) and the value or values to keep.

    Raises
    ------
    ParameterError
        When the column is unknown or no row is left.
    """
    unknown = [c for c in where if c not in result.estimates.columns]
    if unknown:
        raise ParameterError(f"results.only: unknown column {', '.join(unknown)}; use a column of the table")
    kept = _where(result.estimates, where)
    if kept.empty:
        raise ParameterError(
            "results.only: no row of the result is left; ask for values that the table holds"
        )
    changed = replace(result, estimates=kept, picture=picture or result.picture)
    if isinstance(changed, Curve) and not changed.path.empty:
        same = {c: v for c, v in where.items() if c in result.by and c in changed.path.columns}
        changed = replace(changed, path=_where(changed.path, same))
    return changed


def _where(frame: pd.DataFrame, where: dict[str, str | Collection[str]]) -> pd.DataFrame:
    for column, wanted in where.items():
        frame = frame[frame[column].isin([wanted] if isinstance(wanted, str) else list(wanted))]
    return frame


def _left_out(used: pd.DataFrame) -> pd.Series:
    if "reason" not in used.columns:
        return pd.Series(False, index=used.index)
    return used["reason"].fillna("").astype(str).ne("")


def _n_patients(used: pd.DataFrame) -> int:
    return int(used["patient_id"].nunique()) if "patient_id" in used.columns else 0


def _interpolate(group: pd.DataFrame, wanted: np.ndarray, beyond: bool) -> pd.DataFrame:
    known = group.sort_values("x")
    low, high = float(known["x"].iloc[0]), float(known["x"].iloc[-1])
    outside = (wanted < low) | (wanted > high)
    if outside.any() and not beyond:
        raise ParameterError(
            f"Curve.at(x): {int(outside.sum())} value(s) outside the data, which reach from {low:g} to "
            f"{high:g}; "
            "ask inside that range or say beyond=True to get flagged rows"
        )
    out = known.iloc[[0] * len(wanted)].reset_index(drop=True)
    out["x"] = wanted
    for column in ("estimate", "se", "ci_low", "ci_high"):
        if column in known.columns:
            values = np.interp(wanted, known["x"], known[column])
            out[column] = np.where(outside, np.nan, values)
    if outside.any():
        out["flag"] = np.where(outside, "outside the data", out.get("flag", ""))
    return out
