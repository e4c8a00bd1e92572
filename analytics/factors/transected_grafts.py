"""What goes with visibly transected grafts: curl, technique, method?

    share of a group = sum of grafts transected / sum of grafts taken out, over its sessions

The session is the unit, because sessions differ: a ratio of totals with limits on the logit scale from the
spread between sessions (`yields.ratio_of_sums`). Differences are those of the sessions' shares weighted by
grafts taken out, which without anything held equal are differences of those ratios, adjusted for case mix and
for who harvested, errors by patient. Techniques are compared within single-unit excision: a strip's is the
method's. Limits of the differences hold for all of them together (Bonferroni).

Ratio of totals: Cochran 1977, Sampling Techniques, chapter 6 (from memory).
"""

from collections.abc import Iterator

import pandas as pd

from analytics import bench, results, yields
from analytics.errors import FitError
from analytics.factors.adjusted import FEWEST_A_SIDE, adjusted_for, difference, formula, too_few
from analytics.records import Records
from analytics.results import LEVEL, Gap, Result, line

MATTERS = 1.0  # point of grafts taken out; a choice of ours
NOT_COUNTED = "transected grafts not counted"
COMPARED = {"curl": "curl", "harvest_technique": "technique", "method": "method"}
CASE_MIX = ("method", "curl", "age_years", "harvested_by")
PUNCHED = "FUE"


def transection(records: Records, *, level: float = LEVEL) -> Result:
    """Return the share of grafts visibly transected by curl, technique and method, and adjusted differences.

    Parameters
    ----------
    level
        Of each share, and of all differences together.

    Returns
    -------
    Result
        By `recorded` (curl: wavy): `share`, percent of grafts taken out; `difference` from the group of most
        sessions, points.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> sorted(set(transection(clinic).table()["term"]))
    ['difference from FUE', 'difference from motor punch', 'difference from straight', 'share']
    """
    frame = sessions(records)
    counted = frame[frame["reason"].eq("")].reset_index(drop=True)
    if gap := too_few(counted, "what goes with transected grafts"):
        return gap
    groups = list(_groups(counted))
    if not groups:
        return results.unanswered(Gap("Cannot be told: nothing recorded differs between enough patients."))
    n_compared = sum(len(usual) - 1 for _, _, usual in groups)
    together = 1 - (1 - level) / n_compared
    lines, method = [], ""
    for column, rows, levels in groups:
        by = {word: {"recorded": f"{COMPARED[column]}: {word}"} for word in levels}
        lines += [_share(rows[rows[column].eq(word)], by[word], level) for word in levels]
        mix = [c for c in CASE_MIX if c != column and rows[c].nunique() > 1]
        for word in levels[1:]:
            pair = rows[rows[column].isin([levels[0], word])]
            pair = pair.assign(compared=pair[column].eq(word).astype(float))
            try:
                fitted = bench.model(formula(pair, "share", "compared", mix=mix), pair, weights="grafts_out")
            except FitError:
                continue
            term = f"difference from {levels[0]}"
            lines.append(
                difference(fitted, "compared", term, "points", matters=MATTERS, level=level,
                           level_used=together, by=by[word])
            )  # fmt: skip
            method = method or adjusted_for(fitted, matters="1 point")
    said = f"grafts visibly transected of those taken out, ratio of totals, session as the unit; {method}"
    used = frame[["patient_id", "session_id", "reason"]]
    return Result(pd.DataFrame(lines), used, said, by=("recorded",))


def sessions(records: Records) -> pd.DataFrame:
    """Return one row per session: `share` of grafts visibly transected, what is compared, reason if none."""
    rows = records.sessions.merge(
        records.patients[["patient_id", "curl", "age_years"]], on="patient_id", how="left",
        validate="many_to_one",
    )  # fmt: skip
    out = rows["grafts_out"].astype(float)
    cut = rows["grafts_transected"].astype(float)
    words = {c: rows[c].astype(object).where(rows[c].notna(), None) for c in (*COMPARED, "harvested_by")}
    rows = rows.assign(grafts_out=out, grafts_transected=cut, share=100 * cut / out, zone="", **words)
    rows = rows.assign(age_years=rows["age_years"].astype(float))
    return rows.assign(reason=rows["share"].isna().map({True: NOT_COUNTED, False: ""}))


def _groups(counted: pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame, list[str]]]:
    """Return column, rows, and its words carried by enough patients, that of most sessions first."""
    for column in COMPARED:
        rows = counted[counted["method"].eq(PUNCHED)] if column == "harvest_technique" else counted
        patients = rows.groupby(column)["patient_id"].nunique()
        words = [w for w in rows[column].value_counts().index if patients[w] >= FEWEST_A_SIDE]
        if len(words) > 1:
            yield column, rows.reset_index(drop=True), words


def _share(rows: pd.DataFrame, by: dict[str, str], level: float) -> dict:
    ratio, se, low, high = yields.ratio_of_sums(rows["grafts_transected"], rows["grafts_out"], level=level)
    # Grafts of sessions: no count of persons can be had back from their ratio.
    return line(
        "share", 100 * ratio, "% of grafts taken out", by=by, se=100 * se, ci=(100 * low, 100 * high),
        level=level, basis="model", n_patients=int(rows["patient_id"].nunique()), n_rows=len(rows),
    )  # fmt: skip
