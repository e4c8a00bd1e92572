"""Pictures that compare: forest of groups with a pooled row, funnel of units, run chart over time.

One row an estimate: dot, bar, and the number written beside it.

The pictures most pages need: intervals, sensitivity, curves by zone, milestones with numbers at risk.
"""

from typing import Any

import matplotlib.ticker as mpl_ticker
import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from analytics import dictionary, numbers
from analytics import numbers as words
from analytics.numbers import group_label, group_name, readable, title_case
from analytics.pages.figures.drawing import (
    BAND_ALPHA,
    DASHES,
    QUIET,
    SERIES,
    axis_name,
    label_line_ends,
    marker_style,
    name_axes,
    name_lines_above,
    panels,
    row_labels,
    series_style,
)
from analytics.results import Curve, Result

# The value at which "no difference" lies, by unit.
NO_DIFFERENCE = {"points": 0.0, "points of yield": 0.0, "points of 10": 0.0, "ratio": 1.0}
NUMBERS_AT_PT = 10  # where the column of numbers begins, points right of the axes
N_AT_PT = 152  # where the column of counts ends
POOLED = "pooled"


def interval_rows(
    ax: Axes, rows: pd.DataFrame, labels: list[str], *, narrow: bool, numbers: bool = True
) -> None:
    """Draw one row an estimate, downwards; its number stands at the right edge, or above it when narrow."""
    unit = str(rows["unit"].iloc[0])
    places = words.decimals(_median_se(rows), unit, rows["estimate"].dropna())
    if unit in NO_DIFFERENCE:
        ax.axvline(NO_DIFFERENCE[unit], color=QUIET, linewidth=0.8)
    for y, (label, (_, row)) in enumerate(zip(labels, rows.iterrows(), strict=True)):
        if numbers or narrow:
            _row_text(ax, y, label, row, places, narrow=narrow)
        if pd.notna(row["estimate"]):
            _dot_and_bar(ax, y, row)
    if numbers and not narrow:
        _row_heads(ax, rows)
    ax.set_yticks(np.arange(len(rows)), [] if narrow else labels)
    ax.set_ylim(len(rows) - 0.5, -0.7 if narrow else -0.5)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.xaxis.set_major_locator(mpl_ticker.MaxNLocator(nbins=5 if narrow else 8, steps=[1, 2, 5, 10]))
    ax.grid(axis="x")


def _dot_and_bar(ax: Axes, y: int, row: pd.Series) -> None:
    """Draw one interval; a pooled row as a diamond as wide as its interval."""
    low, high = row.get("ci_low", np.nan), row.get("ci_high", np.nan)
    if row["term"] == POOLED and pd.notna(low):
        ax.fill([low, row["estimate"], high, row["estimate"]], [y, y - 0.28, y, y + 0.28], color=SERIES[1])
        return
    style = marker_style(0)
    if pd.notna(low):
        ax.plot([low, high], [y, y], color=style["color"], linewidth=2.2, alpha=0.55)
    ax.plot([row["estimate"]], [y], markersize=5.5, linestyle="none", **style)


def _row_text(ax: Axes, y: int, label: str, row: pd.Series, places: int, *, narrow: bool) -> None:
    """Write a row's number, its interval and its n."""
    said = words.words_for_missing(row)
    if pd.notna(row["estimate"]):
        said = words.number(row["estimate"], places)
        if pd.notna(row.get("ci_low", np.nan)):
            said += f" ({words.limits(row['ci_low'], row['ci_high'], places)})"
    n = words.number(row["n_patients"]) if pd.notna(row.get("n_patients", np.nan)) else ""
    if narrow:
        text = f"{label}: {said}, n {n}" if n else f"{label}: {said}"
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


ROW_IN = 0.30
NARROW_ROW_IN = 0.46
DENSE_ROW_IN = 0.24
N_COLUMNS = 3
ROOM_FOR_N = 0.14  # share of a panel's width kept free for the counts at its right edge
SHORT_MONTHS = 20.0  # up to here a tick every 3 months, beyond every 6


