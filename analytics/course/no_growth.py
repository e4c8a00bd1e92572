"""Where has no growth shown by month 9?

A placement is named where the counts made of it from month 8 on (the window of month 9 opens then), taken
together, show less than a fifth of the hairs planted:

    mean of the yields of all counts from month 8 on < 20 %

Every count speaks here, whatever its light, wet hair, hair length or thinnest hair counted, and a count
before
the session under such conditions serves as baseline too: a photograph that is no good for a mean is good
enough to see that nothing grew. So no modelled interval and no left-out count can hide a failure. The list
clears nobody: a visit is done with when a *usable* count was made (`followup.states`).

The fifth is a choice of ours. In registers with failures by `simulate` (`tests/bench/no_growth.py`) it named
93 to 94 in 100 of placements that grew less than a tenth, and 2 to 3 in 1,000 of those that grew well.
A placement without any count before its session, or without a planted density, can be judged by nothing:
those are counted apart. Where an earlier session in the zone is still immature, its hairs grow in the
reading, and a failure of the later one may stay unseen: the list says which rows these are.
"""

import pandas as pd

from analytics import records as door
from analytics import yields
from analytics.errors import ParameterError
from analytics.records import Records
from analytics.results import Result, line

NO_GROWTH_BELOW_PCT = 20.0  # of planted hairs; a choice of ours, no source
FROM_MONTH = 8.0  # the window of month 9 opens a month early; common practice, no source
NO_BASELINE = "no count before the session, or no planted density"
LISTED = (
    "patient_id zone session_number placement_id month density baseline_density planted_hairs_cm2 yield_pct "
    "n_counts n_usable is_overlap"
).split()


def no_growth(
    records: Records,
    *,
    patient_id: str = "",
    below: float = NO_GROWTH_BELOW_PCT,
    from_month: float = FROM_MONTH,
) -> Result:
    """Return the placements without visible growth by month 9, over all their counts, usable or not.

    Parameters
    ----------
    patient_id
        One patient; empty for all.
    below
        Percent of planted hairs under which no growth counts as visible, above 0 to 50.
    from_month
        Month since the session from which counts speak, 6 to 24.

    Returns
    -------
    Result
        Counts: placements counted from that month on, of these not judged, no growth visible.
        `extra["no_growth"]` has one row per placement named, the oldest operation first: its last month and
        density, the density before, hairs planted, mean yield, `n_counts` and how many of them are usable.

    Raises
    ------
    ParameterError
        When a setting is out of range, or the patient is not in the records.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> no_growth(clinic).table()["term"].unique().tolist()
    ['placements counted', 'of these not judged', 'no growth visible']
    """
    if not (0 < below <= 50 and 6 <= from_month <= 24):
        raise ParameterError(
            "course.no_growth(below, from_month): out of range; expected above 0 to 50 percent, and month 6 "
            "to 24"
        )
    if patient_id:
        door.patient(records, patient_id)
        records = door.subset(records, [patient_id])
    counts = _counts(records, from_month)
    placements = _by_placement(counts)
    judged = placements[placements["yield_pct"].notna()]
    named = judged[judged["yield_pct"] < below]
    numbers = (
        ("placements counted", len(placements)),
        ("of these not judged", len(placements) - len(judged)),
        ("no growth visible", len(named)),
    )
    return Result(
        pd.DataFrame([line(term, float(n), "count", basis="count") for term, n in numbers]),
        counts[["patient_id", "placement_id", "month", "reason"]],
        f"placements whose counts from month {from_month:g} on, whatever their light or hair length, show "
        f"together less than {below:g} % of the hairs planted; {yields.USUAL.in_words}",
        picture="sentence",
        extra={"no_growth": _listed(named, records)},
    )


def _counts(records: Records, from_month: float) -> pd.DataFrame:
    """Return all counts of planted regions from the month on, with their yield and whether it is usable."""
    usable = yields.by_visit(records)
    rows = yields.by_visit(records, choices=yields.Choices(photographs="all"))
    rows = rows.assign(is_usable=usable["for_curve"].to_numpy(dtype=bool))
    rows = rows[rows["placement_id"].notna() & ~rows["is_baseline"] & rows["month"].ge(from_month)]
    return rows.assign(reason=rows["yield_pct"].isna().map({True: NO_BASELINE, False: ""}))


def _by_placement(counts: pd.DataFrame) -> pd.DataFrame:
    """Return one row per placement: the mean of its yields, and what was read last."""
    ordered = counts.sort_values(["month", "count_number"], kind="stable")
    groups = ordered.groupby("placement_id", sort=False)
    last = groups.last()
    return last.assign(
        yield_pct=groups["yield_pct"].mean(), n_counts=groups.size(), n_usable=groups["is_usable"].sum()
    ).reset_index()


def _listed(named: pd.DataFrame, records: Records) -> pd.DataFrame:
    operated = named["session_id"].map(records.sessions.set_index("session_id")["register_month"])
    oldest = named.assign(since=operated.astype(float)).sort_values(["since", "yield_pct"])
    return oldest[LISTED].reset_index(drop=True)
