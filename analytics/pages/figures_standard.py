"""The pictures most pages need: intervals, sensitivity, curves by zone, milestones with numbers at risk."""

import matplotlib.ticker as mpl_ticker
import pandas as pd
from matplotlib.axes import Axes

from analytics.pages import drawing, words
from analytics.pages.figures_rows import interval_rows
from analytics.records import dictionary
from analytics.results import Curve, Result

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
    axes = drawing.panels(ax, len(units), narrow=narrow, columns=1, share="", heights_in=heights)
    labels = pd.Series(drawing.row_labels(table, result.by), index=table.index)
    for panel, unit in zip(axes, units, strict=True):
        rows = table[table["unit"] == unit]
        interval_rows(panel, rows, list(labels[rows.index]), narrow=narrow)
        panel.set_xlabel(drawing.axis_name(_what(rows), unit))
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
    axes = drawing.panels(ax, len(groups), narrow=narrow, height_in=height, share="x")
    for position, (panel, (name, rows)) in enumerate(zip(axes, groups, strict=True)):
        labels = [
            ": ".join(drawing.readable(row[c]) for c in row_by or ("term",)) for _, row in rows.iterrows()
        ]
        named = [drawing.title_case(label) for label in labels]
        interval_rows(panel, rows, named, narrow=narrow, numbers=False)
        if not narrow:
            _n_inside(panel, rows)
        if not narrow and position % N_COLUMNS:
            panel.set_yticklabels([])
        main = rows[[label.startswith("main") for label in labels]]
        if len(main) == 1:
            panel.axvline(
                float(main["estimate"].iloc[0]), color=drawing.QUIET, linewidth=0.8, linestyle=(0, (2, 2))
            )
        panel.set_title(drawing.group_name(panel_by or "", name))
    if not narrow:
        left, right = axes[0].get_xlim()
        axes[0].set_xlim(left, right + ROOM_FOR_N * (right - left))
    figure = axes[0].figure
    assert figure is not None
    units = " or ".join(words.unit_name(u) for u in table["unit"].drop_duplicates())
    figure.supxlabel(f"{drawing.title_case(_what(table))} ({units})", fontsize=8.6)
    return axes[0]


def _n_inside(ax: Axes, rows: pd.DataFrame) -> None:
    """Write each row's number of patients inside the right edge, or that it has no number."""
    _small(ax, "n", (1, 1), "axes fraction", ha="right", va="bottom")
    known = rows["n_patients"] if "n_patients" in rows else pd.Series(float("nan"), index=rows.index)
    for y, (n, value) in enumerate(zip(known, rows["estimate"], strict=True)):
        if pd.isna(value):
            _small(ax, words.NOT_AVAILABLE, (0, y), ("axes fraction", "data"), ha="left", va="center")
        elif pd.notna(n):
            _small(ax, words.number(n), (1, y), ("axes fraction", "data"), ha="right", va="center")


def _small(
    ax: Axes, text: str, at: tuple[float, float], coords: str | tuple[str, str], *, ha: str, va: str
) -> None:
    """Write a small quiet word at a place, a little away from the edge it leans on."""
    offset = (3 if ha == "left" else -2, 1 if va == "bottom" else 0)
    ax.annotate(
        text, at, xycoords=coords, xytext=offset, textcoords="offset points", ha=ha, va=va, fontsize=6.8,
        color=drawing.QUIET,
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
    axes = drawing.panels(ax, len(groups), narrow=narrow, height_in=(2.95 if has_risk else 2.3))
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
            drawing.label_line_ends(panel, ends)
        panel.set_title(drawing.group_name(panel_by or "", name))
        panel.grid(axis="y")
    if len(axes) > 1:
        drawing.name_lines_above(axes)
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
        (", ".join(drawing.group_label(c, k) for c, k in zip(keys, key, strict=True)), line)
        for key, line in rows.groupby(keys, sort=False)
    ]


def _line(
    ax: Axes, named: tuple[str, pd.DataFrame], position: int, steps: bool
) -> tuple[float, float, str, str]:
    """Draw one line with its band; rows that carry a flag (outside the data) are drawn faint."""
    name, line = named
    line = line.sort_values("x")
    style = drawing.series_style(position)
    as_steps = steps and name.startswith("observed")
    known = line["flag"].fillna("").eq("") if "flag" in line else pd.Series(True, index=line.index)
    drawstyle = "steps-post" if as_steps else "default"
    if {"ci_low", "ci_high"} <= set(line.columns):
        ax.fill_between(
            line["x"],
            line["ci_low"],
            line["ci_high"],
            color=style["color"],
            alpha=drawing.BAND_ALPHA,
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
            color=drawing.QUIET,
            alpha=0.35,
            markersize=2.5,
            rasterized=len(points) > 2000,
        )
    marks = _of_panel(result.extra.get("marks"), panel_by, name)
    for _, mark in (marks if marks is not None else pd.DataFrame()).iterrows():
        ax.axvline(mark["x"], color=drawing.QUIET, linewidth=0.8, linestyle=(0, (2, 2)))
        ax.annotate(
            str(mark["label"]),
            (mark["x"], 0.02),
            xycoords=("data", "axes fraction"),
            xytext=(-3, 0),
            textcoords="offset points",
            rotation=90,
            ha="right",
            va="bottom",
            color=drawing.QUIET,
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
        color=drawing.QUIET,
    )
    for _, row in rows.iterrows():
        ax.annotate(
            words.number(row["n"]),
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
    named = "Months since the session" if x_name == "month" else drawing.title_case(x_name)
    drawing.name_axes(axes, named, drawing.axis_name(_what(path), unit))


def _what(rows: pd.DataFrame) -> str:
    """Return what the axis counts: the term where there is one, else the general word."""
    terms = rows["term"].dropna().unique()
    return drawing.title_case(drawing.readable(terms[0])) if len(terms) == 1 else "Estimate"
