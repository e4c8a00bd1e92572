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

from analytics.disclosure.rules import (
    ABOUT,
    UNSAID,
    WITHHELD,
    Rule,
    about,
    in_words,
    is_few,
    rounded,
    rule,
    three_digits,
)
from analytics.disclosure.ties import CountTable, Hidden, suppress
from analytics.errors import ParameterError
from analytics.results import LEVEL, Curve, Result, plain, worded

STAFF = ("surgeon", "surgeon_id", "team", "team_id", "harvested_by", "planted_by", "reader_id", "operator")
PERSON_KEYS = ("patient_id", "session_id", "placement_id", "region_id")
COUNTS = ("n", "numerator", "denominator")  # and every column n_...
# Counts of other things than persons.
NOT_PERSONS = ("n_points", "n_baseline_points", "n_outside", "n_clinics", "n_draws", "n_fields", "n_months")
# Texts that follow from a row's numbers and say what they are like.
FOLLOWS = ("outcome", "conclusion", "signal", "chart")
KEY_NUMBERS = ("x", "level", "month", "register_month", "quarter", "session_number", "window")
MOST_DIMENSIONS = 4  # margins double with each
REASONS_TO = 5  # assumed, as the rounding of published counts
PER_CASE_X = ("case", "case number", "case_number")
NOT_SHOWN = "not shown"
WILSON_WITHIN = 1e-6  # percentage points, within which an interval is Wilson's
STEPS = (1.0, 2.0, 5.0, 10.0)  # percentage points


def protect(result: Result, audience: str, *, threshold: int | None = None) -> Result:
    """Return a result that may be shown to this audience; see `protect_all` for what is withheld."""
    return protect_all({"result": result}, audience, threshold=threshold)["result"]


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
    audience
        internal, shared, public, or a published rule's name.
    threshold
        A stricter local rule.

    Raises
    ------
    ParameterError
        When a result hands over a share without the counts it is made of.

    Returns
    -------
    dict
        The same names; results are returned unchanged for internal.
    """
    applied = rule(audience, threshold=threshold)
    _refuse_undeclared(results)
    if applied.threshold <= 1:
        return dict(results)
    named = {
        name: _prepared(worded(result, lambda k, n: in_words(k, n, applied)), applied)
        for name, result in results.items()
    }
    frames = {
        (name, part): frame for name, result in named.items() for part, frame in _frames(result).items()
    }
    lines = {key: _lines_once(frame, named[key[0]].by) for key, frame in frames.items()}
    tables = {key: _count_table(frame.iloc[lines[key][0]], named[key[0]].by) for key, frame in frames.items()}
    hidden = suppress(tables, applied.threshold)
    shown = {
        key: _withheld(frame, _at(hidden[key], lines[key][1]), named[key[0]].by, applied)
        for key, frame in frames.items()
    }
    return {name: _rebuilt(result, name, shown) for name, result in named.items()}


def _refuse_undeclared(results: Mapping[str, Result]) -> None:
    """Refuse shares whose counts are not declared: they could not be protected."""
    for name, result in results.items():
        for frame in _frames(result).values():
            shares = frame[_basis(frame).eq("share")].reindex(
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
    within the one before; a column `reason` lists why rows were left out.

    Parameters
    ----------
    frame
        Any table a page prints.
    by
        Columns that name groups; by default every column that holds text.

    Examples
    --------
    >>> small = pd.DataFrame({"zone": ["crown", "front", "temples"], "n": [3, 40, 12]})
    >>> protect_frame(small, "shared")["n"].tolist()
    [nan, 40.0, nan]
    """
    applied = rule(audience, threshold=threshold)
    if applied.threshold <= 1:
        return frame.copy()
    if _names_persons(frame) or _names_staff(frame, applied):
        return frame.iloc[0:0].copy()
    groups = tuple(by) or _text_columns(frame)
    hidden = suppress({"frame": _count_table(frame, groups)}, applied.threshold)["frame"]
    shown = _withheld(frame, hidden, groups, applied)
    if "stage" in frame and len(shown) == len(frame):
        shown = _without_few_lost(shown, frame, applied)
    if "reason" in frame:
        # Exact ones add up to what one total withholds.
        numbers = _numbers(shown)
        shown[numbers] = rounded(shown[numbers].astype(float), max(applied.round_to, REASONS_TO))
    return shown


def protect_text(text: str, audience: str) -> str:
    """Return a sentence with its marked counts (`results.counted`) as this audience may see them.

    A sentence around a number that is withheld says nothing: another takes its place.
    """
    applied = rule(audience)
    return UNSAID if WITHHELD in text else plain(text, lambda k, n: in_words(k, n, applied))


