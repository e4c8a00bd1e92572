"""A panel that cannot be filled yet says so in a sentence instead of stopping the page.

What is counted for a criterion, one row a unit, each in the quarter to which it belongs.

Every panel of the review rests on these rows, so that an indicator, its run chart and its operators can
never disagree. A session with a complication belongs to the quarter in which the month asked about was
reached (all of that quarter's sessions have then been followed equally long); an operative count to the
quarter of the operation; a reading, rating or attendance to the quarter in which it was made or fell due.

Columns: patient_id, session_id, surgeon_id, harvested_by, method, register_month, quarter, part, whole,
reason. `part` over `whole` is what the criterion reports (for a mean, whole is 1); `reason` is empty, or
says why the row does not count: a declared exception, or not known.

Case mix as columns: what each session or placement had, coded for a regression.

A missing value is its own group of a word, and the mean of a number, so that no row is lost.
"""

from collections.abc import Callable

import numpy as np
import pandas as pd

from analytics.errors import ParameterError
from analytics.records import Records
from analytics.results import Result
from analytics.review.criteria import (
    CompleteCriterion,
    Criteria,
    EventCriterion,
    HairsCriterion,
    MeanCriterion,
    PhotographCriterion,
    RatingCriterion,
    SeenCriterion,
    ShareCriterion,
)
from analytics.review.periods import COUNTED_AS_DUE, NOT_YET, SEEN, quarter_of, sessions_due, timed

NOT_ASKED = "complications not asked"
NOT_RECORDED = "not recorded"
NO_ANSWER = "due, no answer"
SUPERSEDED = "a further session came first"
NO_PHOTOGRAPHS = "no photographs taken"
KEYS = ["patient_id", "session_id", "surgeon_id", "harvested_by", "method", "register_month"]
COLUMNS = [*KEYS, "quarter", "part", "whole", "reason"]
ASKED_FROM_SHARE = 0.5  # asked in the second half of the time, or later; convention, no source
ASKED_LATE_MONTHS = 3.0  # and up to three months after it


def units(known: Records, criteria: Criteria, criterion, *, quarter: int) -> pd.DataFrame:
    """Return the counted rows of a criterion as known at the end of a quarter.

    Raises
    ------
    ParameterError
        When the criterion is one of growth, whose rows are readings (`review.growth`).
    """
    makers: dict[type, Callable[..., pd.DataFrame]] = {
        EventCriterion: _events,
        ShareCriterion: _shares,
        MeanCriterion: _means,
        HairsCriterion: _hairs,
        RatingCriterion: _ratings,
        PhotographCriterion: _photographs,
        CompleteCriterion: _complete,
        SeenCriterion: _seen,
    }
    if type(criterion) not in makers:
        raise ParameterError("review_units: a criterion of growth is read from yields, not from records")
    rows = makers[type(criterion)](known, criteria, criterion, quarter)
    return _with_exceptions(rows, known, criterion)[COLUMNS]


def exception_codes(sessions: pd.DataFrame, known: Records, criterion) -> pd.Series:
    """Return, by session, the first declared exception that applies, else empty."""
    scarred = known.patients.set_index("patient_id")["scarring"].fillna(False).astype(bool)
    tests = {
        "scarring": sessions["patient_id"].map(scarred).fillna(False).astype(bool),
        "repeat session": sessions["session_number"] > 1,
        "not from the scalp": sessions["donor_source"].fillna("scalp").ne("scalp"),
        "combined method": sessions["method"].eq("combined"),
    }
    code = pd.Series("", index=sessions.index)
    for name in reversed(criterion.exceptions):
        code = code.mask(tests[name], f"exception: {name}")
    return code.set_axis(sessions["session_id"])


def _with_exceptions(rows: pd.DataFrame, known: Records, criterion) -> pd.DataFrame:
    rows = rows[rows["method"].isin(criterion.methods)]
    code = rows["session_id"].map(exception_codes(known.sessions, known, criterion)).fillna("")
    return rows.assign(reason=code.where(code.ne(""), rows["reason"])).reset_index(drop=True)


def _of_sessions(sessions: pd.DataFrame, part, whole) -> pd.DataFrame:
    """Return operative rows; what was not recorded says so."""
    rows = sessions[KEYS].assign(
        quarter=quarter_of(sessions["register_month"]).astype(int),
        part=np.asarray(part, dtype=float),
        whole=np.asarray(whole, dtype=float),
    )
    missing = rows["part"].isna() | rows["whole"].isna() | (rows["whole"] <= 0)
    return rows.assign(reason=np.where(missing, NOT_RECORDED, ""))


