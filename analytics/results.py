"""The one shape in which every question is answered.

A result answers three calls: `table()` (one row per reported number), `facts()` (one row about the whole:
method, counts, who was left out, failed checks) and `rows()` (the rows it rests on, with what each may be
used for). `pages.figures.draw(result)` makes its picture. Numbers are held at full precision; a page rounds
them to what the standard error supports.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
import scipy
from numpy.typing import ArrayLike

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
    "basis",
    "numerator",
    "denominator",
    "n_patients",
    "n_rows",
    "statistic",
    "df",
    "p_value",
    "flag",
)
# What a number is made of, which decides how it is treated where small counts are withheld (`disclosure`).
BASES = {
    "model": "estimated; gives no count of persons back",
    "count": "a count of persons or things: the estimate itself, or its numerator",
    "share": "numerator over denominator, both declared",
    "counts": "computed from counts of persons, and would give them back: a limit of a chart, a difference",
    "quantile": "a quantile of persons, which is one person's value where they are few",
}
MARKED = re.compile(r"\{(\d+)(?: of (\d+))?\}")  # a count inside a text, as `counted` writes it
LEVEL = 0.95
# Patients from which an interval over patients is given, of whatever number (`line`): Student's is 13 errors
# either way with two, 4.3 with three, 2.8 with five. That of a share must be narrower than 90 points too.
# Choices of ours.
LEAST_FOR_INTERVAL, WIDEST_SHARE = 5, 90.0
NO_INTERVAL = f"fewer than {LEAST_FOR_INTERVAL} patients: no interval"
# What a line about one patient declares: its limits are of a count or of what is to come, not over patients.
OF_ONE: dict[str, Any] = {"n_patients": 1, "over_patients": False}
SAYS_NOTHING = "no interval: it would span nearly 0 to 100 %; more patients are needed"
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
        return _worded_frame(self.estimates.loc[:, ordered].reset_index(drop=True), _as_it_is)

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
        return f"<p>{said}</p>{table.to_html(index=False, na_rep='')}<p>{html.escape(plain(self.method))}</p>"


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


def line(
    term: str,
    estimate: ArrayLike,
    unit: str,
    *,
    by: Mapping[str, Any] | None = None,
    x: ArrayLike | None = None,
    se: ArrayLike | None = None,
    ci: tuple[ArrayLike, ArrayLike] | None = None,
    level: float | None = None,
    basis: str | None = None,
    numerator: float | None = None,
    denominator: float | None = None,
    n_patients: int | None = None,
    n_rows: int | None = None,
    statistic: float | None = None,
    df: float | None = None,
    p_value: float | None = None,
    flag: ArrayLike | None = None,
    over_patients: bool = True,
) -> dict[str, Any]:
    """Return one line of a result's table: the groups, then what is known of the number, in the fixed order.

    Of arrays (a curve: `x` and what changes along it) a frame of the line holds a row each. An interval over
    fewer than LEAST_FOR_INTERVAL patients is left out, and the flag says so.

    Parameters
    ----------
    term, estimate, unit
        Name of the number, its value, its unit in words.
    by
        The groups it belongs to, e.g. `{"zone": "crown"}`.
    ci
        Lower and upper limit, for example of `limits`.
    x, se, level, numerator, denominator, n_patients, n_rows, statistic, df, p_value, flag
        Columns of TABLE_COLUMNS, where they are known; counts are whole numbers, the flag is in words.
    basis
        One of BASES; a `share` declares its numerator and denominator.
    over_patients
        False where the limits are not over patients: of one count, of one patient's outcome, of a bound.

    Returns
    -------
    dict
        Column of TABLE_COLUMNS to value; what is not known is left out.

    Raises
    ------
    ParameterError
        When the basis is unknown, or a share hands over no counts.

    Examples
    --------
    >>> list(line("seen", 75.0, "%", basis="share", numerator=3, denominator=4).items())[3:]
    [('basis', 'share'), ('numerator', 3), ('denominator', 4)]
    """
    if basis is not None and basis not in BASES:
        raise ParameterError(f"results.line(basis): unknown; use one of {', '.join(BASES)}")
    if basis == "share" and (numerator is None or denominator is None):
        raise ParameterError("results.line(basis): a share declares its numerator and denominator")
    if over_patients and ci is not None and is_few(n_patients):
        had = bool(np.isfinite(np.asarray(ci, dtype=float)).any())
        ci, flag = (np.nan, np.nan), _without_interval(flag, had)
    low, high = ci if ci is not None else (None, None)
    given = {
        "term": term,
        "x": x,
        "estimate": estimate,
        "se": se,
        "ci_low": low,
        "ci_high": high,
        "level": level,
        "unit": unit,
        "basis": basis,
        "numerator": numerator,
        "denominator": denominator,
        "n_patients": n_patients,
        "n_rows": n_rows,
        "statistic": statistic,
        "df": df,
        "p_value": p_value,
        "flag": flag,
    }
    return {**(by or {}), **{name: value for name, value in given.items() if value is not None}}


def is_few(n_patients: float | None) -> bool:
    """Return whether so many patients, where their number is known, are too few for an interval."""
    return n_patients is not None and n_patients < LEAST_FOR_INTERVAL


def _without_interval(flag: Any, had_one: bool) -> Any:
    """Return a flag, or several, that says that few patients give no interval, unless it says why."""
    if flag is not None and np.ndim(flag):
        return [_without_interval(each, had_one) for each in flag]
    said = str(flag or "")
    if said and (not had_one or NO_INTERVAL in said):
        return said
    return f"{said}; {NO_INTERVAL}" if said else NO_INTERVAL


def counted(count: int, of: int | None = None) -> str:
    """Return a count of persons, or of what is counted of them, as it stands in a method, a note or a flag.

    The mark says to `disclosure` that it is a count; `plain` takes it off what anybody reads.

    Parameters
    ----------
    count
        A whole number.
    of
        What it is counted among, where that is said too.

    Returns
    -------
    str
        The count in its mark.

    Examples
    --------
    >>> f"risks from {counted(126)} baseline rows; {counted(3, of=60)} withdrew"
    'risks from {126} baseline rows; {3 of 60} withdrew'
    """
    return f"{{{int(count)}}}" if of is None else f"{{{int(count)} of {int(of)}}}"


def plain(text: str, say: Callable[[int, int | None], str] | None = None) -> str:
    """Return a text with its marked counts as they are, or as `say(count, of)` says them.

    Parameters
    ----------
    text
        With counts as `counted` marks them.
    say
        Says a count and what it is counted among; None: as they are.

    Returns
    -------
    str
        Without marks.

    Examples
    --------
    >>> plain(f"risks from {counted(1126)} rows")
    'risks from 1,126 rows'
    """
    said = say or _as_it_is
    return MARKED.sub(lambda m: said(int(m[1]), int(m[2]) if m[2] else None), text)


def worded(result: Result, say: Callable[[int, int | None], str]) -> Result:
    """Return the result with each marked count of its texts as `say(count, of)` says it."""
    changed = replace(
        result,
        estimates=_worded_frame(result.estimates, say),
        method=plain(result.method, say),
        notes=tuple(plain(note, say) for note in result.notes),
        extra={name: _worded_frame(frame, say) for name, frame in result.extra.items()},
    )
    return replace(changed, path=_worded_frame(changed.path, say)) if isinstance(changed, Curve) else changed


def _worded_frame(frame: pd.DataFrame, say: Callable[[int, int | None], str]) -> pd.DataFrame:
    marked = [c for c in frame.columns if _has_marks(frame[c])]
    if not marked:
        return frame
    return frame.assign(**{c: [plain(v, say) if isinstance(v, str) else v for v in frame[c]] for c in marked})


def _has_marks(column: pd.Series) -> bool:
    return column.dtype == object and any(isinstance(v, str) and "{" in v for v in column)


def _as_it_is(count: int, of: int | None) -> str:
    return f"{count:,}" if of is None else f"{count:,} of {of:,}"


def limits(estimate: ArrayLike, se: ArrayLike, *, level: float = LEVEL, df: ArrayLike = np.inf) -> tuple:
    """Return lower and upper limit: estimate -+ the quantile of t (normal for infinite df) times its error.

    Parameters
    ----------
    estimate, se, df
        Numbers, or arrays of one shape; the limits have that shape.

    Returns
    -------
    tuple
        Lower and upper limit.

    Examples
    --------
    >>> low, high = limits(10.0, 1.0, level=0.95)
    >>> round(float(low), 2), round(float(high), 2)
    (8.04, 11.96)
    """
    centre, error = np.asarray(estimate, dtype=float), np.asarray(se, dtype=float)
    half = scipy.stats.t.ppf(0.5 + level / 2, np.asarray(df, dtype=float)) * error
    low, high = centre - half, centre + half
    return (float(low), float(high)) if low.ndim == 0 else (low, high)


def of_share(low: float, high: float, n_patients: float) -> tuple[tuple[float, float], str]:
    """Return the limits of a share in percent, or none and why: too few patients, or limits that say nothing.

    Parameters
    ----------
    low, high
        Limits in percent.
    n_patients
        Patients it rests on, 0 or more.

    Returns
    -------
    tuple
        The limits, NaN where none are said, and the reason, empty where they are.

    Examples
    --------
    >>> of_share(12.0, 71.0, 6)
    ((12.0, 71.0), '')
    >>> of_share(0.0, 99.9, 6)[1] == SAYS_NOTHING, of_share(12.0, 71.0, 4)[1] == NO_INTERVAL
    (True, True)
    """
    why = NO_INTERVAL if is_few(n_patients) else SAYS_NOTHING if high - low > WIDEST_SHARE else ""
    return ((np.nan, np.nan) if why else (low, high)), why


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
