"""Pictures of what changes along an axis: curves by zone, milestones with numbers at risk, runs, a funnel."""

import matplotlib.ticker as mpl_ticker
import pandas as pd
import seaborn
from matplotlib.axes import Axes

from analytics import numbers
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
    titled,
    what_is_counted,
)
from analytics.results import Curve, Result

AT_RISK_PT, LINE_PT = -26, 10.5  # where the numbers at risk begin, points below the panel; a line of them
SHORT_MONTHS = 20.0  # up to here a tick every 3 months, beyond every 6


def curve(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw a curve with its band, one panel a first `by` column, on one scale."""
    return _panelled(result, ax, narrow=narrow)


def milestones(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw the share past a milestone by month, observed terms as steps, with the numbers at risk below."""
    return _panelled(result, ax, narrow=narrow, steps=True)


def together(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw all groups of a curve on one axis, each with its band, named where its line ends."""
    path = result.path if isinstance(result, Curve) else result.table()
    by = result.by[0]
    path = path[path["estimate"].notna()]
    names = list(path[by].drop_duplicates())
    (axes,) = panels(ax, 1, narrow=narrow, height_in=3.6)
    for position, name in enumerate(names):
        line, style = path[path[by].eq(name)], series_style(position)
        if {"ci_low", "ci_high"} <= set(line.columns):
            axes.fill_between(
                line["x"],
                line["ci_low"],
                line["ci_high"],
                color=style["color"],
                alpha=BAND_ALPHA / 2,
                linewidth=0,
            )
        seaborn.lineplot(line, x="x", y="estimate", errorbar=None, ax=axes, legend=False, **style)
        at = line[line["x"].gt(0) & line["x"].mod(3).eq(0)]
        points = axes.scatter(at["x"], at["estimate"], s=40, color=style["color"], alpha=0.01, linewidth=0)
        titled(points, [f"{group_name(by, name)}, month {x:g}: {numbers.number(y)}"
                        for x, y in zip(at["x"], at["estimate"], strict=True)])  # fmt: skip
    last = path.groupby(by, sort=False).tail(1)
    dashes = {group_name(by, name): series_style(i)["linestyle"] for i, name in enumerate(names)}
    label_line_ends(axes, [(row["x"], row["estimate"], group_name(by, row[by]), series_style(i)["color"])
                           for i, (_, row) in enumerate(last.iterrows())], dashes=dashes)  # fmt: skip
    axes.set_xlim(0, path["x"].max() * (1.36 if narrow else 1.18))
    _name_axes([axes], result, path)
    axes.grid(axis="y")
    seaborn.despine(ax=axes)
    return axes


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
        panel.set_title(_panel_name(panel_by or "", name))
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
        (0, 0),
        xycoords="axes fraction",
        xytext=(0, AT_RISK_PT),
        textcoords="offset points",
        va="top",
        fontsize=7.2,
        color=QUIET,
    )
    for _, row in rows.iterrows():
        ax.annotate(
            numbers.number(row["n"]),
            (row["x"], 0),
            xycoords=("data", "axes fraction"),
            xytext=(0, AT_RISK_PT - LINE_PT),
            textcoords="offset points",
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
    name_axes(axes, named, axis_name(what_is_counted(path), unit))


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
            panel.set_title(", ".join(_panel_name(c, k) for c, k in zip(result.by, _keys(name), strict=True)))
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


def _panel_name(column: str, value: object) -> str:
    """Return the title of a panel; an answer stands with what was asked."""
    is_answer = str(value) in ("yes", "no", "not recorded")
    return f"{title_case(readable(column))}: {value}" if is_answer else group_name(column, value)


def _keys(name: object) -> tuple:
    return name if isinstance(name, tuple) else (name,)