def _shares(known: Records, criteria: Criteria, criterion: ShareCriterion, quarter: int) -> pd.DataFrame:
    s = known.sessions
    part = s["attempts"] - s["grafts_out"] if criterion.part == "missing" else s[criterion.part]
    return _of_sessions(s, part, s[criterion.whole])


def _means(known: Records, criteria: Criteria, criterion: MeanCriterion, quarter: int) -> pd.DataFrame:
    return _of_sessions(known.sessions, known.sessions[criterion.column], np.ones(len(known.sessions)))


def _hairs(known: Records, criteria: Criteria, criterion: HairsCriterion, quarter: int) -> pd.DataFrame:
    planted = known.placements.groupby("session_id")[["hairs", "grafts"]].sum(min_count=1)
    of = planted.reindex(known.sessions["session_id"])
    return _of_sessions(known.sessions, of["hairs"], of["grafts"])


def _complete(known: Records, criteria: Criteria, criterion: CompleteCriterion, quarter: int) -> pd.DataFrame:
    unknown = [f for f in criterion.fields if f not in known.sessions.columns]
    if unknown:
        raise ParameterError(
            f"criteria, criterion {criterion.id}, fields: {len(unknown)} unknown, first {unknown[0]}; "
            "use columns of sessions"
        )
    filled = known.sessions[list(criterion.fields)].notna().all(axis=1)
    return _of_sessions(known.sessions, filled, np.ones(len(filled)))


def _events(known: Records, criteria: Criteria, criterion: EventCriterion, quarter: int) -> pd.DataFrame:
    """Return the sessions that reached the month, with whether their patients were asked late enough to tell.

    A recorded event counts whether or not its patient was asked later, which errs towards more events.
    """
    s = known.sessions
    reached = np.floor(s["register_month"] + criterion.by_month + 0.5)
    asked = known.visits[known.visits["complications_asked"].fillna(False).astype(bool)]
    in_time = asked["month"].between(
        ASKED_FROM_SHARE * criterion.by_month, criterion.by_month + ASKED_LATE_MONTHS
    )
    answered = set(asked.loc[in_time, "session_id"])
    of_kind = known.events[known.events["kind"].eq(criterion.event)]
    happened = set(of_kind.loc[of_kind["month"] <= criterion.by_month, "session_id"])
    has = s["session_id"].isin(happened)
    rows = s[KEYS].assign(quarter=quarter_of(reached).astype(int), part=has.astype(float), whole=1.0)
    rows["register_month"] = reached.astype(int)
    rows["reason"] = np.where(has | s["session_id"].isin(answered), "", NOT_ASKED)
    return rows[rows["quarter"] <= quarter]


def _seen(known: Records, criteria: Criteria, criterion: SeenCriterion, quarter: int) -> pd.DataFrame:
    rows = sessions_due(known, criteria, quarter=quarter)
    rows = rows[rows["visit"].eq(criterion.month)]
    rows = _joined(rows, known).assign(
        part=rows["status"].eq(SEEN).to_numpy(dtype=float),
        whole=1.0,
        register_month=rows["due_month"].to_numpy(),
    )
    return rows.assign(reason=rows["status"].where(~rows["status"].isin(COUNTED_AS_DUE), "")).loc[
        lambda r: r["status"].ne(NOT_YET)
    ]


def _ratings(known: Records, criteria: Criteria, criterion: RatingCriterion, quarter: int) -> pd.DataFrame:
    """Return all sessions due at the month; those without an answer in the window say so.

    Where a further session came before the window closed, the answer belongs to that one.
    """
    visit = next(v for v in criteria.schedule if v.month == criterion.month)
    rows = sessions_due(known, criteria, quarter=quarter)
    rows = _joined(rows[rows["visit"].eq(criterion.month) & rows["status"].ne(NOT_YET)], known)
    inside = known.ratings[known.ratings["month"].between(visit.opens, visit.closes)]
    answer = inside.dropna(subset=[criterion.column]).groupby("session_id")[criterion.column].last()
    value = rows["session_id"].map(answer.astype(float))
    return rows.assign(
        part=(value >= criterion.mark).astype(float).where(value.notna()),
        whole=1.0,
        register_month=rows["due_month"],
        reason=np.select(
            [value.notna(), _next_session(rows, known) < visit.closes], ["", SUPERSEDED], NO_ANSWER
        ),
    )


