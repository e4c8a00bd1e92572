"""Small registers cut from the demo, and what must hold of every page asked on them.

A register is a recipe: which patients of the demo are kept, then what is taken away. What is asked of a page:
it appears, no section has failed because the package did, no interval is impossible, and in its pictures each
point stands beside its own label.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd

from analytics.dictionary import TABLES
from analytics.pages.figures import dispatch, drawing
from analytics.results import Curve, Result

DEMO = Path(__file__).parents[1] / "data_demo"
Tables = dict[str, pd.DataFrame]
Change = Callable[[Tables], Tables]
CLOSE = 1e-6
VACUOUS = (0.5, 99.5)  # percent: limits beyond both say nothing
LONGEST_MONTHS = 480.0
NONE = re.compile(r"(?:[^.']{0,60} )?nan to nan|[^.']{0,60} nan (?:points|months|%)")  # in a sentence


@dataclass(frozen=True, slots=True)
class Recipe:
    """How many patients of the demo, which draw of them, and what is changed."""

    patients: int
    seed: int = 1
    changes: tuple[Change, ...] = ()


def demo() -> Tables:
    """Return the demo's tables as text, so that codes and numbers stay as they were written."""
    return {p.stem: pd.read_csv(p, dtype=str, keep_default_na=False) for p in sorted(DEMO.glob("*.csv"))}


def written(place: Path, recipe: Recipe) -> Path:
    """Write a register by its recipe beside the demo's criteria, and return its folder."""
    tables = _drawn(demo(), recipe.patients, recipe.seed)
    for change in recipe.changes:
        tables = change(tables)
    place.mkdir(parents=True)
    for name, table in tables.items():
        table.to_csv(place / f"{name}.csv", index=False)
    for name in ("criteria.toml", "actions.toml"):
        (place / name).write_bytes((DEMO / name).read_bytes())
    return place


def _drawn(tables: Tables, n: int, seed: int) -> Tables:
    """Return the rows of n patients; those counted at month 9 or later come first, so that few can tell."""
    counts = tables["measurements"]
    late = counts.loc[pd.to_numeric(counts["month"]).ge(9), "patient_id"]
    order = np.random.default_rng(seed).permutation(sorted(set(late)))
    return of_patients(tables, set(order[:n]))


def of_patients(tables: Tables, kept: set[str]) -> Tables:
    """Return the rows of some patients."""
    sessions = set(tables["sessions"].loc[tables["sessions"]["patient_id"].isin(kept), "session_id"])
    return {
        name: t[t["patient_id"].isin(kept) if "patient_id" in t else t["session_id"].isin(sessions)]
        for name, t in tables.items()
    }


def only_zone(*zones: str) -> Change:
    """Keep planted zones of these names alone; totals of grafts follow what is left."""

    def change(tables: Tables) -> Tables:
        placed = tables["placements"][tables["placements"]["zone"].isin(zones)]
        grafts = placed[[c for c in placed if c.startswith("grafts")]].apply(pd.to_numeric).sum(axis=1)
        total = grafts.groupby(placed["session_id"]).sum()
        sessions = tables["sessions"][tables["sessions"]["session_id"].isin(total.index)].copy()
        sessions["grafts_out"] = [str(int(total[s])) for s in sessions["session_id"]]
        sessions[["attempts", "grafts_transected", "grafts_discarded"]] = ["", "0", "0"]
        # In the order of time; months of a patient are counted from the first session left.
        sessions = sessions.sort_values(["patient_id", "register_month"], key=_in_time)
        sessions = sessions.drop(columns="patient_month", errors="ignore")
        sessions["session_number"] = (sessions.groupby("patient_id").cumcount() + 1).astype(str)
        counted = tables["measurements"]
        counted = counted[counted["zone"].isin(zones)]
        new = {**tables, "placements": placed, "sessions": sessions, "measurements": counted}
        left = {
            k: t[t["session_id"].isin(total.index) | t["session_id"].eq("")] if "session_id" in t else t
            for k, t in new.items()
        }
        return of_patients(left, set(sessions["patient_id"]))

    return change


def _in_time(column: pd.Series) -> pd.Series:
    return column.astype(int) if column.name == "register_month" else column


def one_surgeon(tables: Tables) -> Tables:
    """Let one surgeon do everything."""
    same = {c: "S1" for c in ("surgeon_id", "harvested_by") if c in tables["sessions"]}
    placed = tables["placements"].assign(planted_by="S1")
    return {**tables, "sessions": tables["sessions"].assign(**same, team_id="T1"), "placements": placed}


