"""May these numbers leave, and for whom: small counts withheld, with everything that would give them back.

Every table, figure, workbook sheet and results file of a page is made from results that passed `protect_all`.
Three audiences: *internal* sees everything; *shared* (a partner, an insurer, another clinic) and *public* see
no count of persons below a threshold, none of the numbers that rest on it (numerator, complement,
percentage, interval, point in the figure), and none of the cells that would return it by subtraction
(`ties`). A curve is stopped where too few are at risk and its steps are made coarse enough that no step is a
few persons. Public pages hold no breakdown by staff, and their counts are rounded.

What is a count is declared, never guessed: the columns n, n_..., numerator, denominator of any frame, a
row's `basis` (`results.BASES`), and counts inside a text (`results.counted`). Text columns name groups; every
other number of a row rests on the row's persons.

Zero is shown, as the published rules allow. Estimates leave with three significant digits.

Sources of the thresholds: `rules.RULES`. Convention: a count n is few when 1 <= n < threshold.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from analytics.disclosure.frames import (
    STAFF,
    basis_of,
    count_table,
    lines_once,
    names_persons,
    names_staff,
    numbers_of,
    spread,
    text_columns,
    whole_quarters,
    withheld,
)
from analytics.disclosure.rules import (
    ABOUT,
    UNSAID,
    UNTOLD,
    WITHHELD,
    Rule,
    about,
    in_words,
    is_few,
    rounded,
    rule,
)
from analytics.disclosure.ties import suppress
from analytics.errors import ParameterError
from analytics.results import Curve, Gap, Result, plain, unanswered, worded

REASONS_TO = 5  # assumed, as the rounding of published counts
OF_STAFF = ("surgeon", "team", "reader")  # as a variable of a table of groups begins
PER_CASE_X = ("case", "case number", "case_number")
NOT_SHOWN = "not shown"


def protect_all(
    results: Mapping[str, Result], audience: str, *, threshold: int | None = None
) -> dict[str, Result]:
    """Return results that may be shown together on one page.

    They are protected together because one table's cells can give back another's. Rows that rest on too few
    persons lose their counts, estimate, interval, test and point; further rows are withheld until no
    withheld count can be recovered from what stays (`ties.suppress`). Rows of persons (`rows()`) keep
    nothing but a running number and the reason they were left out for.

    Parameters
    ----------
    results
        Name to result; all results of one page.
    threshold
        A stricter local rule.

    Returns
    -------
    dict
        The same names; results are returned unchanged for internal.

    Raises
    ------
    ParameterError
        When a result hands over a share without the counts it is made of.

    Examples
    --------
    Two persons are withheld, and a second count with them, so that no sum gives them back:

    >>> from analytics.results import line
    >>> rows = [line("seen", float(n), "count", by={"zone": z}, basis="count", n_patients=n)
    ...         for z, n in (("crown", 2), ("frontal", 40))]
    >>> made = Result(pd.DataFrame(rows), pd.DataFrame(), "", by=("zone",))
    >>> protect_all({"seen": made}, "public")["seen"].table()["estimate"].tolist()
    [nan, nan]
    """
    applied = rule(audience, threshold=threshold)
    _refuse_undeclared(results)
    if applied.threshold <= 1:
        return dict(results)
    named = {
        name: _prepared(worded(result, lambda k, n: in_words(k, n, applied)), applied)
        for name, result in results.items()
        if result.gap is None
    }
    frames = {
        (name, part): frame for name, result in named.items() for part, frame in _frames(result).items()
    }
    lines = {key: lines_once(frame, named[key[0]].by) for key, frame in frames.items()}
    tables = {key: count_table(frame.iloc[lines[key][0]], named[key[0]].by) for key, frame in frames.items()}
    hidden = suppress(tables, applied.threshold)
    shown = {
        key: withheld(
            frame, whole_quarters(frame, spread(hidden[key], lines[key][1])), named[key[0]].by, applied
        )
        for key, frame in frames.items()
    }
    return {
        name: _rebuilt(named[name], name, shown) if name in named else _untold(result)
        for name, result in results.items()
    }


def _untold(result: Result) -> Result:
    """Return a result without an answer as readers outside may see it: why not stays inside the clinic."""
    is_absent = result.gap is not None and result.gap.is_absent
    return unanswered(Gap(UNTOLD, is_absent=is_absent))


def _refuse_undeclared(results: Mapping[str, Result]) -> None:
    """Refuse shares whose counts are not declared: they could not be protected."""
    for name, result in results.items():
        for frame in _frames(result).values():
            shares = frame[basis_of(frame).eq("share")].reindex(
                columns=["estimate", "numerator", "denominator"]
            )
            if (shares["estimate"].notna() & shares.isna().any(axis=1)).any():
                raise ParameterError(
                    f"disclosure.protect_all({name}): a share is handed over without its numerator and "
                    "denominator; declare both, as results.line does"
                )


def protect_frame(
    frame: pd.DataFrame, audience: str, *, by: Sequence[str] = (), threshold: int | None = None
) -> pd.DataFrame:
    """Return a plain table (baseline table, flow of records) that may be shown to this audience.

    Columns named n, n_..., numerator, denominator are counts of persons; every other number of a row rests on
    them. A table that holds one row per person is emptied. A column `stage` makes a flow of it, each row
    within the one before; a column `reason` lists why rows were left out; a column `variable` describes the
    same persons again and again, each time in the words of `level`.

    Parameters
    ----------
    frame
        Any table a page prints.
    by
        Columns that name groups; by default every column that holds text.
    threshold
        A stricter local rule.

    Returns
    -------
    pandas.DataFrame
        A copy; what may not be shown is NaN.

    Examples
    --------
    >>> small = pd.DataFrame({"zone": ["crown", "front", "temples"], "n": [3, 40, 12]})
    >>> protect_frame(small, "shared")["n"].tolist()
    [nan, 40.0, nan]
    """
    applied = rule(audience, threshold=threshold)
    if applied.threshold <= 1:
        return frame.copy()
    if names_persons(frame) or names_staff(frame, applied):
        return frame.iloc[0:0].copy()
    if not by and {"variable", "level"} <= set(frame):
        return _described(frame, applied)
    groups = tuple(by) or text_columns(frame)
    hidden = suppress({"frame": count_table(frame, groups)}, applied.threshold)["frame"]
    shown = withheld(frame, hidden, groups, applied)
    if "stage" in frame and len(shown) == len(frame):
        shown = _without_few_lost(shown, frame, applied)
    if "reason" in frame:
        # Exact ones add up to what one total withholds.
        numbers = numbers_of(shown)
        shown[numbers] = rounded(shown[numbers].astype(float), max(applied.round_to, REASONS_TO))
    return shown


def _described(frame: pd.DataFrame, applied: Rule) -> pd.DataFrame:
    """Return a table of groups, variable by variable: a reader knows how many there are from any other."""
    shown = []
    for variable, own in frame.groupby("variable", sort=False):
        if applied.by_staff or not str(variable).startswith(OF_STAFF):
            own = own.reset_index(drop=True)
            hidden = suppress({"frame": count_table(own, ["level"])}, applied.threshold)["frame"]
            counts = [c for c in numbers_of(own) if c.startswith("n_") and not c.startswith("n_missing")]
            if is_few(own.loc[hidden.rows, counts].sum(), applied).any():  # what the rows shown leave over
                hidden = replace(hidden, rows=np.ones(len(own), dtype=bool))
            shown.append(withheld(own, hidden, ["level"], applied))
    return pd.concat(shown, ignore_index=True) if shown else frame.iloc[0:0].copy()


def protect_text(text: str, audience: str) -> str:
    """Return a sentence with its marked counts (`results.counted`) as this audience may see them.

    A sentence around a number that is withheld says nothing: another takes its place.

    Parameters
    ----------
    text
        A sentence, its counts marked by `results.counted`.

    Returns
    -------
    str
        Without marks.

    Examples
    --------
    >>> from analytics.results import counted
    >>> protect_text(f"of {counted(3)} patients", "internal")
    'of 3 patients'
    """
    applied = rule(audience)
    return UNSAID if WITHHELD in text else plain(text, lambda k, n: in_words(k, n, applied))


def protect_facts(facts: pd.DataFrame, audience: str, *, threshold: int | None = None) -> pd.DataFrame:
    """Return `Result.facts()` with small counts in words, the others to the nearest ten.

    Rows used and left out add up to the rows of the register, and so do those of another result: exact
    totals would give a small number of rows left out back.

    Parameters
    ----------
    facts
        Of `Result.facts()`.
    threshold
        A stricter local rule.

    Returns
    -------
    pandas.DataFrame
        A copy.
    """
    applied = rule(audience, threshold=threshold)
    if applied.threshold <= 1:
        return facts.copy()
    totals = ("n_patients", "n_rows", "n_left_out")
    return facts.assign(**{column: [about(int(n), applied) for n in facts[column]] for column in totals})


def protect_provenance(rests_on: Mapping[str, Any], audience: str) -> dict[str, Any]:
    """Return what a report rests on as it may be shown: no exact number of rows, no hash of a table.

    The number of rows of a table is a count of persons or events. The hash of a table with few rows lets
    whoever guesses the rows see that the guess is right. Reasons are given without their numbers.

    Parameters
    ----------
    rests_on
        `sources` and `balance`, as a report states them.

    Returns
    -------
    dict
        A copy.
    """
    applied = rule(audience)
    if applied.threshold <= 1:
        return dict(rests_on)
    sources = [
        {**source, "n_rows": about(int(source["n_rows"]), applied), "sha256": NOT_SHOWN}
        for source in rests_on["sources"]
    ]
    balance = [
        {
            **line,
            **{c: float(rounded(int(line[c]), ABOUT)) for c in ("read", "used", "left_out")},
            "reason": "".join(c for c in str(line["reason"]) if not c.isdigit()).strip(),
        }
        for line in rests_on["balance"]
    ]
    return {**rests_on, "sources": sources, "balance": balance}


def coarsen(curve: pd.DataFrame, audience: str, *, threshold: int | None = None) -> pd.DataFrame:
    """Return a step curve on a grid coarse enough that no step and no count at risk is a few persons.

    The curve is stopped at the last time with at least `threshold` at risk. A time is kept only when the
    persons who left since the last kept time (by reaching the milestone or by being no longer followed)
    number none or at least `threshold`, so that neither a single time of an event nor a drop-out can be
    read off.

    Parameters
    ----------
    curve
        One row per time, sorted by x, with columns x and n_patients (persons at risk just before x); every
        other column is kept.

    Returns
    -------
    pandas.DataFrame
        The rows kept, the first time among them.

    Examples
    --------
    >>> steps = pd.DataFrame({"x": [0, 1, 2, 3, 4], "n_patients": [20, 19, 14, 8, 3]})
    >>> coarsen(steps, "shared")["x"].tolist()
    [0, 2, 3]
    """
    applied = rule(audience, threshold=threshold)
    chosen: list[int] = []
    last = np.inf
    for position, count in enumerate(curve["n_patients"].to_numpy(dtype=float)):
        if count >= applied.threshold and not is_few(last - count, applied):
            chosen.append(position)
            last = count
    return curve.iloc[chosen].reset_index(drop=True)


def _prepared(result: Result, applied: Rule) -> Result:
    """Take away what no suppression could save: staff, persons one by one, a curve's single steps."""
    n_persons = int(result.used["patient_id"].nunique()) if "patient_id" in result.used else 0
    by_case = isinstance(result, Curve) and (result.x_name in PER_CASE_X or names_persons(result.path))
    why = {
        "A breakdown by staff is not shown to this audience.": not applied.by_staff
        and bool(set(result.by) & set(STAFF)),
        "A chart of single cases is not shown to this audience.": by_case,
        f"Rests on fewer than {applied.threshold} persons, so nothing of it is shown.": is_few(
            n_persons, applied
        ),
    }
    is_emptied = any(why.values())
    changed = replace(
        result,
        estimates=result.estimates.iloc[0:0] if is_emptied else result.estimates.reset_index(drop=True),
        used=_faceless(result.used),
        notes=(*result.notes, applied.said(), *(note for note, holds in why.items() if holds)),
        extra={
            name: frame.iloc[0:0]
            if by_case or is_few(n_persons, applied) or names_persons(frame) or names_staff(frame, applied)
            else _without_staff_rows(frame, applied)
            for name, frame in result.extra.items()
        },
    )
    if not isinstance(changed, Curve):
        return changed
    return replace(changed, path=changed.path.iloc[0:0] if is_emptied else _coarse_path(changed, applied))


