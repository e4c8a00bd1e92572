"""Pictures of one patient: the course of a case, what its forecast's width holds."""

from typing import Any

import matplotlib.ticker as mpl_ticker
import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from analytics.course import MONTHS_AHEAD
from analytics.numbers import as_said, title_case
from analytics.pages.figures.drawing import INK, QUIET, RULE, SERIES, name_axes, panels
from analytics.pages.figures.intervals import intervals
from analytics.results import Curve, Result, limits

CENTILE_HATCHES = ("", "///", "...", "xxx")


def case(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw, a panel a place: the practice's centile bands, this case's readings, forecast and limits."""
    places = list(result.extra["standing"]["place"])
    # The page is one sheet of A4, whatever the number of zones.
    tall = 2.1 if len(places) <= 6 else 1.55
    rows_in = tall if narrow else 2.4 if len(places) <= 3 else 1.35
    columns = 4 if len(places) > 6 else 3
    axes = panels(ax, len(places), narrow=narrow, columns=columns, height_in=rows_in)
    counted = result.extra["readings"]["y"]
    low, high = np.nanmin([-25.0, *(counted - 5)]), np.nanmax([145.0, *(counted + 5)])
    for panel, place in zip(axes, places, strict=True):
        _bands(panel, _of(result.extra["bands"], place))
        _forecast(panel, _of(result.extra["limits"], place))
        readings = _of(result.extra["readings"], place)
        lower, _ = limits(readings["y"], readings["se"])
        panel.errorbar(
            readings["x"],
            readings["y"],
            yerr=readings["y"] - lower,
            fmt="o",
            color=INK,
            markersize=4.2,
            elinewidth=1.0,
            zorder=5,
        )
        panel.axhline(0, color=RULE, linewidth=0.7)
        panel.set_title(title_case(place))
        panel.set_xlim(left=0)
        panel.set_ylim(low, high)
        panel.xaxis.set_major_locator(mpl_ticker.MultipleLocator(6))
    name_axes(axes, "Months since the session", "Yield (percent of planted hairs)")
    return axes[0]


def early(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw, a panel a place, single counts with their counting error beside an assumed course (dashed)."""
    by = result.by[0]
    path = result.path if isinstance(result, Curve) else pd.DataFrame()
    places = list(path[by].drop_duplicates())
    points = result.extra["points"]
    axes = panels(ax, len(places), narrow=narrow, columns=2, height_in=2.5)
    for panel, place in zip(axes, places, strict=True):
        line = path[path[by].eq(place)]
        panel.plot(line["x"], line["estimate"], color=QUIET, linewidth=1.2, linestyle=(0, (4, 3)))
        # In the corner below 0, where counts hardly reach.
        words, at = str(line["term"].iloc[0]), (0.98, 0.04)
        panel.annotate(words, at, xycoords="axes fraction", ha="right", color=QUIET, fontsize=6.8)
        # A number withheld for others leaves no column behind.
        own = points[points[by].eq(place)] if by in points else points.iloc[:0]
        if len(own):
            low, high = limits(own["y"], own["se"])
            bars = np.array([own["y"] - low, high - own["y"]])
            panel.errorbar(
                own["x"], own["y"], yerr=bars, fmt="o", color=INK, markersize=4.2, elinewidth=1.0, zorder=5
            )
        panel.axhline(0, color=RULE, linewidth=0.7)
        panel.set_title(title_case(place))
        panel.set_xlim(left=0)
        panel.set_ylim(-40, 160)
        panel.xaxis.set_major_locator(mpl_ticker.MultipleLocator(6))
    name_axes(axes, "Months since the session", "Gain (percent of planted hairs)")
    return axes[0]


def ladder(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw single counts where no zone has more, else a dot and a bar a zone."""
    if result.extra["rungs"]["rung"].eq(1).all():
        return early(result, ax, narrow=narrow)
    return intervals(result, ax, narrow=narrow)


def width(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw, a panel a place, each source's share in the variance of the predicted density, by month."""
    split = result.extra["split"]
    has_area = split.groupby("place")["x"].transform("nunique").gt(1)  # one month alone has none
    split = split[has_area] if has_area.any() else split
    places = list(split["place"].drop_duplicates())
    axes = panels(ax, len(places), narrow=narrow, columns=2 if len(places) <= 4 else 3, height_in=2.2)
    for panel, place in zip(axes, places, strict=True):
        own = _of(split, place)
        months = np.sort(own["x"].unique())
        base = np.zeros(len(months))
        for position, (source, rows) in enumerate(own.groupby("source", sort=False)):
            share = rows.sort_values("x")["share"].to_numpy()
            panel.fill_between(
                months,
                base,
                base + share,
                color=SERIES[position],
                alpha=0.55,
                label=as_said(str(source)),
                hatch=CENTILE_HATCHES[position % len(CENTILE_HATCHES)],
                edgecolor="white",
                linewidth=0.0,
            )
            base = base + share
        panel.set_title(title_case(place))
        panel.set_ylim(0, 100)
        panel.set_xlim(left=0)
        panel.xaxis.set_major_locator(mpl_ticker.MultipleLocator(6))
    name_axes(axes, "Months since the session", "Share of the variance (percent)")
    named = dict(zip(*reversed(axes[0].get_legend_handles_labels()), strict=True))
    figure: Any = axes[0].figure
    figure.legend(
        named.values(), named, loc="outside upper left", ncols=2 if narrow else 4, frameon=False, fontsize=7.8
    )
    return axes[0]


def _bands(panel: Axes, bands: pd.DataFrame) -> None:
    """Draw the centile bands, which the caption names."""
    panel.fill_between(bands["x"], bands["p5"], bands["p95"], color=QUIET, alpha=0.12, linewidth=0)
    panel.fill_between(bands["x"], bands["p25"], bands["p75"], color=QUIET, alpha=0.16, linewidth=0)
    panel.plot(bands["x"], bands["p50"], color=QUIET, linewidth=1.0, linestyle=(0, (4, 2)))


def _forecast(panel: Axes, limits: pd.DataFrame) -> None:
    told = limits[limits["x"].le(limits["x"].where(limits["x"].isin(MONTHS_AHEAD)).max())]
    if len(told) > 1:  # as far as the table beside it says what is expected
        limits = told
    if len(limits) < 2:
        return
    color = SERIES[0]
    for level, alpha in ((95, 0.13), (80, 0.16), (50, 0.22)):
        panel.fill_between(
            limits["x"],
            limits[f"low_{level}"],
            limits[f"high_{level}"],
            color=color,
            alpha=alpha,
            linewidth=0,
        )
    panel.plot(limits["x"], limits["yield_pct"], color=color, linewidth=1.8)


def _of(frame: pd.DataFrame, place: str) -> pd.DataFrame:
    return frame[frame["place"].eq(place)]
