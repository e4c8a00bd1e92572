"""May these numbers leave, and for whom: small counts withheld, with everything that would give them back.

Every table, figure, workbook sheet and results file of a page is made from results that passed `protect`.
Three audiences: *internal* sees everything; *shared* (a partner, an insurer, another clinic) and *public*
see no count of persons below a threshold, none of the numbers that rest on it (numerator, complement,
percentage, interval, point in the figure), and none of the cells that would return it by subtraction
(`disclosure.cells`). A curve is stopped where too few are at risk and its steps are made coarse enough that
no step is a few persons. Public pages hold no breakdown by staff, and their counts are rounded.

Zero is shown, as the published rules allow. Estimates leave with three significant digits.

Sources of the thresholds: `RULES`. Convention: a count n is small when 1 <= n < threshold.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from analytics.disclosure.cells import suppress
from analytics.disclosure.derived import (
    chart_lines,
    coarse_reasons,
    flow_steps,
    paired_shares,
    repeated,
    without_few_gaps,
    without_staff_rows,
)
from analytics.disclosure.frames import (
    STAFF,
    count_table,
    flagged,
    is_by_person,
    once,
    text_columns,
    withhold,
)
from analytics.disclosure.rules import (
    ABOUT,
    Rule,
    about,
    hide_in_text,
    rounded,
    rule,
)
from analytics.results import Curve, Result

VALUE_COLUMNS = ("estimate", "se", "ci_low", "ci_high", "statistic", "df", "p_value")
SINGLE_PERSON_TERMS = re.compile(r"\b(?:min|minimum|max|maximum|lowest|highest|range)\b", re.IGNORECASE)
QUANTILE_TERMS = re.compile(r"\b(?:median|quartile|centile|percentile|iqr)\b", re.IGNORECASE)
NOT_SHOWN = "not shown"
PER_CASE_X = ("case", "case number", "case_number")


def protect(result: Result, audience: str, *, threshold: int | None = None) -> Result:
    """Return a result that may be shown to this audience; see `protect_all` for what is withheld."""
    return protect_all({"result": result}, audience, threshold=threshold)["result"]


def protect_all(
    results: Mapping[str, Result], audience: str, *, threshold: int | None = None
) -> dict[str, Result]:
    """Return results that may be shown together on one page.

    They are protected together because one table's cells can give back another's. Rows that rest on too few
    persons lose their counts, estimate, interval, test and point; further rows are withheld until no
    withheld count can be recovered from what stays (`disclosure_cells.suppress`). Rows of persons
    (`rows()`) keep nothing but a running number and the reason they were left out for.

    Parameters
    ----------
    results
        Name to result; all results of one page.
    audience
        internal, shared, public, or a published rule's name.
    threshold
        A stricter local rule.

    Returns
    -------
    dict
        The same names; results are returned unchanged for internal.
    """
    applied = rule(audience, threshold=threshold)
    if applied.threshold <= 1:
        return dict(results)
    prepared = {name: _prepare(result, applied) for name, result in results.items()}
    frames = {
        (name, part): frame for name, result in prepared.items() for part, frame in _frames(result).items()
    }
    said_once = {key: once(frame, prepared[key[0]].by) for key, frame in frames.items()}
    hidden = suppress(
        {key: count_table(frame, prepared[key[0]].by) for key, (frame, _) in said_once.items()},
        applied.threshold,
    )
    shown = {
        key: withhold(frame, hidden[key].spread(said_once[key][1]), prepared[key[0]].by, applied)
        for key, frame in frames.items()
    }
    return {name: _rebuild(result, name, shown, applied) for name, result in prepared.items()}


def protect_frame(
    frame: pd.DataFrame, audience: str, *, by: Sequence[str] = (), threshold: int | None = None
) -> pd.DataFrame:
    """Return a plain table (baseline table, flow of records) that may be shown to this audience.

    Columns named n, n_..., numerator, denominator, count, events or at_risk are counts of persons; every
    other number of a row rests on them. A table that holds one row a person is emptied.

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
    if is_by_person(frame):
        return frame.iloc[0:0].copy()
    if not applied.by_staff and set(frame.columns) & set(STAFF):
        return frame.iloc[0:0].copy()
    groups = tuple(by) or text_columns(frame)
    hidden = suppress({"frame": count_table(frame, groups)}, applied.threshold)["frame"]
    shown = withhold(frame, hidden, groups, applied)
    return coarse_reasons(flow_steps(shown, frame, applied), applied)