def _without_staff_rows(frame: pd.DataFrame, applied: Rule) -> pd.DataFrame:
    """Return a table without the rows it says are of staff (`is_staff`), where the rule lists none."""
    if applied.by_staff or "is_staff" not in frame:
        return frame
    return frame[~frame["is_staff"].astype(bool)].reset_index(drop=True)


def _faceless(used: pd.DataFrame) -> pd.DataFrame:
    """Return rows with a running number for each person and the reason, and nothing else."""
    faceless = pd.DataFrame(index=range(len(used)))
    if "patient_id" in used.columns:
        faceless["patient_id"] = pd.factorize(used["patient_id"])[0] + 1
    if "reason" in used.columns:
        faceless["reason"] = used["reason"].fillna("").to_numpy()
    return faceless


def _coarse_path(curve: Curve, applied: Rule) -> pd.DataFrame:
    """Return a path with coarse steps where its counts fall along x, as counts at risk do."""
    path = curve.path.reset_index(drop=True)
    if "n_patients" not in path or curve.x_name != "month" or path.empty:
        return path
    lines = [line.sort_values("x") for _, line in path.groupby([*curve.by, "term"], sort=False, dropna=False)]
    fall = [
        n.nunique() > 1 and bool((n.diff().dropna() <= 0).all())
        for n in (line["n_patients"] for line in lines)
    ]
    if not any(fall):
        return path
    coarse = [coarsen(line, applied.name, threshold=applied.threshold) for line in lines]
    return pd.concat(coarse, ignore_index=True)


