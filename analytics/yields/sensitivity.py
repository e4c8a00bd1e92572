"""How much does the headline depend on the choices made?

Mean yield at maturity (`yields.means`) again and again, one choice changed at a time. Lines that the
records cannot give (no control region, no second device) say so or are named in the notes; none is left out
unseen.

The headline rests on readings from eleven months on. Native hair shed by surgery is back by month 9
(practitioner texts, low evidence), so that it is not in these lines; it is in a growth model's, which starts
at month 0. `with_view` sets such a model's number, with all readings or with those from month 9 on, under
them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from analytics import measurement
from analytics.dictionary import BASELINE_FROM_MONTH
from analytics.errors import FitError, ParameterError
from analytics.measurement import CountError
from analytics.records import Records
from analytics.results import LEVEL, Result, why_not
from analytics.yields.choices import ANNUAL_LOSS_PCT, ANNUAL_LOSS_SENSITIVITY_PCT, USUAL, Choices
from analytics.yields.followup import if_not_read
from analytics.yields.level import Season, estimate, levelled
from analytics.yields.link import ZONE_CV, planted_error
from analytics.yields.losses import GRAFTS_FAIL_WHOLE, graft_yield, has_graft_sizes
from analytics.yields.means import average
from analytics.yields.rows import YIELD_FROM_MONTH, finished, linked
from analytics.yields.season import METHOD, NOTE, as_result

MAIN = "main line"
# How far those never read may stand from the others: a choice of ours, no source.
AWAY_POINTS = 10.0


@dataclass(frozen=True, slots=True)
class Line:
    """One line: which choice is changed, to what in words, and all that its yields rest on.

    `zone_ratio` stands for the clinic's own ratio of region over zone average; `first_only` leaves out zones
    planted before; `in_grafts` names the term of the share of grafts that is asked for; `points_if_not_read`
    as in `if_not_read`; `month` as in `average`.
    """

    choice: str
    option: str
    choices: Choices
    zone_ratio: float | None = None
    first_only: bool = False
    in_grafts: str = ""
    points_if_not_read: float = 0.0
    month: float | None = None

    @property
    def link(self) -> tuple:
        """Return what its linked rows hang on: lines that share it share the rows."""
        c = self.choices
        return c.photographs, c.planted, c.baseline, c.bridge, self.zone_ratio


def sensitivity(
    records: Records, *, by: Sequence[str] = ("zone",), choices: Choices = USUAL, level: float = LEVEL
) -> Result:
    """Return the headline under each defensible choice, one choice changed at a time.

    Choices: native change (none, 3.7, 4.8, 5.9 % a year, control regions where there are any), baseline
    (nearest count, mean of all, zones planted for the first time), photographs (standard or all, readers or
    devices bridged), season of the count (as counted or levelled), planted density (best, region only, zone
    average only, its mean ratio), hairs or grafts, month (maturity, month 12 for all), those never read
    (AWAY_POINTS lower or higher). The first is the main line. `extra["season"]` is the table of
    `yields.season`.

    Parameters
    ----------
    by
        Columns to group by, as in `yields.average`.
    choices
        Those of the main line, with counts as they are.

    Returns
    -------
    Result
        By group, the line `main` and one per choice, in percent of planted hairs.

    Raises
    ------
    ParameterError
        When the main line is to be levelled.
    FitError
        When no reading is usable under any choice.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> sensitivity(clinic, choices=Choices(season="levelled"))  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    analytics.errors.ParameterError: yields.sensitivity(choices): levelled in a line of its own; ...
    """
    if choices.season != "as counted":
        raise ParameterError(
            "yields.sensitivity(choices): levelled in a line of its own; use season='as counted'"
        )
    lines, not_asked = _lines(records, choices)
    error = measurement.error_model(records)
    main: Result | None = None
    swing: Season | None = None
    parts: list[pd.DataFrame] = []
    links: dict[tuple, tuple[pd.DataFrame, Records]] = {}
    visits: dict[tuple, pd.DataFrame] = {}
    for line in lines:
        if line.link not in links:
            links[line.link] = _linked(records, line)
        rows, linked_records = links[line.link]
        try:
            if line.choices.season == "levelled":
                swing = swing or _swing(main, error)
                rows = levelled(rows, swing)
            made = (line.choices, line.zone_ratio)
            if made not in visits:
                # The first line answers for every row; the others need those a headline may rest on.
                late = rows if main is None else rows[rows["month"].ge(YIELD_FROM_MONTH)]
                visits[made] = finished(late, linked_records, error, line.choices)
            result = _answer(visits[made], linked_records, line, by=by, level=level, error=error)
        except FitError as problem:
            groups = main.table()[list(by)] if main else pd.DataFrame([dict.fromkeys(by, "all")])
            parts.append(_absent(line, groups, str(problem)))
            continue
        main = main or result
        parts.append(result.table().assign(choice=line.choice, option=line.option))
    if main is None:
        raise FitError(
            "yields.sensitivity: no planted zone has a usable count near its month of maturity, whatever is "
            "chosen"
        )
    season = as_result(swing or _swing(main, error), main.rows(), level=level)
    return Result(
        pd.concat(parts, ignore_index=True),
        main.rows(),
        f"headline under each choice, one changed at a time; {main.method}",
        by=("choice", "option", *by),
        checks=main.checks,
        picture="sensitivity",
        notes=(*main.notes, *not_asked),
        extra={"season": season.estimates},
    )


def _swing(main: Result | None, error: CountError) -> Season:
    """Return the swing of the year in the rows of the main line."""
    if main is None:
        raise FitError("yields.sensitivity: no reading is usable in the main line")
    return estimate(main.rows(), error)


def season_of(lines: Result) -> Result:
    """Return what `yields.season` says of the rows of the main line, estimated for the lines already.

    Parameters
    ----------
    lines
        Of `sensitivity`.

    Returns
    -------
    Result
        As `yields.season`; `lines` itself where it has no answer.

    Examples
    --------
    >>> from analytics.results import Gap, unanswered
    >>> season_of(unanswered(Gap("No count is mature."))).gap.why
    'No count is mature.'
    """
    if why_not(lines):
        return lines
    return Result(lines.extra["season"], lines.rows(), METHOD, notes=(NOTE,))


def with_view(
    lines: Result,
    view: Result,
    *,
    option: str,
    choice: str = "growth model",
    term: str = "yield_at_maturity",
) -> Result:
    """Return the lines of `sensitivity` with one more: the same number from another view.

    Parameters
    ----------
    lines, view
        The lines, and a result with the same groups.
    choice, option
        Words for the new line.
    term
        Term of the view that stands for the headline, in percent of planted hairs.

    Returns
    -------
    Result
        `lines` with a row for each of its groups that the view has.

    Raises
    ------
    ParameterError
        When the view has no such term, or no group of the lines.

    A view without an answer adds no line; the notes say why.

    Examples
    --------
    >>> from analytics.results import Gap, unanswered
    >>> gap = unanswered(Gap("No count is mature."))
    >>> with_view(gap, gap, option="curve").gap.why
    'No count is mature.'
    """
    if why_not(lines):
        return lines
    if why := why_not(view):
        return replace(lines, notes=(*lines.notes, f"No line for {choice}, {option}: {why}"))
    groups = list(lines.by[2:])
    table = view.table()
    if not set(groups) <= set(table.columns):
        raise ParameterError(
            f"yields.with_view(view): not by {', '.join(groups)}; ask for it by the same groups"
        )
    known = lines.table()[groups].drop_duplicates()
    rows = table[table["term"].eq(term)].merge(known, on=groups, how="inner", validate="one_to_one")
    if rows.empty:
        raise ParameterError(
            f"yields.with_view(term): {term} stands in no group of the lines; use a term of it"
        )
    shared = [c for c in lines.estimates.columns if c in rows.columns]
    unit = str(lines.estimates["unit"].iloc[0])
    added = rows[shared].assign(choice=choice, option=option, term="yield", unit=unit)
    return replace(lines, estimates=pd.concat([lines.estimates, added], ignore_index=True))


def moves(lines: Result) -> pd.DataFrame:
    """Return how far each choice moves the headline at most, the choice that moves it furthest first.

    Lines in another unit than the headline's (grafts for hairs) are left out: they answer another question.

    Parameters
    ----------
    lines
        From `sensitivity` or `with_view`, as they may be shown.

    Returns
    -------
    pandas.DataFrame
        One row per choice: choice, option, the groups of the lines, `move` (points, against the main line of
        the same group) and `half_interval` (points, the median of the main lines: what chance alone does).

    Examples
    --------
    The main line says 90; one choice moves it by 5 points, another by 1:

    >>> lines = pd.DataFrame(
    ...     {"choice": [MAIN, "native change", "month"], "option": ["", "none", "12"], "zone": "crown",
    ...      "term": "yield", "estimate": [90.0, 95.0, 89.0], "ci_low": 86.0, "ci_high": 94.0, "unit": "%"}
    ... )
    >>> found = moves(Result(lines, pd.DataFrame(), "", by=("choice", "option", "zone")))
    >>> found[["choice", "move", "half_interval"]].values.tolist()
    [['native change', 5.0, 4.0], ['month', -1.0, 4.0]]
    """
    table, groups = lines.table(), list(lines.by[2:])
    main = table[table["choice"].eq(MAIN)].dropna(subset=["estimate"])
    others = table[~table["choice"].eq(MAIN) & table["unit"].isin(main["unit"])]
    both = others.merge(
        main[[*groups, "estimate"]], on=groups, suffixes=("", "_main"), validate="many_to_one"
    )
    both = both.assign(move=both["estimate"] - both["estimate_main"]).dropna(subset=["move"])
    furthest = both.loc[both["move"].abs().groupby(both["choice"]).idxmax()]
    furthest = furthest.sort_values("move", key=abs, ascending=False)
    half = ((main["ci_high"] - main["ci_low"]) / 2).dropna().median()
    columns = ["choice", "option", *groups, "move", "half_interval"]
    return furthest.assign(half_interval=half)[columns].reset_index(drop=True)


def _lines(records: Records, choices: Choices) -> tuple[list[Line], tuple[str, ...]]:
    """Return the lines to ask for, and in words those that these records give no reason to."""
    main = Line(MAIN, _native_words(choices), choices)
    conditional = _where_recorded(records, choices)
    lines = [*_always(choices), *(line for applies, line, _ in conditional if applies)]
    # An option that the main line has already is no line of its own.
    lines = [line for line in lines if replace(line, choice=MAIN, option=main.option) != main]
    order = ("native change", "baseline", "photographs", "season", "planted density")
    lines.sort(key=lambda line: order.index(line.choice) if line.choice in order else len(order))
    return [main, *lines], tuple(why for applies, _, why in conditional if why and not applies)


def _always(choices: Choices) -> list[Line]:
    """Return the lines that are asked for of any records."""
    changed = partial(_changed, choices)
    low, high = ANNUAL_LOSS_SENSITIVITY_PCT
    rates = (low, ANNUAL_LOSS_PCT, high)
    away = f"{AWAY_POINTS:g} points"
    return [
        changed("native change", "none", native_change="none"),
        *(
            changed("native change", f"{r} % a year", native_change="assumed", annual_loss_pct=r)
            for r in rates
        ),
        changed("native change", "control regions", native_change="control"),
        changed("photographs", "hair length may differ", photographs="any_length"),
        changed("photographs", "failed ones too", photographs="all"),
        changed("season", "of the count levelled", season="levelled"),
        changed("planted density", "counted in region", planted="region"),
        changed("planted density", "zone average", planted="zone"),
        Line("month", "12 in every zone", choices, month=12.0),
        Line("never read", f"{away} lower", choices, points_if_not_read=-AWAY_POINTS),
        Line("never read", f"{away} higher", choices, points_if_not_read=AWAY_POINTS),
    ]


def _where_recorded(records: Records, choices: Choices) -> tuple[tuple[bool, Line, str], ...]:
    """Return whether the records give a reason to a line, the line, and in words why there is none."""
    changed = partial(_changed, choices)
    counts, sessions = records.measurements, records.sessions
    before = counts[counts["month"].between(BASELINE_FROM_MONTH, 0)]
    series = ["patient_id", "session_id", "zone", "region_id"]
    return (
        (
            bool(before.groupby(series)["month"].nunique().gt(1).any()),
            changed("baseline", "mean of all counts before", baseline="mean"),
            "no region was counted in two months before its session: one rule for baselines",
        ),
        (
            bool(sessions["session_number"].gt(1).any()),
            Line("baseline", "zones planted for the first time", choices, first_only=True),
            "no second session: every baseline is before any planting",
        ),
        (
            counts["reader_id"].nunique() > 1,
            changed("photographs", "readers bridged", bridge="reader_id"),
            "one reader: nothing to bridge",
        ),
        (
            counts["device_class"].nunique() > 1,
            changed("photographs", "devices bridged", bridge="device_class"),
            "one device: nothing to bridge",
        ),
        (
            bool(counts.groupby(series)["thinnest_counted_um"].nunique().gt(1).any()),
            changed("photographs", "thinnest hair may differ", photographs="any_cut_off"),
            "no region was counted down to another thinnest hair than before",
        ),
        (
            bool(records.placements["roi_planted_hairs_cm2"].isna().any()),
            _ratio_line(records, choices),
            "planted density is counted in every region: no zone average is in the main line",
        ),
        (
            has_graft_sizes(records),
            Line(
                "hairs or grafts",
                "grafts that show a hair, hairs independent",
                choices,
                in_grafts="graft yield",
            ),
            "grafts by hairs per graft are not known: no share of grafts",
        ),
        (
            has_graft_sizes(records),
            Line(
                "hairs or grafts",
                "grafts that show a hair, grafts failing whole",
                choices,
                in_grafts=GRAFTS_FAIL_WHOLE,
            ),
            "",
        ),
    )


def _changed(choices: Choices, choice: str, option: str, **to: Any) -> Line:
    """Return the line of one choice changed."""
    return Line(choice, option, replace(choices, **to))


def _native_words(choices: Choices) -> str:
    """Return what the main line says of native hair."""
    return {
        "combined": "native loss as published, joined with control regions",
        "none": "no native change",
        "assumed": f"native loss {choices.annual_loss_pct} % a year",
        "control": "native change of control regions",
    }[choices.native_change]


def _ratio_line(records: Records, choices: Choices) -> Line:
    """Return the other defensible ratio of region over zone average (`yields.link`)."""
    own = planted_error(records).zone_ratio
    other = 1.0 if own != 1.0 else 1 + ZONE_CV**2
    words = f"region over zone {other:.2f}, not {own:.2f}"
    return Line("planted density", words, choices, zone_ratio=other)


def _linked(records: Records, line: Line) -> tuple[pd.DataFrame, Records]:
    """Return linked rows and the records they are from, bridged where asked for."""
    planting = planted_error(records)
    if line.zone_ratio is not None:
        planting = replace(planting, zone_ratio=line.zone_ratio)
    return linked(records, line.choices, planting=planting)


def _answer(
    visits: pd.DataFrame, records: Records, line: Line, *, by: Sequence[str], level: float, error: CountError
) -> Result:
    """Return the headline of one line from its rows."""
    if line.first_only:
        later = visits["is_later"].to_numpy(dtype=bool)
        visits = visits.assign(for_headline=visits["for_headline"] & ~later)
    options: dict[str, Any] = {"by": by, "level": level, "rows": visits}
    if points := line.points_if_not_read:
        return if_not_read(records, points=points, count_error=error, **options)
    if line.in_grafts:
        both = graft_yield(records, **options)
        grafts = both.estimates[both.estimates["term"].eq(line.in_grafts)]
        return replace(both, estimates=grafts.assign(term="yield"))
    return average(records, month=line.month, count_error=error, **options)


def _absent(line: Line, groups: pd.DataFrame, why: str) -> pd.DataFrame:
    """Return a line without numbers, one row per group, whose flag says why."""
    named = groups.assign(choice=line.choice, option=line.option, term="yield", estimate=np.nan)
    return named.assign(unit="% of planted hairs", basis="model", flag=why.partition(": ")[2])