def protect_facts(facts: pd.DataFrame, audience: str, *, threshold: int | None = None) -> pd.DataFrame:
    """Return `Result.facts()` with small counts in words, the others to the nearest ten.

    Rows used and left out add up to the rows of the register, and so do those of another result: exact
    totals would give a small number of rows left out back.
    """
    applied = rule(audience, threshold=threshold)
    if applied.threshold <= 1:
        return facts.copy()
    shown = facts.copy()
    for column in ("n_patients", "n_rows", "n_left_out"):
        shown[column] = [about(int(n), applied) for n in facts[column]]
    shown["method"] = [hide_in_text(str(text), applied) for text in shown["method"]]
    return shown


def protect_provenance(rests_on: Mapping[str, Any], audience: str) -> dict[str, Any]:
    """Return what a report rests on as it may be shown: no exact number of rows, no hash of a table.

    The number of rows of a table is a count of persons or events. The hash of a table with few rows lets
    whoever guesses the rows see that the guess is right.
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
            "reason": hide_in_text(str(line["reason"]), applied),
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
        One row a time, sorted by x, with columns x and n_at_risk (persons at risk just before x); every
        other column is kept.

    Returns
    -------
    pandas.DataFrame
        The rows kept, the first time among them, n_at_risk rounded where the rule says so.

    Examples
    --------
    >>> steps = pd.DataFrame({"x": [0, 1, 2, 3, 4], "n_at_risk": [20, 19, 14, 8, 3]})
    >>> coarsen(steps, "shared")["x"].tolist()
    [0, 2, 3]
    """
    applied = rule(audience, threshold=threshold)
    if applied.threshold <= 1 or curve.empty:
        return curve.copy()
    kept: list[int] = []
    last = np.inf
    for position, count in enumerate(curve["n_at_risk"].to_numpy(dtype=float)):
        gone = last - count
        if count >= applied.threshold and (not kept or gone == 0 or gone >= applied.threshold):
            kept.append(position)
            last = count
    shown = curve.iloc[kept].reset_index(drop=True)
    shown["n_at_risk"] = rounded(shown["n_at_risk"], applied.round_to)
    return shown


def _prepare(result: Result, applied: Rule) -> Result:
    """Take away what no suppression could save: staff, persons one by one, single persons' values."""
    by_staff = not applied.by_staff and bool(set(result.by) & set(STAFF))
    few = 0 < _n_persons(result.used) < applied.threshold
    by_case = isinstance(result, Curve) and (result.x_name in PER_CASE_X or is_by_person(result.path))
    emptied = by_staff or few or by_case
    estimates = result.estimates.iloc[0:0] if emptied else _drop_single_values(result.estimates, applied)
    extra = {
        name: frame.iloc[0:0]
        if few or by_case or is_by_person(frame) or (not applied.by_staff and set(frame.columns) & set(STAFF))
        else paired_shares(without_staff_rows(frame, applied), applied)
        for name, frame in result.extra.items()
    }
    notes = tuple(hide_in_text(note, applied) for note in result.notes)
    notes += (_words(applied),)
    if by_staff:
        notes += ("A breakdown by staff is not shown to this audience.",)
    if by_case:
        notes += ("A chart of single cases is not shown to this audience.",)
    if few:
        notes += (f"Rests on fewer than {applied.threshold} persons, so nothing of it is shown.",)
    changed = replace(
        result,
        estimates=estimates.reset_index(drop=True),
        used=_faceless(result.used),
        method=hide_in_text(result.method, applied),
        notes=notes,
        extra=extra,
    )
    if not isinstance(changed, Curve):
        return changed
    safe = replace(changed, path=_safe_path(changed, emptied, applied))
    return without_few_gaps(safe, applied)