def _frames(result: Result) -> dict[str, pd.DataFrame]:
    frames = {"estimates": result.estimates, **{f"extra:{name}": f for name, f in result.extra.items()}}
    if isinstance(result, Curve):
        frames["path"] = result.path
    return frames


def _without_few_lost(shown: pd.DataFrame, frame: pd.DataFrame, applied: Rule) -> pd.DataFrame:
    """Return a flow whose steps are no few persons.

    Who was left out between two stages is the difference of their counts. From the last stage, which other
    tables repeat, upwards, a stage is shown only where none or at least the threshold were lost since.
    """
    changed = shown.copy()
    for column in numbers_of(frame):
        counts, last = frame[column].to_numpy(dtype=float), -np.inf
        for i in range(len(counts) - 1, -1, -1):
            if not np.isfinite(counts[i]) or pd.isna(shown[column].iloc[i]):
                continue
            if is_few(counts[i] - last, applied):
                changed.loc[changed.index[i], column] = np.nan
            else:
                last = counts[i]
    return changed


def _rebuilt(result: Result, name: str, shown: Mapping[tuple[str, str], pd.DataFrame]) -> Result:
    """Return the result of its shown frames; a chart's line computed from counts only where its point is."""
    changed = replace(
        result,
        estimates=shown[name, "estimates"],
        extra={part: shown[name, f"extra:{part}"] for part in result.extra},
    )
    if not isinstance(changed, Curve):
        return changed
    path = shown[name, "path"]
    keys = [c for c in (*result.by, "x") if c in path and c in changed.estimates]
    points = changed.estimates[changed.estimates["estimate"].notna()]
    there = pd.MultiIndex.from_frame(points[keys].astype(str)) if keys else []
    is_there = pd.MultiIndex.from_frame(path[keys].astype(str)).isin(there) if keys else True
    return replace(changed, path=path[~basis_of(path).eq("counts") | is_there].reset_index(drop=True))
