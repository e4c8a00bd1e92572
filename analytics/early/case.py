"""What can be said of a case before its practice has a curve: its own counts, and an assumed course beside.

Each count stands with its own counting error. The course drawn beside is assumed (`early.ladder`): no
counted study of emergence by zone was found, it is no centile of anybody, and it never enters a number here.
Once the practice has a growth model, `course.case` answers instead.
"""

import pandas as pd

from analytics import yields
from analytics.early.ladder import assumed
from analytics.errors import FitError
from analytics.records import Records, patient, subset
from analytics.results import LEVEL, OF_ONE, Curve, limits, line


def case(records: Records, patient_id: str, *, level: float = LEVEL) -> Curve:
    """Return a patient's readings by place, each with its counting error, and the assumed course.

    Returns
    -------
    Curve
        By `place` (zone and session): term `reading`, flagged as gain before month 6. `path` is the assumed
        course. `extra["points"]`: place, x, y, se; `extra["early"]`: one row a place, its latest reading.

    Raises
    ------
    ParameterError
        When the patient is not in the records.
    FitError
        When no count after a session stands beside one before it.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> found = case(clinic, clinic.patients["patient_id"].iloc[0])
    >>> found.by, found.table()["unit"].unique().tolist()
    (('place',), ['%'])
    """
    patient(records, patient_id)
    rows = yields.by_visit(subset(records, [patient_id]))
    used = yields.with_reason(rows, "curve")
    placed = rows.drop_duplicates("placement_id").sort_values(["session_number", "zone"])
    names = placed["zone"].astype(str) + ", session " + placed["session_number"].astype(str)
    why = used["reason"].reindex(rows.index).fillna("")
    rows = rows.assign(why=why)
    kept = rows[~rows["is_baseline"].astype(bool) & rows["yield_pct"].notna() & (rows["month"] > 0)]
    lines, latest, points = [], [], []
    for placement, zone, place in zip(placed["placement_id"], placed["zone"], names, strict=True):
        own = kept[kept["placement_id"].eq(placement)].sort_values("month")
        lines += _lines(own, place, level)
        latest.append(_latest(own, place, str(zone), level))
        points.append(own[["month", "yield_pct", "yield_pct_se"]].assign(place=place))
    if not lines:
        raise FitError(
            "early.case(patient_id): no planted zone of this patient has a count after its session beside a "
            "count before it; a yield needs both"
        )
    drawn = [assumed(str(z)).assign(place=p) for z, p in zip(placed["zone"], names, strict=True)]
    return Curve(
        pd.DataFrame(lines),
        used,
        f"each count against its own baseline, with its counting error; {100 * level:g} % limits; the course "
        "beside is assumed, no counted study",
        ("place",),
        picture="early",
        extra={
            "points": pd.concat(points).rename(
                columns={"month": "x", "yield_pct": "y", "yield_pct_se": "se"}
            ),
            "early": pd.DataFrame(latest),
        },
        path=pd.concat(drawn, ignore_index=True),
    )


def _lines(own: pd.DataFrame, place: str, level: float) -> list[dict]:
    return [
        line(
            "reading", float(row.yield_pct), "%", by={"place": place}, x=float(row.month),
            se=float(row.yield_pct_se), ci=limits(row.yield_pct, row.yield_pct_se, level=level), level=level,
            **OF_ONE,
            flag=_flag(float(row.month), str(row.why)),
        )
        for row in own.itertuples()
    ]  # fmt: skip


def _flag(month: float, why: str) -> str:
    said = ["gain, not yet yield"] if month < yields.YIELD_FROM_MONTH else []
    return "; ".join([*said, *([f"in no mean: {why}"] if why else [])])


def _latest(own: pd.DataFrame, place: str, zone: str, level: float) -> dict:
    """Return the latest reading of a place; without one, that there is none."""
    if own.empty:
        return {"place": place, "zone": zone, "n_readings": 0}
    row = own.iloc[-1]
    low, high = limits(float(row["yield_pct"]), float(row["yield_pct_se"]), level=level)
    return {
        "place": place,
        "zone": zone,
        "n_readings": len(own),
        "month": float(row["month"]),
        "yield_pct": float(row["yield_pct"]),
        "low": low,
        "high": high,
        "maturity_month": float(row["maturity_month"]),
    }
