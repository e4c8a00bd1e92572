"""Pictures of estimates side by side: one row per estimate, a dot, its bar, the number written beside it."""

import textwrap
from typing import Any

import matplotlib.ticker as mpl_ticker
import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from analytics import dictionary, numbers
from analytics.numbers import group_name, readable, title_case
from analytics.pages.figures.drawing import (
    QUIET,
    SERIES,
    axis_name,
    marker_style,
    panels,
    row_labels,
    what_is_counted,
)
from analytics.results import Result

# The value at which "no difference" lies, by unit.
NO_DIFFERENCE = {"points": 0.0, "points of yield": 0.0, "points of 10": 0.0, "ratio": 1.0}
NUMBERS_AT_PT = 10  # where the column of numbers begins, points right of the axes
N_AT_PT = 152  # where the column of counts ends
POOLED = "pooled"
MARGIN_LINE: Any = {"color": SERIES[1], "linewidth": 1.1, "linestyle": (0, (5, 2)), "label": "margin"}
ROW_IN = 0.30
NARROW_ROW_IN = 0.46
ROOM_LETTERS = 30  # that fit beside a row, before the column of counts
NARROW_LETTERS = 58  # of a row's text on a phone before it breaks
DENSE_ROW_IN = 0.24
MOST_COLUMNS = 5  # panels of choices stand side by side, so that their rows are named once
PANELS = {1: 1, 2: 2, 3: 3, 4: 2}  # in a row, by how many there are
ROOM_FOR_N = 0.05  # share of a page's width kept free in each panel for the counts at its right edge