def months(low: float, high: float) -> Change:
    """Keep the counts of some months alone."""

    def change(tables: Tables) -> Tables:
        at = pd.to_numeric(tables["measurements"]["month"])
        return {**tables, "measurements": tables["measurements"][at.between(low, high)]}

    return change


def without(*names: str) -> Change:
    """Leave tables out."""
    return lambda tables: {name: t for name, t in tables.items() if name not in names}


def emptied(*names: str) -> Change:
    """Leave the heads of tables without a row, as a template writes them."""
    return lambda tables: {name: t.iloc[:0] if name in names else t for name, t in tables.items()}


def bare(tables: Tables) -> Tables:
    """Leave out every optional table, and every optional column of the others but what was planted.

    Of counts of a zone and month that nothing tells apart then, the first stays.
    """
    once = tables["measurements"].drop_duplicates(["patient_id", "zone", "session_id", "month"])
    kept = {
        name: [c.name for c in TABLES[name].columns if not c.optional or c.name in PLANTED] for name in tables
    }
    return {
        name: t[[c for c in kept[name] if c in t]]
        for name, t in {**tables, "measurements": once}.items()
        if not TABLES[name].optional
    }


def required(tables: Tables) -> Tables:
    """Leave every cell empty that may be, but what was planted: as typed on one sheet."""
    left = bare(tables)
    for name, table in left.items():
        for c in TABLES[name].columns:
            if c.name in table and not (c.required or c.name in PLANTED or c.name == "session_id"):
                left[name] = left[name].assign(**{c.name: ""})
    return left


def graded(tables: Tables) -> Tables:
    """Grade photographs of every planted zone at months 6 and 12 by two readers, on a scale of our own."""
    rng = np.random.default_rng(7)
    rows = [
        {
            "session_id": s, "zone": z, "month": m, "reader_id": r, "scale": "look",
            "value": int(np.clip(rng.integers(-1, 2) + (m == 12), -3, 3)), "scale_worst": -3,
            "scale_best": 3, "blinded": "yes",
        }
        for s, z in dict.fromkeys(
            zip(tables["placements"]["session_id"], tables["placements"]["zone"], strict=True)
        )
        for m in (6, 12) for r in ("R1", "R2")
    ]  # fmt: skip
    return {**tables, "grades": pd.DataFrame(rows)}


PLANTED = ("grafts_1", "grafts_2", "grafts_3", "grafts_4", "grafts", "hairs")
NO_COUNTS = (emptied("measurements"), without("visits"))
NO_PHOTOGRAPHS = emptied("visits", "events", "ratings", "therapies")
FRONT, CROWN = only_zone("frontal"), only_zone("crown")
RECIPES: dict[str, Recipe] = {
    **{f"{n} drawn": Recipe(n) for n in (1, 2, 3, 5, 12, 30)},
    **{f"{n} drawn again": Recipe(n, 2) for n in (1, 2, 3, 5, 12)},
    **{f"{n}, one surgeon": Recipe(n, 3, (one_surgeon,)) for n in (3, 12, 30)},
    **{f"{n}, front only": Recipe(n, 4, (FRONT,)) for n in (1, 5, 12, 30)},
    **{f"{n}, crown only": Recipe(n, 4, (CROWN,)) for n in (1, 5, 12, 30)},
    **{f"{n}, no baseline": Recipe(n, 5, (months(0.1, 999),)) for n in (1, 12)},
    **{f"{n}, baseline only": Recipe(n, 5, (months(-9, 0.1),)) for n in (1, 12)},
    **{f"{n}, no month past 9": Recipe(n, 5, (months(-9, 9),)) for n in (2, 12, 30)},
    **{f"{n}, photographs only": Recipe(n, 6, (graded, *NO_COUNTS)) for n in (1, 12)},
    **{f"{n}, ratings only": Recipe(n, 6, NO_COUNTS) for n in (3, 12)},
    **{f"{n}, optional tables empty": Recipe(n, 7, (NO_PHOTOGRAPHS,)) for n in (1, 3, 12)},
    **{f"{n}, nothing optional": Recipe(n, 8, (bare,)) for n in (1, 5, 12, 30)},
    **{f"{n}, required cells alone": Recipe(n, 9, (required,)) for n in (1, 5, 12, 30)},
}


def settings(page: str, place: Path) -> dict[str, str]:
    """Return the settings a page is asked with: patient and drafts are the register's first."""
    if page[:2] == "07":
        return {"answers": str(DEMO / "pooling")}
    asked = {"data": str(place)}
    placed = pd.read_csv(place / "placements.csv", dtype=str)
    sessions = pd.read_csv(place / "sessions.csv", dtype=str).set_index("session_id")
    patient = str(sessions.loc[placed["session_id"].iloc[0], "patient_id"])
    if page[:2] == "04":
        return {**asked, "patient": patient}
    if page[:2] == "05":
        draft = f"{placed['zone'].iloc[0]} 400 on 40"
        return {**asked, "patient": patient, "draft_a": draft, "draft_b": "crown 300 on 30", "aims": ""}
    return asked