def _n_persons(used: pd.DataFrame) -> int:
    """Return how many persons a result rests on; 0 where its rows do not say."""
    return int(used["patient_id"].nunique()) if "patient_id" in used.columns else 0


def _words(applied: Rule) -> str:
    """Say on the page what was withheld and by which rule."""
    rounding = (
        f" Counts rounded to {applied.round_to}; percentages from rounded counts."
        if applied.round_to > 1
        else ""
    )
    return (
        f"Counts of 1 to {applied.threshold - 1} persons, and what would give them back, are withheld "
        f"({applied.source}).{rounding}"
    )


def _safe_path(curve: Curve, emptied: bool, applied: Rule) -> pd.DataFrame:
    path = curve.path
    if emptied:
        return path.iloc[0:0]
    at_risk = next((c for c in ("n_at_risk", "n_patients") if c in path.columns), None)
    if at_risk is None or curve.x_name != "month" or path.empty or not _falls(path, curve.by, at_risk):
        return path.reset_index(drop=True)
    keys = [*curve.by, "term"]
    parts = []
    for _, group in path.groupby(keys, sort=False, dropna=False):
        steps = group.sort_values("x").rename(columns={at_risk: "n_at_risk"})
        parts.append(
            coarsen(steps, applied.name, threshold=applied.threshold).rename(columns={"n_at_risk": at_risk})
        )
    return pd.concat(parts, ignore_index=True)


def _falls(path: pd.DataFrame, by: Sequence[str], at_risk: str) -> bool:
    """Tell whether the counts fall along x, as counts at risk do; a constant is a fitted group's size."""
    groups = path.sort_values("x").groupby([*by, "term"], sort=False, dropna=False)[at_risk]
    return bool(groups.apply(lambda n: n.nunique() > 1 and bool((n.diff().dropna() <= 0).all())).any())


def _drop_single_values(estimates: pd.DataFrame, applied: Rule) -> pd.DataFrame:
    """Withhold minima and maxima, which are one person's values, and quantiles of few persons."""
    if estimates.empty:
        return estimates
    term = estimates["term"].astype(str)
    single = term.str.contains(SINGLE_PERSON_TERMS)
    if "n_patients" in estimates:
        single |= term.str.contains(QUANTILE_TERMS) & estimates["n_patients"].lt(applied.quantiles_from)
    if not single.any():
        return estimates
    changed = estimates.copy()
    present = [c for c in VALUE_COLUMNS if c in changed]
    changed.loc[single, present] = np.nan
    return flagged(changed, single.to_numpy())


def _faceless(used: pd.DataFrame) -> pd.DataFrame:
    """Return rows with a running number for each person and the reason, and nothing else."""
    kept = pd.DataFrame(index=range(len(used)))
    if "patient_id" in used.columns:
        kept["patient_id"] = pd.factorize(used["patient_id"])[0] + 1
    if "reason" in used.columns:
        kept["reason"] = used["reason"].fillna("").to_numpy()
    return kept


def _frames(result: Result) -> dict[str, pd.DataFrame]:
    frames = {"estimates": result.estimates, **{f"extra:{name}": f for name, f in result.extra.items()}}
    if isinstance(result, Curve):
        frames["path"] = result.path
    return frames


def _rebuild(
    result: Result, name: str, shown: Mapping[tuple[str, str], pd.DataFrame], applied: Rule
) -> Result:
    changed = replace(
        result,
        estimates=shown[name, "estimates"],
        extra={part: shown[name, f"extra:{part}"] for part in result.extra},
    )
    if isinstance(changed, Curve):
        changed = replace(changed, path=shown[name, "path"])
    return repeated(chart_lines(changed))
