"""How much does the headline depend on the choices made?

Mean yield at maturity (`yields.means`) again and again, one choice changed at a time. Lines that the
records cannot give (no control region, no second device) say so or are named in the notes; none is left out
unseen.

The headline rests on readings from eleven months on. Native hair shed by surgery is back by month 9
(practitioner texts, low evidence), so that it is not in these lines; it is in a growth model's, which starts
at month 0. `beside` sets such a model's number, with all readings or with those from month 9 on, under them.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from analytics import measurement
from analytics.dictionary import BASELINE_FROM_MONTH
from analytics.errors import FitError, ParameterError
from analytics.measurement import CountError
from analytics.records import Records
from analytics.results import LEVEL, Result
from analytics.yields.followup import if_not_read
from analytics.yields.level import Season, estimate, levelled
from analytics.yields.link import ZONE_CV, planted_error
from analytics.yields.losses import graft_yield, has_graft_sizes
from analytics.yields.means import average
from analytics.yields.native import ANNUAL_LOSS_PCT, ANNUAL_LOSS_SENSITIVITY_PCT
from analytics.yields.rows import YIELD_FROM_MONTH, finished, linked
from analytics.yields.season import METHOD, NOTE, as_result

Choice = tuple[str, str, dict[str, Any]]
MAIN = "main line"
# What a line may change, and what it is in the headline.
MAIN_LINE: dict[str, Any] = {
    "native_change": "assumed",
    "annual_loss_pct": ANNUAL_LOSS_PCT,
    "photographs": "standard",
    "planted": "best",
    "zone_ratio": None,
    "baseline": "nearest",
    "bridge": "",
    "season": "as counted",
    "zones": "all",
    "counts": "hairs",
    "points_if_not_read": 0.0,
    "month": None,
}
# How far those never read may stand from the others: a choice of ours, no source.
AWAY_POINTS = 10.0
OF_LINKS = ("photographs", "planted", "zone_ratio", "baseline", "bridge")
OF_ROWS = ("native_change", "annual_loss_pct")


def sensitivity(records: Records, *, by: Sequence[str] = ("zone",), level: float = LEVEL) -> Result:
    """Return the headline under each defensible choice, one choice changed at a time.

    Choices: native change (none, 3.7, 4.8, 5.9 % a year, control regions where there are any), baseline
    (nearest count, mean of all, zones planted for the first time), photographs (standard or all, readers or
    devices bridged), season of the count (as counted or levelled), planted density (best, region only, zone
    average only, its mean ratio), hairs or grafts, month (maturity, month 12 for all), those never read
    (AWAY_POINTS lower or higher). The first is the main line. `extra["season"]` is the table of
    `yields.season`.

    Raises
    ------
    FitError
        When no reading is usable under any choice.
    """
    lines, not_asked = _choices(records)
    error = measurement.error_model(records)
    main: Result | None = None
    swing: Season | None = None
    parts: list[pd.DataFrame] = []
    links: dict[tuple, tuple[pd.DataFrame, Records]] = {}
    visits: dict[tuple, pd.DataFrame] = {}
    for choice, option, arguments in lines:
        wanted = {**MAIN_LINE, **arguments}
        link = tuple(wanted[c] for c in OF_LINKS)
        if link not in links:
            links[link] = _linked(records, wanted)
        rows, linked_records = links[link]
        try:
            if wanted["season"] == "levelled":
                swing = _swing(main, error)
                rows = levelled(rows, swing)
            made = (*link, *(wanted[c] for c in (*OF_ROWS, "season")))
            if made not in visits:
                # The first line answers for every row; the others need those a headline may rest on.
                late = rows if main is None else rows[rows["month"].ge(YIELD_FROM_MONTH)]
                visits[made] = _finished(late, linked_records, wanted, error)
            result = _line(visits[made], linked_records, wanted, by=by, level=level, error=error)
        except FitError as problem:
            groups = main.table()[list(by)] if main else pd.DataFrame([dict.fromkeys(by, "all")])
            parts.append(_absent(choice, option, groups, str(problem)))
            continue
        main = main or result
        parts.append(result.table().assign(choice=choice, option=option))
    if main is None:
        raise FitError(
            "yields.sensitivity: no reading is usable under any choice; regrowth check says what was left out"
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
    """Return what `yields.season` says of the rows of the main line, estimated for the lines already."""
    return Result(lines.extra["season"], lines.rows(), METHOD, notes=(NOTE,))


def beside(lines: Result, other: Result, *, choice: str, option: str, term: str) -> Result:
    """Return the lines of `sensitivity` with one more: the same number from another view.

    Parameters
    ----------
    lines, other
        The lines, and a result with the same groups.
    choice, option
        Words for the new line.
    term
        Term of `other` that stands for the headline, in percent of planted hairs.

    Raises
    ------
    ParameterError
        When the other result has no such term, or no group of the lines.
    """
    groups = list(lines.by[2:])
    table = other.table()
    if not set(groups) <= set(table.columns):
        raise ParameterError(
            f"yields.beside(other): not by {', '.join(groups)}; ask for it by the same groups"
        )
    known = lines.table()[groups].drop_duplicates()
    rows = table[table["term"].eq(term)].merge(known, on=groups, how="inner", validate="one_to_one")
    if rows.empty:
        raise ParameterError(f"yields.beside(term): {term} stands in no group of the lines; use a term of it")
    kept = [c for c in lines.estimates.columns if c in rows.columns]
    unit = str(lines.estimates["unit"].iloc[0])
    rows = rows[kept].assign(choice=choice, option=option, term="yield", unit=unit)
    return replace(lines, estimates=pd.concat([lines.estimates, rows], ignore_index=True))


def what_matters(lines: Result, *, most: int = 3) -> str:
    """Return in a sentence which choices move the headline furthest, each with its largest move.

    Lines in another unit than the headline's (grafts for hairs) are left out: they answer another question.

    Parameters
    ----------
    lines
        From `sensitivity` or `beside`, as they may be shown.
    most
        How many choices to name, 1 or more.
    """
    table, groups = lines.table(), list(lines.by[2:])
    main = table[table["choice"].eq(MAIN)].dropna(subset=["estimate"])
    rows = table[~table["choice"].eq(MAIN) & table["unit"].isin(main["unit"])]
    rows = rows.merge(main[[*groups, "estimate"]], on=groups, suffixes=("", "_main"), validate="many_to_one")
    rows = rows.assign(move=rows["estimate"] - rows["estimate_main"]).dropna(subset=["move"])
    if rows.empty:
        return "No choice can be set against the main line."
    furthest = rows.loc[rows.assign(size=rows["move"].abs()).groupby("choice")["size"].idxmax()]
    furthest = furthest.reindex(furthest["move"].abs().sort_values(ascending=False).index).head(most)
    said = "; ".join(
        f"{row['choice']}, {row['option']} ({', '.join(str(row[g]) for g in groups)} "
        f"{'down' if row['move'] < 0 else 'up'} {abs(row['move']):.0f})"
        for _, row in furthest.iterrows()
    )
    half = ((main["ci_high"] - main["ci_low"]) / 2).median()
    beside_chance = f" Half an interval is {half:.0f} points long." if np.isfinite(half) else ""
    return f"The choices that move a zone's yield furthest, in points: {said}.{beside_chance}"


def _choices(records: Records) -> tuple[list[Choice], tuple[str, ...]]:
    """Return the lines to ask for, and in words those that these records give no reason to."""
    low, high = ANNUAL_LOSS_SENSITIVITY_PCT
    lines: list[Choice] = [
        (MAIN, f"native loss {ANNUAL_LOSS_PCT} % a year", {}),
        ("native change", "none", {"native_change": "none"}),
        ("native change", f"{low} % a year", {"annual_loss_pct": low}),
        ("native change", f"{high} % a year", {"annual_loss_pct": high}),
        ("native change", "control regions", {"native_change": "control"}),
        ("photographs", "hair length may differ", {"photographs": "any_length"}),
        ("photographs", "failed ones too", {"photographs": "all"}),
        ("season", "of the count levelled", {"season": "levelled"}),
        ("planted density", "counted in region", {"planted": "region"}),
        ("planted density", "zone average", {"planted": "zone"}),
        ("month", "12 in every zone", {"month": 12.0}),
        ("never read", f"{AWAY_POINTS:g} points lower", {"points_if_not_read": -AWAY_POINTS}),
        ("never read", f"{AWAY_POINTS:g} points higher", {"points_if_not_read": AWAY_POINTS}),
    ]
    counts, sessions = records.measurements, records.sessions
    before = counts[counts["month"].between(BASELINE_FROM_MONTH, 0)]
    series = ["patient_id", "session_id", "zone", "region_id"]
    where = (
        (
            bool(before.groupby(series)["month"].nunique().gt(1).any()),
            ("baseline", "mean of all counts before", {"baseline": "mean"}),
            "no region was counted in two months before its session: one rule for baselines",
        ),
        (
            bool(sessions["session_number"].gt(1).any()),
            ("baseline", "zones planted for the first time", {"zones": "first"}),
            "no second session: every baseline is before any planting",
        ),
        (
            counts["reader_id"].nunique() > 1,
            ("photographs", "readers bridged", {"bridge": "reader_id"}),
            "one reader: nothing to bridge",
        ),
        (
            counts["device_class"].nunique() > 1,
            ("photographs", "devices bridged", {"bridge": "device_class"}),
            "one device: nothing to bridge",
        ),
        (
            bool(counts.groupby(series)["thinnest_counted_um"].nunique().gt(1).any()),
            ("photographs", "thinnest hair may differ", {"photographs": "any_cut_off"}),
            "no region was counted down to another thinnest hair than before",
        ),
        (
            bool(records.placements["roi_planted_hairs_cm2"].isna().any()),
            _ratio_line(records),
            "planted density is counted in every region: no zone average is in the main line",
        ),
        (
            has_graft_sizes(records),
            ("hairs or grafts", "grafts that show a hair", {"counts": "grafts"}),
            "grafts by hairs per graft are not known: no share of grafts",
        ),
    )
    lines += [line for applies, line, _ in where if applies]
    order = (MAIN, "native change", "baseline", "photographs", "season", "planted density")
    lines.sort(key=lambda line: order.index(line[0]) if line[0] in order else len(order))
    return lines, tuple(why for applies, _, why in where if not applies)


def _ratio_line(records: Records) -> Choice:
    """Return the other defensible ratio of region over zone average (`yields.link`)."""
    own = planted_error(records).zone_ratio
    other = 1.0 if own != 1.0 else 1 + ZONE_CV**2
    return ("planted density", f"region over zone {other:.2f}, not {own:.2f}", {"zone_ratio": other})


def _linked(records: Records, wanted: dict[str, Any]) -> tuple[pd.DataFrame, Records]:
    """Return linked rows and the records they are from, bridged where asked for."""
    planting = planted_error(records)
    if wanted["zone_ratio"] is not None:
        planting = replace(planting, zone_ratio=wanted["zone_ratio"])
    link = {c: wanted[c] for c in ("photographs", "planted", "baseline", "bridge")}
    return linked(records, planting=planting, **link)


def _finished(rows: pd.DataFrame, records: Records, wanted: dict[str, Any], error) -> pd.DataFrame:
    native = {c: wanted[c] for c in OF_ROWS}
    return finished(rows, records, error, photographs=wanted["photographs"], **native)


def _line(
    visits: pd.DataFrame, records: Records, wanted: dict[str, Any], *, by: Sequence[str], level: float, error
) -> Result:
    if wanted["zones"] == "first":
        later = visits["is_later"].to_numpy(dtype=bool)
        visits = visits.assign(for_headline=visits["for_headline"] & ~later)
    options = {"by": by, "level": level, "rows": visits}
    if points := wanted["points_if_not_read"]:
        return if_not_read(records, points=points, count_error=error, **options)
    if wanted["counts"] == "grafts":
        both = graft_yield(records, **options)
        grafts = both.estimates[both.estimates["term"].eq("graft yield")]
        return replace(both, estimates=grafts.assign(term="yield"))
    return average(records, month=wanted["month"], count_error=error, **options)


def _absent(choice: str, option: str, groups: pd.DataFrame, why: str) -> pd.DataFrame:
    """Return a line without numbers, one row a group, whose flag says why."""
    unit, flag = "% of planted hairs", why.partition(": ")[2]
    return groups.assign(choice=choice, option=option, term="yield", estimate=np.nan, unit=unit, flag=flag)