def faults(shown) -> list[str]:
    """Return what is wrong with a page: refused, impossible intervals, points beside other labels."""
    if shown.refused:
        return [f"refused: {shown.refused}"]
    found = [f"defect: {name}" for name in shown.content["defects"]]
    found += [f"a number that is none: {t}" for t in NONE.findall(str(shown.content))]
    for name, result in shown.results.items():
        found += [f"{name}: {fault}" for fault in impossible(result.table())]
        if isinstance(result, Curve):
            found += [f"{name}, path: {fault}" for fault in impossible(result.path)]
    for name in {e["name"] for e in shown.content["shown"] if e["kind"] == "figure"}:
        found += [f"{name}, figure: {fault}" for fault in mislabelled(shown.results[name])]
    return found


def impossible(table: pd.DataFrame) -> list[str]:
    """Return the rows whose interval is the wrong way round, beyond what can be, or says nothing."""
    if not {"ci_low", "ci_high"} <= set(table.columns):
        return []
    return [
        f"{row.get('term', '')} {row['estimate']:g} ({row['ci_low']:g} to {row['ci_high']:g}) "
        f"{row.get('unit', '')}: {why}"
        for _, row in table.iterrows()
        if (why := _why(row))
    ]


def _why(row: pd.Series) -> str:
    low, high, unit = row["ci_low"], row["ci_high"], str(row.get("unit", ""))
    if pd.isna(low) and pd.isna(high):
        return ""
    if low > high + CLOSE:
        return "wrong way round"
    if row["estimate"] < low - CLOSE or row["estimate"] > high + CLOSE:
        return "does not hold its estimate"
    if row.get("basis") in ("share", "count") and unit.startswith("%") and not _in_percent(low, high):
        return "beyond 0 to 100"
    if unit == "ratio" and low < 0:
        return "a ratio below 0"
    is_month = unit in ("month", "months") and "difference" not in str(row.get("term", ""))
    if is_month and (low < 0 or (np.isfinite(high) and high > LONGEST_MONTHS)):
        return "no such month"
    if unit.startswith("%") and low < VACUOUS[0] and high > VACUOUS[1] and _in_percent(low, high):
        return "says nothing"
    return ""


def _in_percent(low: float, high: float) -> bool:
    return low >= -CLOSE and high <= 100 + CLOSE


def mislabelled(result: Result) -> list[str]:
    """Return the points of a picture that stand beside another label than their row of the table has."""
    axes = dispatch.draw(result)
    try:
        if result.picture not in ("intervals", "forest", "sensitivity"):
            return []
        return [fault for panel in axes.figure.axes for fault in _beside(result, panel, axes.figure.axes)]
    finally:
        plt.close("all")


def _title(panel) -> str:
    return panel.get_title(loc="left") or panel.get_title()


def _beside(result: Result, panel, panels) -> list[str]:
    """Compare each dot of a panel with the table's row of the label that a reader sees beside it."""
    table = result.table()
    if result.picture == "sensitivity":
        by, rows_by = result.by[-1], list(result.by[:-1]) or ["term"]
        table = table[[drawing.group_name(by, v) == _title(panel) for v in table[by]]]
        names = [": ".join(drawing.readable(row[c]) for c in rows_by) for _, row in table.iterrows()]
        names = [drawing.title_case(name) for name in names]
    else:
        names = drawing.row_labels(result.table(), result.by)
    row_of = panel.get_subplotspec().rowspan.start
    own = [p for p in panels if p.get_subplotspec() and p.get_subplotspec().rowspan.start == row_of]
    seen = {
        round(at): label.get_text()
        for p in own[::-1]
        for at, label in zip(p.get_yticks(), p.get_yticklabels(), strict=True)
        if label.get_text()
    }
    values = {n: set() for n in names}
    for name, value in zip(names, table["estimate"], strict=True):
        values[name].add(round(float(value), 9))
    found = []
    for line in panel.get_lines():
        x, y = np.atleast_1d(line.get_xdata()), np.atleast_1d(line.get_ydata())
        if len(x) == 1 and line.get_marker() not in ("None", None, ""):
            label = seen.get(round(float(y[0])), "")
            if round(float(x[0]), 9) not in values.get(label, set()):
                found.append(f"{_title(panel)}: a point at {x[0]:g} stands beside {label!r}")
    return found