def _next_session(rows: pd.DataFrame, known: Records) -> np.ndarray:
    """Return the months from each row's session to the patient's next one, infinite where there is none."""
    s = known.sessions.sort_values(["patient_id", "patient_month"])
    gap = s.groupby("patient_id")["patient_month"].shift(-1) - s["patient_month"]
    months = gap.set_axis(s["session_id"]).astype(float).fillna(np.inf)
    return rows["session_id"].map(months).to_numpy(dtype=float)


def _photographs(
    known: Records, criteria: Criteria, criterion: PhotographCriterion, quarter: int
) -> pd.DataFrame:
    visits = _joined(known.visits, known)
    at = timed(visits, known.sessions)
    passed = visits["photographs_standard"]
    return visits.assign(
        register_month=at.astype(int),
        quarter=quarter_of(at).astype(int),
        part=passed.astype("float64"),
        whole=1.0,
        reason=np.where(passed.isna(), NO_PHOTOGRAPHS, ""),
    )


def _joined(rows: pd.DataFrame, known: Records) -> pd.DataFrame:
    """Add who operated and how to rows that carry a session."""
    wanted = [c for c in KEYS if c not in ("patient_id", "session_id")]
    kept = rows.drop(columns=[c for c in wanted if c in rows.columns])
    return kept.merge(known.sessions[["session_id", *wanted]], on="session_id", validate="many_to_one")


def with_case_mix(rows: pd.DataFrame, known: Records, names: tuple[str, ...]) -> pd.DataFrame:
    """Return the rows with the case-mix columns of their session and patient added where missing."""
    sessions = known.sessions.set_index("session_id")
    patients = known.patients.set_index("patient_id")
    out = rows.copy()
    for name in names:
        if name in out.columns:
            continue
        if name in sessions.columns:
            out[name] = out["session_id"].map(sessions[name])
        elif name in patients.columns:
            out[name] = out["patient_id"].map(patients[name])
        else:
            raise ParameterError(f"review, case mix: {name} is no column of sessions or patients")
    return out


def columns(rows: pd.DataFrame, names: tuple[str, ...]) -> tuple[np.ndarray, list[str]]:
    """Return a design with its constant: numbers centred, words as groups against their commonest.

    Groups that no row has, or all rows have, make no column.

    Returns
    -------
    tuple
        Design of shape (n, p) and the p column names.
    """
    parts, labels = [np.ones(len(rows))], ["constant"]
    for name in names:
        for label, values in _coded(rows[name], name):
            if np.ptp(values) > 0:
                parts.append(values)
                labels.append(label)
    design = np.column_stack(parts)
    kept = independent(design)
    return design[:, kept], [labels[i] for i in kept]


def _coded(values: pd.Series, name: str) -> list[tuple[str, np.ndarray]]:
    if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
        numbers = values.astype(float)
        if name == "session_number":
            return [("repeat session", (numbers > 1).to_numpy(dtype=float))]
        centred = numbers - numbers.mean()
        return [(name, centred.fillna(0.0).to_numpy(dtype=float))]
    words = values.astype("string").fillna("not recorded")
    commonest = words.value_counts().index[0]
    return [
        (f"{name}: {word}", words.eq(word).to_numpy(dtype=float))
        for word in sorted(words.unique())
        if word != commonest
    ]


def independent(design: np.ndarray) -> list[int]:
    """Return the columns that add something to those before them."""
    kept: list[int] = []
    for i in range(design.shape[1]):
        if np.linalg.matrix_rank(design[:, [*kept, i]]) > len(kept):
            kept.append(i)
    return kept


def stacked(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Return the frames one under another, empty ones left out; the first of them where all are empty.

    pandas 2 lets an empty frame change the type of a column, and pandas 3 will not: neither may matter here.
    """
    filled = [p for p in parts if len(p)]
    if filled:
        return pd.concat(filled, ignore_index=True)
    return parts[0].reset_index(drop=True) if parts else pd.DataFrame()


def not_yet(used: pd.DataFrame, method: str, *, by: dict[str, str], term: str, unit: str, why: str) -> Result:
    """Return a result of one row without a number, whose flag says why.

    Parameters
    ----------
    used
        The rows there are so far.
    by
        Grouping columns and their values.
    why
        What is missing and what to do, in words.
    """
    row = {**by, "term": term, "estimate": np.nan, "unit": unit, "n_rows": len(used), "flag": why}
    return Result(pd.DataFrame([row]), used, method, by=tuple(by), picture="sentence")
