"""Pictures of a plan: what the donor still holds, and what each draft would be expected to give."""

import pandas as pd
from matplotlib.axes import Axes

from analytics.pages import drawing
from analytics.results import Result

HATCHES = ("///", "...", "xxx", "\\\\\\", "+++", "ooo")
ROW_IN = 0.62


def ledger(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw the supply as one bar: what each session spent, what is left under the share, and the rest."""
    table = result.table().set_index("term")
    panel = drawing.panels(ax, 1, narrow=narrow, height_in=1.75 if not narrow else 2.1, share="")[0]
    start = 0.0
    spent = table[table.index.str.startswith(("used: ", "used elsewhere")) & table["estimate"].gt(0)]
    for position, (term, row) in enumerate(spent.iterrows()):
        width = float(row["estimate"])
        hatch = HATCHES[position % len(HATCHES)]
        panel.barh(0, width, left=start, height=0.5, color="white", edgecolor=drawing.SERIES[0], hatch=hatch)
        _label(panel, start + width / 2, -0.42, str(term).removeprefix("used: "), width)
        start += width
    left = float(table.loc["left", "estimate"])
    if left > 0:
        panel.barh(0, left, left=start, height=0.5, color=drawing.SERIES[2], alpha=0.25, linewidth=0)
        _label(panel, start + left / 2, -0.42, "left", left)
    supply = float(table.loc["supply", "estimate"])
    panel.barh(0, supply, height=0.5, fill=False, edgecolor=drawing.QUIET, linewidth=0.8)
    panel.axvline(
        float(table.loc["allowance", "estimate"]), color=drawing.INK, linewidth=1.2, linestyle=(0, (4, 2))
    )
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
    axes = drawing.panels(ax, len(zones), narrow=narrow, columns=2, height_in=height, share="x")
    for panel, zone in zip(axes, zones, strict=True):
        for position, name in enumerate(names):
            _draft_row(panel, table[table["draft"].eq(name) & table["zone"].eq(zone)], position)
        panel.set_yticks(range(len(names)), [f"draft {n}" for n in names])
        panel.set_ylim(len(names) - 0.5, -0.6)
        panel.set_title(drawing.title_case(drawing.readable(zone)))
        panel.grid(axis="x")
    for panel in axes[-(1 if narrow else 2) :]:
        panel.set_xlabel("Density (hairs/cm²)")
    return axes[0]


def _draft_row(panel: Axes, rows: pd.DataFrame, y: int) -> None:
    if rows.empty:
        panel.annotate(
            "not planted", (0.02, y), xycoords=("axes fraction", "data"), color=drawing.QUIET, va="center"
        )
        return
    by_term = rows.set_index("term")
    now = float(by_term.loc["density now", "estimate"])
    full = now + float(by_term.loc["planted density", "estimate"])
    panel.plot(now, y, marker="|", markersize=12, color=drawing.QUIET, linestyle="none")
    panel.plot(full, y, marker="x", markersize=5, color=drawing.QUIET, linestyle="none")
    predicted = rows[rows["x"].notna()].sort_values("x")
    for step, row in enumerate(predicted.itertuples()):
        at = y - 0.12 + 0.24 * step
        color = drawing.SERIES[step]
        panel.plot([row.ci_low, row.ci_high], [at, at], color=color, alpha=0.55, linewidth=2.4)
        panel.plot(row.estimate, at, drawing.MARKERS[step], color=color, markersize=5)
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
