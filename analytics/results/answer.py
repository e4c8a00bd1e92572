"""The one shape in which every question is answered.

A result answers three calls: `table()` (one row per reported number), `facts()` (one row about the whole:
method, counts, who was left out, failed checks) and `rows()` (the rows it rests on, with what each may be
used for). `pages.figures.draw(result)` makes its picture. Numbers are held at full precision; a page rounds
them to what the standard error supports.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from analytics.errors import ParameterError
from analytics.results.lines import LEVEL, TABLE_COLUMNS
from analytics.results.marks import as_it_is, plain, worded_frame

SHOWN_LINES, SHOWN_DECIMALS = 30, 3  # of a table in a notebook
WHY = "why not"  # under which the frames of a result without an answer say why


@dataclass(frozen=True, slots=True)
class Gap:
    """Why a question has no answer: one plain sentence, which a page prints where the answer would stand.

    `is_defect` says that the package failed and not the records; `details` is its traceback, which may hold
    values of records and goes to no page. `is_absent` says that the clinic does not record such a thing: a
    page leaves it out without a word.
    """

    why: str
    is_defect: bool = False
    is_absent: bool = False
    details: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class Result:
    """Answer to one question.

    `estimates` has one row per reported number: the `by` columns, then any of TABLE_COLUMNS. `used` has one
    row per observation with its reason where it was left out (column `reason`, empty where used). `method`
    says in words what was done, with its source, level, weighting, seed. `checks` are named booleans, True
    where passed. `notes` travel with the numbers as footnotes. `extra` holds frames a particular picture or
    page needs. `gap` is set where the question has no answer (`unanswered`): there is no row then.
    """

    estimates: pd.DataFrame
    used: pd.DataFrame
    method: str
    by: tuple[str, ...] = ()
    checks: dict[str, bool] = field(default_factory=dict)
    picture: str = "intervals"
    notes: tuple[str, ...] = ()
    extra: dict[str, pd.DataFrame] = field(default_factory=dict)
    gap: Gap | None = None

    def __post_init__(self) -> None:
        """Answer for every frame of a result without an answer, whoever made it: a cache keeps plain ones."""
        if self.gap is not None and not isinstance(self.extra, _Nothing):
            nothing = _Nothing()
            nothing.why = self.gap.why
            object.__setattr__(self, "extra", nothing)

    def table(self) -> pd.DataFrame:
        """Return one row per reported number, in the fixed column order."""
        ordered = [*self.by, *(c for c in TABLE_COLUMNS if c in self.estimates.columns)]
        return worded_frame(self.estimates.loc[:, ordered].reset_index(drop=True), as_it_is)

    def facts(self) -> pd.DataFrame:
        """Return one row: method, rows, patients, left out, level, failed checks."""
        left_out = _left_out(self.used)
        level = self.estimates["level"].dropna() if "level" in self.estimates else pd.Series(dtype=float)
        return pd.DataFrame(
            {
                "method": [plain(self.method)],
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

    def __repr__(self) -> str:
        """Return one line: what kind of answer, how many numbers, on how many rows."""
        if self.gap is not None:
            return f"Result without an answer: {self.gap.why}"
        kind, n, rows = type(self).__name__, len(self.estimates), len(self.used)
        failed = [k for k, passed in self.checks.items() if not passed]
        return f"{kind} of {n} numbers from {rows} rows{'; failed: ' + ', '.join(failed) if failed else ''}"

    def _repr_html_(self) -> str:
        """Return what a notebook shows: the table, rounded, and the method."""
        said = html.escape(repr(self))
        if self.gap is not None:
            return f"<p>{said}</p>"
        table = self.table().drop(columns=["basis", "numerator", "denominator"], errors="ignore")
        table = table.assign(**{c: [_group_in_words(v) for v in table[c]] for c in self.by})
        table = table.round(SHOWN_DECIMALS).head(SHOWN_LINES)
        table.columns = [_head(c, str(getattr(self, "x_name", "month"))) for c in table.columns]
        return f"<p>{said}</p>{table.to_html(index=False, na_rep='')}<p>{html.escape(plain(self.method))}</p>"


def _head(column: str, x_name: str) -> str:
    """Return the heading of a column where a person reads it.

    >>> [_head(column, "month") for column in ("ci_low", "n_patients", "surgeon_id", "x")]
    ['From', 'Patients', 'Surgeon', 'Month']
    """
    said = {
        "ci_low": "from",
        "ci_high": "to",
        "se": "standard error",
        "df": "degrees of freedom",
        "x": x_name,
    }
    plain = said.get(column, column.removeprefix("n_").removesuffix("_id").replace("_", " "))
    return plain[:1].upper() + plain[1:]


@dataclass(frozen=True, slots=True, repr=False)
class Curve(Result):
    """A result that is a function of x: `path` has a row per x and term, with the columns of `estimates`."""

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


class _Nothing(dict):
    """The frames of a result without an answer: whichever is asked for is empty, and says why."""

    why = ""

    def __missing__(self, name: str) -> pd.DataFrame:
        frame = pd.DataFrame()
        frame.attrs[WHY] = self.why
        return frame


def unanswered(gap: Gap) -> Result:
    """Return the result of a question that has no answer: no row, and the sentence that says why.

    Whatever is asked of it (`only`, a frame of `extra`, its table) is without rows too.

    Parameters
    ----------
    gap
        Why there is no answer.

    Examples
    --------
    >>> told = unanswered(Gap("No crown was counted."))
    >>> len(told.table()), only(told, zone="crown").gap.why
    (0, 'No crown was counted.')
    """
    empty = pd.DataFrame({name: pd.Series(dtype=object) for name in TABLE_COLUMNS})
    return Result(empty, pd.DataFrame(), gap.why, gap=gap)


def why_not(answer: Any) -> str:
    """Return why a question has no answer, as a sentence; empty where it has one.

    Parameters
    ----------
    answer
        A result; anything else has an answer.

    Returns
    -------
    str
        A sentence, or empty.

    Examples
    --------
    >>> why_not(unanswered(Gap("No crown was counted.")))
    'No crown was counted.'
    """
    return answer.gap.why if isinstance(answer, Result) and answer.gap is not None else ""


def first(*answers: Result) -> Result:
    """Return the first result that has an answer; the last one where none has.

    Parameters
    ----------
    answers
        Results, the preferred one first.

    Examples
    --------
    >>> first(unanswered(Gap("No fit.")), unanswered(Gap("No count."))).gap.why
    'No count.'
    """
    return next((each for each in answers if each.gap is None), answers[-1])


def worded(result: Result, say: Callable[[int, int | None], str]) -> Result:
    """Return the result with each marked count of its texts as `say(count, of)` says it."""
    changed = replace(
        result,
        estimates=worded_frame(result.estimates, say),
        method=plain(result.method, say),
        notes=tuple(plain(note, say) for note in result.notes),
        extra={name: worded_frame(frame, say) for name, frame in result.extra.items()},
    )
    return replace(changed, path=worded_frame(changed.path, say)) if isinstance(changed, Curve) else changed


def only(result: Result, *, picture: str = "", **where: str | Collection[str]) -> Result:
    """Return the result with only the rows asked for, e.g. `only(result, term="tempo_ratio")`.

    Where it holds none of them (a zone nobody planted), the answer is a gap that says so.

    Parameters
    ----------
    result
        Any result.
    picture
        Name of another standard picture to draw it with.
    where
        Column of `estimates` (and of `path`, where it has one) and the value or values to keep.

    Raises
    ------
    ParameterError
        When the column is unknown.

    Examples
    --------
    >>> table = pd.DataFrame({"zone": ["crown", "frontal"], "term": "yield", "estimate": [80.0, 90.0]})
    >>> only(Result(table, pd.DataFrame(), ""), zone="crown").table()["estimate"].tolist()
    [80.0]
    """
    if result.gap is not None:
        return result
    unknown = [c for c in where if c not in result.estimates.columns]
    if unknown:
        raise ParameterError(f"results.only: unknown column {', '.join(unknown)}; use a column of the table")
    kept = _where(result.estimates, where)
    if kept.empty:
        asked = [str(v) for each in where.values() for v in ([each] if isinstance(each, str) else each)]
        named = ", ".join(value.replace("_", " ") for value in asked)
        return unanswered(Gap(f"These records hold no number for: {named or 'what is asked'}."))
    changed = replace(result, estimates=kept, picture=picture or result.picture)
    if isinstance(changed, Curve) and not changed.path.empty:
        same = {c: v for c, v in where.items() if c in result.by and c in changed.path.columns}
        changed = replace(changed, path=_where(changed.path, same))
    return changed


def _where(frame: pd.DataFrame, where: dict[str, str | Collection[str]]) -> pd.DataFrame:
    for column, wanted in where.items():
        frame = frame[frame[column].isin([wanted] if isinstance(wanted, str) else list(wanted))]
    return frame


def _group_in_words(value: Any) -> Any:
    if pd.isna(value):
        return "not recorded"
    return {True: "yes", False: "no"}[bool(value)] if isinstance(value, bool | np.bool_) else value


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