def protect_facts(facts: pd.DataFrame, audience: str, *, threshold: int | None = None) -> pd.DataFrame:
    """Return `Result.facts()` with small counts in words, the others to the nearest ten.

    Rows used and left out add up to the rows of the register, and so do those of another result: exact
    totals would give a small number of rows left out back.
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
    by_case = isinstance(result, Curve) and (result.x_name in PER_CASE_X or _names_persons(result.path))
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
            if by_case or is_few(n_persons, applied) or _names_persons(frame) or _names_staff(frame, applied)
            else _without_staff_rows(frame, applied)
            for name, frame in result.extra.items()
        },
    )
    if not isinstance(changed, Curve):
        return changed
    return replace(changed, path=changed.path.iloc[0:0] if is_emptied else _coarse_path(changed, applied))


def _names_persons(frame: pd.DataFrame) -> bool:
    """Tell whether the frame has a row per person or session."""
    return bool(set(frame.columns) & set(PERSON_KEYS))


def _is_at_x(frame: pd.DataFrame) -> np.ndarray:
    """Tell which rows are points or lines of a chart."""
    return frame["x"].notna().to_numpy() if "x" in frame else np.zeros(len(frame), dtype=bool)


def _names_staff(frame: pd.DataFrame, applied: Rule) -> bool:
    return not applied.by_staff and bool(set(frame.columns) & set(STAFF))


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


def _basis(frame: pd.DataFrame) -> pd.Series:
    return frame["basis"].fillna("model") if "basis" in frame else pd.Series("model", index=frame.index)


def _numbers(frame: pd.DataFrame) -> list[str]:
    numeric, truth = pd.api.types.is_numeric_dtype, pd.api.types.is_bool_dtype
    return [c for c in frame.columns if numeric(frame[c]) and not truth(frame[c])]


def _counts(frame: pd.DataFrame) -> list[str]:
    return [c for c in _numbers(frame) if c in COUNTS or (str(c).startswith("n_") and c not in NOT_PERSONS)]


def _text_columns(frame: pd.DataFrame) -> tuple[str, ...]:
    """Return the columns that name groups."""
    keys = ("term", "unit", "basis", "flag", "reason")
    return tuple(c for c in frame.columns if c not in keys and c not in _numbers(frame))


def _lines_once(frame: pd.DataFrame, by: Sequence[str]) -> tuple[np.ndarray, np.ndarray]:
    """Return which rows to ask about, and which of them stands for each row.

    A fitted line rests on the same persons at every x, so that its points are no populations of their own.
    """
    keys = [c for c in (*by, "term", *_counts(frame)) if c in frame]
    every = np.arange(len(frame))
    if "x" not in frame or "term" not in frame or frame.empty:
        return every, every
    same = frame.groupby(keys, dropna=False, sort=False).ngroup().to_numpy()
    is_model = _basis(frame).eq("model").to_numpy()
    _, first, at = np.unique(
        np.where(is_model, same, len(frame) + every), return_index=True, return_inverse=True
    )
    return first, at


def _at(hidden: Hidden, places: np.ndarray) -> Hidden:
    """Return the same for rows that stand for others, `places` giving each row its place."""
    return Hidden(hidden.rows[places], hidden.values[places], hidden.dropped[places])


def _count_table(frame: pd.DataFrame, by: Sequence[str]) -> CountTable:
    """Return the counts of a frame, and which rows belong to one population."""
    groups, basis = _dimensions(frame, by), _basis(frame)
    # The points of a line of shares are populations of their own; a fitted line's are not.
    keys = [c for c in KEY_NUMBERS if c != "x" or not basis.eq("model").all()]
    family = [c for c in ("term", "unit", *keys) if c in frame.columns and c not in groups]
    # What a number computed from counts is made of is printed nowhere.
    own = ~basis.eq("counts").to_numpy()
    counts = {c: np.where(own, frame[c].to_numpy(dtype=float), np.nan) for c in _counts(frame)}
    if "estimate" in frame and basis.eq("count").any():
        counts["estimate"] = np.where(basis.eq("count"), frame["estimate"].to_numpy(dtype=float), np.nan)
    names = frame[family].astype(str).agg("|".join, axis=1).to_numpy() if family else np.full(len(frame), "")
    levels = frame[groups].astype(object).where(frame[groups].notna(), "all").reset_index(drop=True)
    return CountTable(levels, names, counts)


def _dimensions(frame: pd.DataFrame, by: Sequence[str]) -> list[str]:
    """Return the columns over which counts add up: those named, else the texts that tell rows apart.

    A text that says the same as another in other words is no dimension of its own; of many, those with the
    fewest levels are taken.
    """
    named = [c for c in by if c in frame.columns and c not in FOLLOWS]
    if named or frame.empty:
        return named
    texts: dict[tuple, str] = {}
    for column in _text_columns(frame) or tuple(c for c in ("reason",) if c in frame):
        codes = pd.factorize(frame[column].astype(str))[0]
        if codes.max() > 0:
            texts.setdefault(tuple(codes), column)
    return sorted(texts.values(), key=lambda c: frame[c].astype(str).nunique())[:MOST_DIMENSIONS]


def _withheld(frame: pd.DataFrame, hidden: Hidden, by: Sequence[str], applied: Rule) -> pd.DataFrame:
    """Blank the withheld rows, then round what stays."""
    if frame.empty:
        return frame
    basis, counts = _basis(frame).to_numpy(), _counts(frame)
    away = hidden.values | hidden.rows | _of_few(frame, basis, applied)
    away |= _gives_back(frame, away, basis, by, applied)
    numbers = [c for c in _numbers(frame) if c not in {*by, *KEY_NUMBERS}]
    values = [c for c in numbers if c not in counts]
    shown = frame.copy()
    shown[numbers] = shown[numbers].astype(float)
    if applied.round_to > 1:
        _round_shares(shown, basis == "share", applied)
        shown[counts] = rounded(shown[counts], applied.round_to)
        if "estimate" in shown:
            own = basis == "count"
            shown.loc[own, "estimate"] = rounded(shown.loc[own, "estimate"], applied.round_to)
    shown[values] = shown[values].map(three_digits)
    shown.loc[hidden.rows, numbers] = np.nan
    shown.loc[away, [*values, *(c for c in counts if c == "numerator")]] = np.nan
    shown.loc[basis == "counts", [c for c in ("numerator", "denominator") if c in counts]] = np.nan
    for column in (c for c in FOLLOWS if c in shown):
        said = away & shown[column].fillna("").astype(str).ne("").to_numpy()
        shown[column] = shown[column].where(~said, WITHHELD.split(",")[0])
    if away.any():
        before = shown["flag"].fillna("").astype(object) if "flag" in shown else ""
        shown["flag"] = np.where(away, WITHHELD, before)
    # As many rows as events: a chart of what lies between few of them says how many there were.
    gone = hidden.dropped | (away & (basis == "counts") & _is_at_x(frame))
    return shown.loc[~gone].reset_index(drop=True)


def _of_few(frame: pd.DataFrame, basis: np.ndarray, applied: Rule) -> np.ndarray:
    """Tell of which rows the number is made of few: computed from a small count, or a quantile of few."""
    made_of = frame[_numbers(frame)].reindex(columns=["numerator", "denominator", "n_patients", "n_rows"])
    part, whole, *n = made_of.to_numpy(dtype=float).T
    few = np.any([is_few(count, applied) for count in (part, whole, whole - part, *n)], axis=0)
    return ((basis == "counts") & few) | ((basis == "quantile") & (n[0] < applied.quantiles_from))


def _gives_back(
    frame: pd.DataFrame, away: np.ndarray, basis: np.ndarray, by: Sequence[str], applied: Rule
) -> np.ndarray:
    """Tell which numbers computed from counts would give back a withheld or rounded share of their group.

    `by[0]` names what is compared with what. A line of a chart follows its point instead (`_rebuilt`).
    """
    computed = (basis == "counts") & ~_is_at_x(frame)
    unsafe = (away | ((basis == "share") & (applied.round_to > 1))) & ~computed
    groups = frame[by[0]].astype(str) if by and by[0] in frame else pd.Series("", index=frame.index)
    return computed & groups.isin(set(groups[unsafe])).to_numpy()


def _round_shares(frame: pd.DataFrame, is_share: np.ndarray, applied: Rule) -> None:
    """Recompute shares, in place, from rounded counts, and their limits so that no exact count comes back.

    A Wilson interval is computed again from the rounded counts: it says no more than they do. Another is
    rounded outward to steps as wide as half the rounding moves the percentage.
    """
    if not is_share.any():
        return
    # Half a second to import, and only where counts are rounded.
    from statsmodels.stats.proportion import proportion_confint

    has_limits = {"ci_low", "ci_high"} <= set(frame)
    level = frame["level"].fillna(LEVEL) if "level" in frame else pd.Series(LEVEL, index=frame.index)
    for row in frame.index[is_share]:
        part, whole = frame.loc[row, ["numerator", "denominator"]].astype(float)
        n = rounded(whole, applied.round_to)
        if not (np.isfinite(part) and n > 0):
            continue
        k = min(rounded(part, applied.round_to), n)
        frame.loc[row, "estimate"] = 100.0 * k / n
        if not has_limits or frame.loc[row, ["ci_low", "ci_high"]].isna().any():
            continue
        alpha = 1.0 - float(level[row])
        low, high = frame.loc[row, ["ci_low", "ci_high"]].astype(float)
        exact = 100 * np.array(proportion_confint(part, whole, alpha=alpha, method="wilson"))
        if np.allclose(exact, (low, high), atol=WILSON_WITHIN):
            ends = 100 * np.array(proportion_confint(k, n, alpha=alpha, method="wilson"))
        else:
            moved = 50.0 * applied.round_to / n
            step = next((s for s in STEPS if s >= moved), STEPS[-1])
            ends = np.array([np.floor(low / step), np.ceil(high / step)]) * step
        frame.loc[row, ["ci_low", "ci_high"]] = ends
    frame.loc[is_share, [c for c in ("se", "statistic", "p_value") if c in frame]] = np.nan


def _without_few_lost(shown: pd.DataFrame, frame: pd.DataFrame, applied: Rule) -> pd.DataFrame:
    """Return a flow whose steps are no few persons.

    Who was left out between two stages is the difference of their counts. From the last stage, which other
    tables repeat, upwards, a stage is shown only where none or at least the threshold were lost since.
    """
    changed = shown.copy()
    for column in _numbers(frame):
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
    return replace(changed, path=path[~_basis(path).eq("counts") | is_there].reset_index(drop=True))