def intervals(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw a dot and its interval for each row, with the number written beside it; panels by unit."""
    table = result.table()
    known = table[table["estimate"].notna()]  # a unit without any number has no panel; the table says why
    units = list((known if len(known) else table)["unit"].drop_duplicates())
    row_in = NARROW_ROW_IN if narrow else ROW_IN
    heights = [int((table["unit"] == unit).sum()) * row_in + 0.75 for unit in units]
    axes = panels(ax, len(units), narrow=narrow, columns=1, share="", heights_in=heights)
    labels = pd.Series(row_labels(table, result.by), index=table.index)
    for panel, unit in zip(axes, units, strict=True):
        rows = table[table["unit"] == unit]
        interval_rows(panel, rows, list(labels[rows.index]), narrow=narrow)
        for value in margins_of(result, str(unit)):
            panel.axvline(value, **MARGIN_LINE)
        panel.set_xlabel(axis_name(what_is_counted(rows), unit))
    return axes[0]


def margins_of(result: Result, unit: str) -> list[float]:
    """Return the margins that a result was declared with, in the unit drawn."""
    known = result.extra.get("margins", pd.DataFrame({"unit": [], "value": []}))
    return [float(v) for v in known.loc[known["unit"].eq(unit), "value"]]


def sensitivity(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw the same number under each choice: a panel a group, a row a choice, a line at the main one.

    The last `by` column names the panels, those before it (or the term) the rows. Rows whose first name
    begins with `main` are the headline.
    """
    table = result.table()
    panel_by, row_by = (result.by[-1], result.by[:-1]) if result.by else (None, ())
    groups = list(table.groupby(panel_by, sort=False)) if panel_by else [("", table)]
    if panel_by == "zone":
        order = ["front", *dictionary.ZONES, *(name for name, _ in groups)]
        groups = sorted(groups, key=lambda group: order.index(group[0]))
    named = {row: title_case(": ".join(readable(table.loc[row, c]) for c in row_by or ("term",)))
             for row in table.index}  # fmt: skip
    labels = list(dict.fromkeys(named.values()))  # every panel has every row: labels stand beside the first
    height = len(labels) * (NARROW_ROW_IN if narrow else DENSE_ROW_IN) + 0.6
    columns = PANELS.get(len(groups), MOST_COLUMNS)
    axes = panels(ax, len(groups), narrow=narrow, height_in=height, share="x", columns=columns)
    for position, (panel, (name, rows)) in enumerate(zip(axes, groups, strict=True)):
        rows = _at_labels(rows.assign(label=rows.index.map(named)), labels)
        interval_rows(panel, rows, labels, narrow=narrow, with_numbers=False)
        if not narrow:
            _n_inside(panel, rows)
        if position % columns:
            panel.set_yticks([])
        if not narrow:
            panel.xaxis.set_major_locator(mpl_ticker.MaxNLocator(nbins=12 // columns, steps=[1, 2, 5, 10]))
        main = rows[[label.startswith("Main") for label in labels]]
        if len(main) == 1 and main["estimate"].notna().all():
            panel.axvline(float(main["estimate"].iloc[0]), color=QUIET, linewidth=0.8, linestyle=(0, (2, 2)))
        panel.set_title(group_name(panel_by or "", name))
    if not narrow:
        left, right = axes[0].get_xlim()
        axes[0].set_xlim(left, right + ROOM_FOR_N * columns * (right - left))
    figure = axes[0].figure
    assert figure is not None
    units = " or ".join(numbers.unit_name(u) for u in table["unit"].drop_duplicates())
    figure.supxlabel(f"{title_case(what_is_counted(table))} ({units})", fontsize=8.6)
    return axes[0]


def _at_labels(rows: pd.DataFrame, labels: list[str]) -> pd.DataFrame:
    """Return a panel's rows in the order of the labels, a row without a number where it has none of a label.

    Where a label names several rows of a panel, the first is drawn.
    """
    whole = rows.drop_duplicates("label").set_index("label").reindex(labels)
    unit, term = rows["unit"].iloc[0], rows["term"].iloc[0]
    return whole.fillna({"unit": unit, "term": term}).reset_index(drop=True)


def _n_inside(ax: Axes, rows: pd.DataFrame) -> None:
    """Write each row's number of patients inside the right edge, or that it has no number."""
    _small(ax, "n", (1, 1), "axes fraction", ha="right", va="bottom")
    known = rows["n_patients"] if "n_patients" in rows else pd.Series(float("nan"), index=rows.index)
    for y, (n, value) in enumerate(zip(known, rows["estimate"], strict=True)):
        if pd.isna(value):
            _small(ax, numbers.NOT_AVAILABLE, (0, y), ("axes fraction", "data"), ha="left", va="center")
        elif pd.notna(n):
            _small(ax, numbers.number(n), (1, y), ("axes fraction", "data"), ha="right", va="center")


def _small(
    ax: Axes, text: str, at: tuple[float, float], coords: str | tuple[str, str], *, ha: str, va: str
) -> None:
    """Write a small quiet word at a place, a little away from the edge it leans on."""
    offset = (3 if ha == "left" else -2, 1 if va == "bottom" else 0)
    ax.annotate(
        text, at, xycoords=coords, xytext=offset, textcoords="offset points", ha=ha, va=va, fontsize=6.8,
        color=QUIET,
    )  # fmt: skip


def forest(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw a row a group and a diamond for each pooled row."""
    return intervals(result, ax, narrow=narrow)


def interval_rows(
    ax: Axes, rows: pd.DataFrame, labels: list[str], *, narrow: bool, with_numbers: bool = True
) -> None:
    """Draw one row an estimate, downwards; its number stands at the right edge, or above it when narrow."""
    unit = str(rows["unit"].iloc[0])
    places = numbers.decimals(_median_se(rows), unit, rows["estimate"].dropna())
    if unit in NO_DIFFERENCE:
        ax.axvline(NO_DIFFERENCE[unit], color=QUIET, linewidth=0.8)
    for y, (label, (_, row)) in enumerate(zip(labels, rows.iterrows(), strict=True)):
        if with_numbers or narrow:
            _row_text(ax, y, label, row, places, narrow=narrow)
    _dots_and_bars(ax, rows)
    if with_numbers and not narrow:
        _row_heads(ax, rows)
    if not narrow:
        ax.set_yticks(np.arange(len(rows)), labels)
    else:  # each is written above its row
        ax.set_yticks([])
    ax.set_ylim(len(rows) - 0.5, -0.7 if narrow else -0.5)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.xaxis.set_major_locator(mpl_ticker.MaxNLocator(nbins=5 if narrow else 8, steps=[1, 2, 5, 10]))
    ax.grid(axis="x")


def _dots_and_bars(ax: Axes, rows: pd.DataFrame) -> None:
    """Draw the intervals, downwards; a pooled row as a diamond as wide as its interval."""
    rows = rows.assign(y=np.arange(len(rows)))[rows["estimate"].notna().to_numpy()]
    has_bar = rows["ci_low"].notna() if "ci_low" in rows else pd.Series(False, index=rows.index)
    is_pooled = rows["term"].eq(POOLED) & has_bar
    for _, row in rows[is_pooled].iterrows():
        y, at = row["y"], row["estimate"]
        ax.fill([row["ci_low"], at, row["ci_high"], at], [y, y - 0.28, y, y + 0.28], color=SERIES[1])
    style, dots = marker_style(0), rows[~is_pooled]
    if len(bars := rows[has_bar & ~is_pooled]):
        ax.hlines(
            bars["y"], bars["ci_low"], bars["ci_high"], color=style["color"], linewidth=2.2, alpha=0.55,
            capstyle="projecting",
        )  # fmt: skip
    if len(dots):
        ax.plot(dots["estimate"], dots["y"], markersize=5.5, linestyle="none", **style)


def _row_text(ax: Axes, y: int, label: str, row: pd.Series, places: int, *, narrow: bool) -> None:
    """Write a row's number, its interval and its n."""
    said = numbers.words_for_missing(row)
    if len(said) > ROOM_LETTERS:  # the table has it in full
        said = numbers.NOT_AVAILABLE
    if pd.notna(row["estimate"]):
        said = numbers.number(row["estimate"], places)
        if pd.notna(row.get("ci_low", np.nan)):
            said += f" ({numbers.limits(row['ci_low'], row['ci_high'], places)})"
    n = numbers.number(row["n_patients"]) if pd.notna(row.get("n_patients", np.nan)) else ""
    if narrow:
        text = f"{label}: {said}, n {n}" if n else f"{label}: {said}"
        text = textwrap.fill(text, NARROW_LETTERS)
        # The text hides the line of no difference behind it.
        behind = {"facecolor": "white", "edgecolor": "none", "pad": 0.6}
        ax.annotate(text, (0, y - 0.34), xycoords=("axes fraction", "data"), fontsize=7.8, bbox=behind)
        return
    _at_right(ax, said, (1, y), ("axes fraction", "data"), va="center", fontsize=8.2)
    if n and pd.notna(row["estimate"]):
        _at_right(ax, n, (1, y), ("axes fraction", "data"), ends=True, va="center", fontsize=8.2)


def _row_heads(ax: Axes, rows: pd.DataFrame) -> None:
    """Name the columns of numbers at the right edge."""
    has_limits = "ci_low" in rows and rows["ci_low"].notna().any()
    quiet: Any = {"color": QUIET, "fontsize": 7.4, "va": "bottom"}
    _at_right(ax, "estimate (interval)" if has_limits else "estimate", (1, 1), "axes fraction", **quiet)
    if "n_patients" in rows and rows["n_patients"].notna().any():
        _at_right(ax, "patients", (1, 1), "axes fraction", ends=True, **quiet)


def _at_right(ax: Axes, text: str, at: tuple, coordinates: Any, *, ends: bool = False, **style: Any) -> None:
    """Write text right of the axes: in the column of numbers, or ending in the column of counts."""
    ax.annotate(
        text,
        at,
        xycoords=coordinates,
        xytext=(N_AT_PT if ends else NUMBERS_AT_PT, 0),
        textcoords="offset points",
        ha="right" if ends else "left",
        annotation_clip=False,
        **style,
    )


def _median_se(rows: pd.DataFrame) -> float:
    se = rows["se"].dropna() if "se" in rows else pd.Series(dtype=float)
    return float(se.median()) if len(se) else float("nan")