def intervals(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw a dot and its interval for each row, with the number written beside it; panels by unit."""
    table = result.table()
    units = list(table["unit"].drop_duplicates())
    row_in = NARROW_ROW_IN if narrow else ROW_IN
    heights = [int((table["unit"] == unit).sum()) * row_in + 0.75 for unit in units]
    axes = panels(ax, len(units), narrow=narrow, columns=1, share="", heights_in=heights)
    labels = pd.Series(row_labels(table, result.by), index=table.index)
    for panel, unit in zip(axes, units, strict=True):
        rows = table[table["unit"] == unit]
        interval_rows(panel, rows, list(labels[rows.index]), narrow=narrow)
        panel.set_xlabel(axis_name(_what(rows), unit))
    return axes[0]


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
    longest = max(len(rows) for _, rows in groups)
    height = longest * (NARROW_ROW_IN if narrow else DENSE_ROW_IN) + 0.6
    axes = panels(ax, len(groups), narrow=narrow, height_in=height, share="x")
    for position, (panel, (name, rows)) in enumerate(zip(axes, groups, strict=True)):
        labels = [": ".join(readable(row[c]) for c in row_by or ("term",)) for _, row in rows.iterrows()]
        named = [title_case(label) for label in labels]
        interval_rows(panel, rows, named, narrow=narrow, numbers=False)
        if not narrow:
            _n_inside(panel, rows)
        if not narrow and position % N_COLUMNS:
            panel.set_yticklabels([])
        main = rows[[label.startswith("main") for label in labels]]
        if len(main) == 1:
            panel.axvline(float(main["estimate"].iloc[0]), color=QUIET, linewidth=0.8, linestyle=(0, (2, 2)))
        panel.set_title(group_name(panel_by or "", name))
    if not narrow:
        left, right = axes[0].get_xlim()
        axes[0].set_xlim(left, right + ROOM_FOR_N * (right - left))
    figure = axes[0].figure
    assert figure is not None
    units = " or ".join(numbers.unit_name(u) for u in table["unit"].drop_duplicates())
    figure.supxlabel(f"{title_case(_what(table))} ({units})", fontsize=8.6)
    return axes[0]


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


def curve(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw a curve with its band, one panel a first `by` column, on one scale."""
    return _panelled(result, ax, narrow=narrow)


def milestones(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw the share past a milestone by month, observed terms as steps, with the numbers at risk below."""
    return _panelled(result, ax, narrow=narrow, steps=True)


def _panelled(result: Result, ax: Axes | None, *, narrow: bool, steps: bool = False) -> Axes:
    """Draw `path` in panels, with points, marks and numbers at risk where the result holds them."""
    path = result.path if isinstance(result, Curve) else result.table()
    panel_by = result.by[0] if result.by else None
    groups = list(path.groupby(panel_by, sort=False)) if panel_by else [("", path)]
    has_risk = "at_risk" in result.extra
    axes = panels(ax, len(groups), narrow=narrow, height_in=(2.95 if has_risk else 2.3))
    for panel, (name, rows) in zip(axes, groups, strict=True):
        _points_and_marks(panel, result, panel_by, name)
        lines = _lines(rows, result.by[1:])
        ends = [
            _line(panel, line, position, steps)
            for position, line in enumerate(lines)
            if line[1]["estimate"].notna().any()  # a line of few persons is withheld whole
        ]
        if steps:
            panel.set_ylim(0, 100)
        if len(ends) > 1 and len(axes) == 1:
            label_line_ends(panel, ends)
        panel.set_title(group_name(panel_by or "", name))
        panel.grid(axis="y")
    if len(axes) > 1:
        name_lines_above(axes)
    _name_axes(axes, result, path)
    if has_risk:
        for panel, (name, _) in zip(axes, groups, strict=True):
            _at_risk(panel, result.extra["at_risk"], panel_by, name)
    return axes[0]


def _lines(rows: pd.DataFrame, by: tuple[str, ...]) -> list[tuple[str, pd.DataFrame]]:
    keys = [c for c in [*by, "term"] if rows[c].nunique() > 1]
    if not keys:
        return [("", rows)]
    return [
        (", ".join(group_label(c, k) for c, k in zip(keys, key, strict=True)), line)
        for key, line in rows.groupby(keys, sort=False)
    ]


def _line(
    ax: Axes, named: tuple[str, pd.DataFrame], position: int, steps: bool
) -> tuple[float, float, str, str]:
    """Draw one line with its band; rows that carry a flag (outside the data) are drawn faint."""
    name, line = named
    line = line.sort_values("x")
    style = series_style(position)
    as_steps = steps and name.startswith("observed")
    known = line["flag"].fillna("").eq("") if "flag" in line else pd.Series(True, index=line.index)
    drawstyle = "steps-post" if as_steps else "default"
    if {"ci_low", "ci_high"} <= set(line.columns):
        ax.fill_between(
            line["x"],
            line["ci_low"],
            line["ci_high"],
            color=style["color"],
            alpha=BAND_ALPHA,
            linewidth=0,
            step="post" if as_steps else None,
        )
    ax.plot(
        line["x"].where(known), line["estimate"].where(known), drawstyle=drawstyle, label=name or "_", **style
    )
    if not known.all():
        ax.plot(line["x"], line["estimate"], drawstyle=drawstyle, alpha=0.35, linewidth=1.0, **style)
    last = line.dropna(subset=["estimate"]).iloc[-1]
    return float(last["x"]), float(last["estimate"]), name, style["color"]


def _points_and_marks(ax: Axes, result: Result, panel_by: str | None, name: object) -> None:
    points = _of_panel(result.extra.get("points"), panel_by, name)
    if points is not None and len(points):
        ax.plot(
            points["x"],
            points["y"],
            ".",
            color=QUIET,
            alpha=0.35,
            markersize=2.5,
            rasterized=len(points) > 2000,
        )
    marks = _of_panel(result.extra.get("marks"), panel_by, name)
    for _, mark in (marks if marks is not None else pd.DataFrame()).iterrows():
        ax.axvline(mark["x"], color=QUIET, linewidth=0.8, linestyle=(0, (2, 2)))
        ax.annotate(
            str(mark["label"]),
            (mark["x"], 0.02),
            xycoords=("data", "axes fraction"),
            xytext=(-3, 0),
            textcoords="offset points",
            rotation=90,
            ha="right",
            va="bottom",
            color=QUIET,
            fontsize=7.2,
        )


def _of_panel(frame: pd.DataFrame | None, panel_by: str | None, name: object) -> pd.DataFrame | None:
    if frame is None or panel_by is None or panel_by not in frame.columns:
        return frame
    return frame[frame[panel_by] == name]


def _at_risk(ax: Axes, at_risk: pd.DataFrame, panel_by: str | None, name: object) -> None:
    """Write how many are followed and not yet there at each month, under the month."""
    rows = _of_panel(at_risk, panel_by, name)
    assert rows is not None
    ax.annotate(
        "followed, not yet there",
        (0, -0.2),
        xycoords="axes fraction",
        va="top",
        fontsize=7.2,
        color=QUIET,
    )
    for _, row in rows.iterrows():
        ax.annotate(
            numbers.number(row["n"]),
            (row["x"], -0.28),
            xycoords=("data", "axes fraction"),
            ha="center",
            va="top",
            fontsize=7.6,
            annotation_clip=False,
        )


def _name_axes(axes: list[Axes], result: Result, path: pd.DataFrame) -> None:
    unit = str(path["unit"].iloc[0])
    x_name = result.x_name if isinstance(result, Curve) else "month"
    for panel in axes:
        if x_name == "month":
            panel.xaxis.set_major_locator(
                mpl_ticker.MultipleLocator(3 if path["x"].max() <= SHORT_MONTHS else 6)
            )
    named = "Months since the session" if x_name == "month" else title_case(x_name)
    name_axes(axes, named, axis_name(_what(path), unit))


def _what(rows: pd.DataFrame) -> str:
    """Return what the axis counts: the term where there is one, else the general word."""
    terms = rows["term"].dropna().unique()
    return title_case(readable(terms[0])) if len(terms) == 1 else "Estimate"


def forest(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw a row a group and a diamond for each pooled row."""
    return intervals(result, ax, narrow=narrow)


def funnel(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw each unit at its size against the limits expected by chance, and name it."""
    (axes,) = panels(ax, 1, narrow=narrow, height_in=3.6)
    _limit_lines(axes, result)
    table = result.table()
    inside = table["flag"].fillna("").eq("") if "flag" in table else pd.Series(True, index=table.index)
    for chosen, position, size in ((inside, 0, 6), (~inside, 1, 8)):
        rows = table[chosen]
        axes.plot(rows["x"], rows["estimate"], linestyle="none", markersize=size, **marker_style(position))
    for label, (_, row) in zip(row_labels(table, result.by), table.iterrows(), strict=True):
        axes.annotate(
            label, (row["x"], row["estimate"]), xytext=(6, 5), textcoords="offset points", fontsize=8
        )
    _axis_names(axes, result, table)
    return axes


def run(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw a value over time with its centre and limits; points that carry a flag are ringed and named."""
    table = result.table()
    groups = list(table.groupby(list(result.by), sort=False)) if result.by else [("", table)]
    axes = panels(ax, len(groups), narrow=narrow, columns=2, height_in=2.3)
    for panel, (name, rows) in zip(axes, groups, strict=True):
        _limit_lines(panel, result, dict(zip(result.by, _keys(name), strict=False)))
        panel.plot(rows["x"], rows["estimate"], color=SERIES[0], linewidth=1.1)
        panel.plot(rows["x"], rows["estimate"], linestyle="none", markersize=4.5, **marker_style(0))
        signals = rows[rows["flag"].fillna("").ne("")] if "flag" in rows else rows.iloc[:0]
        panel.plot(
            signals["x"],
            signals["estimate"],
            "o",
            markersize=10,
            markerfacecolor="none",
            color=SERIES[1],
        )
        if result.by:
            panel.set_title(", ".join(group_name(c, k) for c, k in zip(result.by, _keys(name), strict=True)))
        panel.grid(axis="y")
        _axis_names(panel, result, rows)
    return axes[0]


def _limit_lines(ax: Axes, result: Result, where: dict | None = None) -> None:
    """Draw the lines of `path` (centre and limits) and name each at its end."""
    if not isinstance(result, Curve) or result.path.empty:
        return
    path = result.path
    for column, value in (where or {}).items():
        if column in path.columns:
            path = path[path[column] == value]
    ends = []
    for position, (term, line) in enumerate(path.groupby("term", sort=False)):
        line = line.sort_values("x")
        ax.plot(
            line["x"],
            line["estimate"],
            color=QUIET,
            linewidth=0.9,
            linestyle=DASHES[position % 4],
        )
        last = line.dropna(subset=["estimate"]).iloc[-1]
        ends.append((float(last["x"]), float(last["estimate"]), readable(term), QUIET))
    label_line_ends(ax, ends)


def _axis_names(ax: Axes, result: Result, rows: pd.DataFrame) -> None:
    terms = rows["term"].dropna().unique()
    what = readable(terms[0]) if len(terms) == 1 else "value"
    ax.set_ylabel(axis_name(title_case(what), str(rows["unit"].iloc[0])))
    x_name = result.x_name if isinstance(result, Curve) else "month"
    ax.set_xlabel(title_case(numbers.unit_name(x_name)))


def _keys(name: object) -> tuple:
    return name if isinstance(name, tuple) else (name,)
