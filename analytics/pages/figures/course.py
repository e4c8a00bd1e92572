"""Pictures of one patient: the course of a case, what its forecast's width holds, donor ledger and drafts."""

from typing import Any

import matplotlib.ticker as mpl_ticker
import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from analytics.numbers import readable, title_case
from analytics.pages.figures.drawing import INK, MARKERS, QUIET, RULE, SERIES, name_axes, panels
from analytics.results import Result, limits

CENTILE_HATCHES = ("", "///", "...", "xxx")
DRAFT_HATCHES = ("///", "...", "xxx", "\\\\\\", "+++", "ooo")
ROW_IN = 0.62


def case(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw, a panel a place: the practice's centile bands, this case's readings, forecast and limits."""
    places = list(result.extra["standing"]["place"])
    axes = panels(ax, len(places), narrow=narrow, columns=2, height_in=2.7)
    for panel, place in zip(axes, places, strict=True):
        _bands(panel, _of(result.extra["bands"], place))
        _forecast(panel, _of(result.extra["limits"], place))
        readings = _of(result.extra["readings"], place)
        low, _ = limits(readings["y"], readings["se"])
        panel.errorbar(
            readings["x"],
            readings["y"],
            yerr=readings["y"] - low,
            fmt="o",
            color=INK,
            markersize=4.2,
            elinewidth=1.0,
            zorder=5,
        )
        panel.axhline(0, color=RULE, linewidth=0.7)
        panel.set_title(title_case(place))
        panel.set_xlim(left=0)
        panel.set_ylim(-25, 145)
        panel.xaxis.set_major_locator(mpl_ticker.MultipleLocator(6))
    name_axes(axes, "Months since the session", "Yield (percent of planted hairs)")
    return axes[0]


def width(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw, a panel a place, each source's share in the variance of the predicted density, by month."""
    split = result.extra["split"]
    places = list(split["place"].drop_duplicates())
    axes = panels(ax, len(places), narrow=narrow, columns=2, height_in=2.2)
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
                label=str(source),
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
    panel.fill_between(bands["x"], bands["p5"], bands["p95"], color=QUIET, alpha=0.12, linewidth=0)
    panel.fill_between(bands["x"], bands["p25"], bands["p75"], color=QUIET, alpha=0.16, linewidth=0)
    panel.plot(bands["x"], bands["p50"], color=QUIET, linewidth=1.0, linestyle=(0, (4, 2)))
    last = bands.iloc[-1]
    for column, words in (("p5", "5th"), ("p50", "median"), ("p95", "95th centile")):
        panel.annotate(
            words,
            (last["x"], last[column]),
            xytext=(-3, 3),
            textcoords="offset points",
            ha="right",
            fontsize=6.8,
        )


def _forecast(panel: Axes, limits: pd.DataFrame) -> None:
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


def ledger(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw the supply as one bar: what each session spent, what is left under the share, and the rest."""
    table = result.table().set_index("term")
    panel = panels(ax, 1, narrow=narrow, height_in=1.75 if not narrow else 2.1, share="")[0]
    start = 0.0
    spent = table[table.index.str.startswith(("used: ", "used elsewhere")) & table["estimate"].gt(0)]
    for position, (term, row) in enumerate(spent.iterrows()):
        width = float(row["estimate"])
        hatch = DRAFT_HATCHES[position % len(DRAFT_HATCHES)]
        panel.barh(0, width, left=start, height=0.5, color="white", edgecolor=SERIES[0], hatch=hatch)
        _label(panel, start + width / 2, -0.42, str(term).removeprefix("used: "), width)
        start += width
    left = float(table.loc["left", "estimate"])
    if left > 0:
        panel.barh(0, left, left=start, height=0.5, color=SERIES[2], alpha=0.25, linewidth=0)
        _label(panel, start + left / 2, -0.42, "left", left)
    supply = float(table.loc["supply", "estimate"])
    panel.barh(0, supply, height=0.5, fill=False, edgecolor=QUIET, linewidth=0.8)
    panel.axvline(float(table.loc["allowance", "estimate"]), color=INK, linewidth=1.2, linestyle=(0, (4, 2)))
    panel.annotate(
        "safe share",
        (float(table.loc["allowance", "estimate"]), 0.30),
        xytext=(3, 8),
        textcoords="offset points",
    )
    panel.set_ylim(-0.7, 0.75)
    panel.set_yticks([])
    panel.spines["left"].set_visible(False)
    panel.set_xlabel("Follicular units (FU)")
    panel.set_xlim(0, max(supply, start + max(left, 0.0)) * 1.02)
    return panel


def drafts(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw, zone by zone, each draft's density now, all planted, and predicted at two months with limits."""
    table = result.table()
    zones = [z for z in table["zone"].drop_duplicates() if z != "donor"]
    names = list(table["draft"].drop_duplicates())
    height = ROW_IN * len(names) + 0.8
    axes = panels(ax, len(zones), narrow=narrow, columns=2, height_in=height, share="x")
    for panel, zone in zip(axes, zones, strict=True):
        for position, name in enumerate(names):
            _draft_row(panel, table[table["draft"].eq(name) & table["zone"].eq(zone)], position)
        panel.set_yticks(range(len(names)), [f"draft {n}" for n in names])
        panel.set_ylim(len(names) - 0.5, -0.6)
        panel.set_title(title_case(readable(zone)))
        panel.grid(axis="x")
    for panel in axes[-(1 if narrow else 2) :]:
        panel.set_xlabel("Density (hairs/cm²)")
    return axes[0]


def _draft_row(panel: Axes, rows: pd.DataFrame, y: int) -> None:
    if rows.empty:
        panel.annotate("not planted", (0.02, y), xycoords=("axes fraction", "data"), color=QUIET, va="center")
        return
    by_term = rows.set_index("term")
    now = float(by_term.loc["density now", "estimate"])
    full = now + float(by_term.loc["planted density", "estimate"])
    panel.plot(now, y, marker="|", markersize=12, color=QUIET, linestyle="none")
    panel.plot(full, y, marker="x", markersize=5, color=QUIET, linestyle="none")
    predicted = rows[rows["x"].notna()].sort_values("x")
    for step, row in enumerate(predicted.itertuples()):
        at = y - 0.12 + 0.24 * step
        color = SERIES[step]
        panel.plot([row.ci_low, row.ci_high], [at, at], color=color, alpha=0.55, linewidth=2.4)
        panel.plot(row.estimate, at, MARKERS[step], color=color, markersize=5)
        panel.annotate(
            f"month {row.x:g}",
            (row.ci_high, at),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=7.2,
            color=color,
        )


def _label(panel: Axes, x: float, y: float, text: str, width: float) -> None:
    if width > 0:
        panel.annotate(text, (x, y), ha="center", va="center", fontsize=7.6)
