"""Why do photographs fail: which reasons, by whom, where and when?

The unit is an attendance as one reader saw it (`yields.attendances`). Each reason is a share of all
attendances, Wilson's limits. Differences in the share that failed, from the reader or room of most
attendances, from before the session, and for each year of the register, are taken together by least squares
of yes and no, in points, with errors by patient; a day that two readers saw, whose photographs fail together,
counts once. Limits hold for all of them together (Bonferroni). The error of a share that rests on k failures
is itself known to one part in the square root of k only, so that a difference has at most 2 k degrees of
freedom (Satterthwaite 1946, Biometrics Bull 2:110-114), k being the days failed on the side with fewer.
"""

from typing import Any

import pandas as pd

from analytics import bench, results, yields
from analytics.errors import FitError
from analytics.factors.adjusted import FEWEST_A_SIDE, adjusted_for, difference, too_few
from analytics.numerics import proportions
from analytics.records import Records
from analytics.results import LEVEL, Gap, Result, line

MATTERS = 5.0  # points of attendances; a choice of ours
ALL = "all attendances"
ROLES = {"reader_id": "reader", "device_class": "device", "room": "room", "time": "time"}
TIMES = {-1.0: "before the session", 0.0: "months to 9", 9.0: "after month 9"}  # above this month
A_YEAR = "for each year of the register"
NOT_SAID = "reason not said"


def photographs(records: Records, *, level: float = LEVEL) -> Result:
    """Return why photographs failed, and whether readers, rooms or months differ, adjusted for one another.

    Parameters
    ----------
    level
        Of each share, and of all differences together.

    Returns
    -------
    Result
        By `seen`: for all attendances each reason, percent; then each reader, device, room and time against
        the commonest, points. `extra["reasons"]`: attendances and failures by reason for each.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> photographs(clinic).table()["unit"].unique().tolist()
    ['% of attendances', 'points']
    """
    rows = yields.attendances(records)
    month = records.sessions.set_index("session_id")["register_month"].astype(float)
    rows = rows.assign(
        year=(rows["session_id"].map(month) + rows["month"]) / 12,
        time=pd.cut(rows["month"], [-99.0, 0.0, 9.0, 9e9], labels=list(TIMES.values())).astype(str),
        reason=rows["condition_reason"].fillna(NOT_SAID).where(rows["failed"], "").astype(str),
        outcome=100.0 * rows["failed"].astype(float),
    )
    if gap := too_few(rows, "why photographs fail"):
        return gap
    if not rows["failed"].any():
        return results.unanswered(Gap(f"None of {results.counted(len(rows))} attendances failed."))
    lines = [_share(rows, rows["failed"], "any reason", level)]
    reasons = rows.loc[rows["failed"], "reason"].value_counts().index
    lines += [_share(rows, rows["reason"].eq(word), word, level) for word in reasons]
    found, method = _differences(rows, level)
    said = f"share of attendances as one reader saw them, Wilson limits; {method}"
    used = rows[["patient_id", "session_id", "month"]].assign(reason="")
    return Result(
        pd.DataFrame([*lines, *found]), used, said, by=("seen",), extra={"reasons": _by_group(rows)}
    )


def _share(rows: pd.DataFrame, failed: pd.Series, term: str, level: float) -> dict:
    k, n = int(failed.sum()), len(rows)
    share = proportions.proportion(k, n, level=level)
    return line(
        term, 100 * k / n, "% of attendances", by={"seen": ALL},
        ci=(100 * float(share.low), 100 * float(share.high)), level=level, basis="share", numerator=k,
        denominator=n, n_patients=int(rows["patient_id"].nunique()), n_rows=n,
    )  # fmt: skip


def _differences(rows: pd.DataFrame, level: float) -> tuple[list[dict], str]:
    """Return the differences of one model as lines, and its method; none where it cannot be fitted."""
    given = rows.assign(**{c: rows[c].astype(object) for c in ROLES})
    terms, names = {}, []
    for column, role in ROLES.items():
        patients = given.groupby(column)["patient_id"].nunique()
        words = given[column].value_counts().index
        for k, word in enumerate(w for w in words[1:] if patients[w] >= FEWEST_A_SIDE):
            name = f"{column}_{k}"
            given[name] = given[column].eq(word).astype(float)
            terms[name] = f"{role}: {word}", f"difference from {words[0]}"
            names.append(name)
    day = given.groupby(["patient_id", "session_id", "month"])["failed"].transform("size")
    given = given.assign(years=given["year"] - given["year"].mean(), of_day=1 / day)
    terms["years"] = ALL, A_YEAR
    together = 1 - (1 - level) / len(terms)
    try:
        fitted = bench.model(f"outcome ~ {' + '.join(terms)}", given, weights="of_day")
    except FitError:
        return [], "differences not fitted"
    known: dict[str, Any] = {"matters": MATTERS, "level": level, "level_used": together}
    days = given["failed"] * given["of_day"]
    most = {name: proportions.df_of_events(days, given[name]) for name in terms if name in fitted.terms}
    lines = [
        difference(fitted, name, term, "points", by={"seen": seen}, most_df=most[name], **known)
        for name, (seen, term) in terms.items()
        if name in most
    ]
    said = adjusted_for(fitted, matters=f"{MATTERS:g} points")
    return lines, f"differences adjusted for one another, limits for all {len(terms)} together; {said}"


def _by_group(rows: pd.DataFrame) -> pd.DataFrame:
    """Return one row per reader, device, room and time: attendances, failures, and failures by reason."""
    out = []
    for column, role in ROLES.items():
        if rows[column].nunique() < 2:
            continue
        for word, own in rows.groupby(column, sort=True):
            counts = own.loc[own["failed"], "reason"].value_counts()
            n_of = {f"n_{reason.replace(' ', '_')}": int(n) for reason, n in counts.items()}
            of_all = {"n_attendances": len(own), "n_failed": int(own["failed"].sum())}
            out.append({"seen": f"{role}: {word}", **of_all, **n_of})
    table = pd.DataFrame(out)
    reasons = [c for c in table if c.startswith("n_")]
    return table.fillna(dict.fromkeys(reasons, 0)).astype(dict.fromkeys(reasons, "int64"))
