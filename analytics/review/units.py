"""What every panel counts: rows of one form, their exceptions, and their case mix as columns.

Every panel of the review rests on the rows that a criterion hands over (`review.kinds`), so that an
indicator, its run chart and its operators can never disagree. They have one form, one row per unit:

- patient_id, session_id, surgeon_id, harvested_by, method: whose it is and how it was done;
- register_month, quarter: when it counts; operated: register month of the operation;
- part, whole: what is reported is part over whole (for a mean, whole is 1);
- reason: empty, or why the row does not count: a declared exception, or not known.

In a case mix a missing value is its own group of a word, and the mean of a number, so that no row is lost.
A panel that cannot be filled yet says so in a sentence instead of stopping the page (`not_yet`).
"""

import numpy as np
import pandas as pd

from analytics.numerics import diagnostics
from analytics.records import Records, with_columns
from analytics.results import Result, line
from analytics.review.periods import quarter_of

NOT_RECORDED = "not recorded"
OPERATORS = ("surgeon_id", "harvested_by")  # columns that name who may be compared
KEYS = ["patient_id", "session_id", "surgeon_id", "harvested_by", "method", "register_month"]
COLUMNS = [*KEYS, "quarter", "part", "whole", "reason"]


def of_sessions(sessions: pd.DataFrame, part, whole) -> pd.DataFrame:
    """Return one row per session in the quarter of its operation; what was not recorded says so."""
    rows = sessions[KEYS].assign(
        quarter=quarter_of(sessions["register_month"]).astype(int),
        part=np.asarray(part, dtype=float),
        whole=np.asarray(whole, dtype=float),
    )
    missing = rows["part"].isna() | rows["whole"].isna() | (rows["whole"] <= 0)
    return rows.assign(reason=np.where(missing, NOT_RECORDED, ""))


def with_operation(rows: pd.DataFrame, records: Records) -> pd.DataFrame:
    """Add who operated, how and when to rows that carry a session."""
    wanted = [c for c in KEYS if c not in ("patient_id", "session_id")]
    bare = rows.drop(columns=[c for c in wanted if c in rows.columns])
    return bare.merge(records.sessions[["session_id", *wanted]], on="session_id", validate="many_to_one")


def exceptions(records: Records, declared: tuple[str, ...]) -> pd.Series:
    """Return, by session, the first declared exception that applies, else empty."""
    sessions = records.sessions
    scarred = records.patients.set_index("patient_id")["scarring"].fillna(False).astype(bool)
    tests = {
        "scarring": sessions["patient_id"].map(scarred).fillna(False).astype(bool),
        "repeat session": sessions["session_number"] > 1,
        "not from the scalp": sessions["donor_source"].fillna("scalp").ne("scalp"),
        "combined method": sessions["method"].eq("combined"),
    }
    code = pd.Series("", index=sessions.index)
    for name in reversed(declared):
        code = code.mask(tests[name], f"exception: {name}")
    return code.set_axis(sessions["session_id"])


def with_exceptions(
    rows: pd.DataFrame, records: Records, methods: tuple[str, ...], declared: tuple[str, ...]
) -> pd.DataFrame:
    """Return the rows of these methods, `operated` added, the exceptions among them with their reason."""
    rows = rows[rows["method"].isin(methods)]
    code = rows["session_id"].map(exceptions(records, declared)).fillna("")
    operated = rows["session_id"].map(records.sessions.set_index("session_id")["register_month"])
    reason = code.where(code.ne(""), rows["reason"])
    return rows.assign(operated=operated.astype(int), reason=reason).reset_index(drop=True)


def with_case_mix(rows: pd.DataFrame, records: Records, names: tuple[str, ...]) -> pd.DataFrame:
    """Return the rows with the case-mix columns of their session and patient added where missing."""
    return with_columns(rows, records, names, of=("sessions", "patients"), where="review, case mix")


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
    chosen = diagnostics.independent(design)
    return design[:, chosen], [labels[i] for i in chosen]


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


def stacked(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Return the frames one under another, empty ones left out; the first of them where all are empty.

    pandas 2 lets an empty frame change the type of a column, and pandas 3 will not: neither may matter here.
    """
    filled = [p for p in parts if len(p)]
    if filled:
        return pd.concat(filled, ignore_index=True)
    return parts[0].reset_index(drop=True) if parts else pd.DataFrame()


def none_declared(records: Records, *, by: str, term: str, what: str) -> Result:
    """Return a result of one row that says that no criterion, or change, is declared that could be asked."""
    used = records.sessions[["patient_id", "session_id"]].assign(reason="")
    why = f"{what} is declared in the criteria"
    return not_yet(used, "nothing was asked", by={by: "none"}, term=term, unit="", why=why)


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
    row = line(term, np.nan, unit, by=by, n_rows=len(used), flag=why)
    return Result(pd.DataFrame([row]), used, method, by=tuple(by), picture="sentence")
