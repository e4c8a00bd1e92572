"""Pictures that compare: forest of groups with a pooled row, funnel of units, run chart over time."""

import pandas as pd
from matplotlib.axes import Axes

from analytics.pages import drawing, words
from analytics.pages.figures_standard import intervals
from analytics.results import Curve, Result


def forest(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw a row a group and a diamond for each pooled row."""
    return intervals(result, ax, narrow=narrow)


def funnel(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw each unit at its size against the limits expected by chance, and name it."""
    (axes,) = drawing.panels(ax, 1, narrow=narrow, height_in=3.6)
    _limit_lines(axes, result)
    table = result.table()
    inside = table["flag"].fillna("").eq("") if "flag" in table else pd.Series(True, index=table.index)
    for chosen, position, size in ((inside, 0, 6), (~inside, 1, 8)):
        rows = table[chosen]
        axes.plot(
            rows["x"], rows["estimate"], linestyle="none", markersize=size, **drawing.marker_style(position)
        )
    for label, (_, row) in zip(drawing.row_labels(table, result.by), table.iterrows(), strict=True):
        axes.annotate(
            label, (row["x"], row["estimate"]), xytext=(6, 5), textcoords="offset points", fontsize=8
        )
    _axis_names(axes, result, table)
    return axes


def run(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw a value over time with its centre and limits; points that carry a flag are ringed and named."""
    table = result.table()
    groups = list(table.groupby(list(result.by), sort=False)) if result.by else [("", table)]
    axes = drawing.panels(ax, len(groups), narrow=narrow, columns=2, height_in=2.3)
    for panel, (name, rows) in zip(axes, groups, strict=True):
        _limit_lines(panel, result, dict(zip(result.by, _keys(name), strict=False)))
        panel.plot(rows["x"], rows["estimate"], color=drawing.SERIES[0], linewidth=1.1)
        panel.plot(rows["x"], rows["estimate"], linestyle="none", markersize=4.5, **drawing.marker_style(0))
        signals = rows[rows["flag"].fillna("").ne("")] if "flag" in rows else rows.iloc[:0]
        panel.plot(
            signals["x"],
            signals["estimate"],
            "o",
            markersize=10,
            markerfacecolor="none",
            color=drawing.SERIES[1],
        )
        if result.by:
            panel.set_title(
                ", ".join(drawing.group_name(c, k) for c, k in zip(result.by, _keys(name), strict=True))
            )
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
            color=drawing.QUIET,
            linewidth=0.9,
            linestyle=drawing.DASHES[position % 4],
        )
        last = line.dropna(subset=["estimate"]).iloc[-1]
        ends.append((float(last["x"]), float(last["estimate"]), drawing.readable(term), drawing.QUIET))
    drawing.label_line_ends(ax, ends)


def _axis_names(ax: Axes, result: Result, rows: pd.DataFrame) -> None:
    terms = rows["term"].dropna().unique()
    what = drawing.readable(terms[0]) if len(terms) == 1 else "value"
    ax.set_ylabel(drawing.axis_name(drawing.title_case(what), str(rows["unit"].iloc[0])))
    x_name = result.x_name if isinstance(result, Curve) else "month"
    ax.set_xlabel(drawing.title_case(words.unit_name(x_name)))


def _keys(name: object) -> tuple:
    return name if isinstance(name, tuple) else (name,)
