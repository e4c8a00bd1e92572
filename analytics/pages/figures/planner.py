"""Pictures of a planned session: what the donor still holds, and what each draft is expected to give."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from analytics import dictionary
from analytics.numbers import readable, title_case
from analytics.pages.figures.drawing import INK, MARKERS, QUIET, SERIES, panels
from analytics.results import Result

SPENT_HATCHES = ("///", "...", "xxx", "\\\\\\", "+++", "ooo")
ROW_IN = 0.42
AROUND_IN = 1.05  # title, labels of the lines, axis
TEXT = 7.8


def ledger(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw the supply as one bar: what each session spent, what is left under the limit, and the rest."""
    table = result.table().set_index("term")
    panel = panels(ax, 1, narrow=narrow, height_in=2.1 if narrow else 1.8, share="")[0]
    start = 0.0
    spent = table[table.index.str.startswith(("used: ", "used elsewhere")) & table["estimate"].gt(0)]
    for position, (term, row) in enumerate(spent.iterrows()):
        width = float(row["estimate"])
        hatch = SPENT_HATCHES[position % len(SPENT_HATCHES)]
        panel.barh(0, width, left=start, height=0.5, color="white", edgecolor=SERIES[0], hatch=hatch)
        _below(panel, start + width / 2, f"{str(term).removeprefix('used: ')}\n{width:,.0f}", INK)
        start += width
    left = float(table.loc["left", "estimate"])
    if left > 0:
        panel.barh(0, left, left=start, height=0.5, color=SERIES[2], alpha=0.25, linewidth=0)
        _below(panel, start + left / 2, f"left\n{left:,.0f}", SERIES[2])
    supply = table.loc["supply"]
    if np.isfinite(supply["estimate"]):
        _supply(panel, supply, float(table.loc["allowance", "estimate"]), narrow=narrow)
    panel.set_ylim(-1.0, 0.75)
    panel.set_yticks([])
    panel.spines["left"].set_visible(False)
    panel.set_xlabel("Follicular units (FU)")
    ends = [v for v in (supply["estimate"], supply["ci_high"], start + left) if np.isfinite(v)]
    panel.set_xlim(0, max([*ends, start]) * 1.02 or 1.0)
    return panel


def _supply(panel: Axes, supply: pd.Series, limit: float, *, narrow: bool) -> None:
    """Draw the supply with its limits, and what of it may be spent; nothing where no donor was measured."""
    whole = float(supply["estimate"])
    panel.barh(0, whole, height=0.5, fill=False, edgecolor=QUIET, linewidth=0.8)
    panel.plot([limit, limit], [-0.32, 0.36], color=INK, linewidth=1.4)
    _above(panel, limit, f"limit chosen {limit:,.0f}")
    panel.plot([supply["ci_low"], supply["ci_high"]], [0, 0], color=INK, linewidth=1.0, marker="|")
    panel.plot(whole, 0, "o", color=INK, markersize=3.5)
    if not narrow:
        _above(panel, whole, f"supply {whole:,.0f} ({supply['ci_low']:,.0f} to {supply['ci_high']:,.0f})")


def _below(panel: Axes, x: float, text: str, color: str) -> None:
    panel.annotate(text, (x, -0.36), ha="center", va="top", fontsize=TEXT, color=color)


def _above(panel: Axes, x: float, text: str) -> None:
    panel.annotate(text, (x, 0.4), ha="center", va="bottom", fontsize=TEXT)


def drafts(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw, zone by zone, each draft's density once mature with limits, what stands there, and the target."""
    table = result.table()
    zones = [z for z in table["zone"].drop_duplicates() if z != "donor"]
    names = list(table["draft"].drop_duplicates())
    height = ROW_IN * len(names) + AROUND_IN
    axes = panels(ax, len(zones), narrow=narrow, columns=2, height_in=height, share="x")
    for panel, zone in zip(axes, zones, strict=True):
        own = table[table["zone"].eq(zone)]
        _lines(panel, own)
        for position, name in enumerate(names):
            _draft_row(panel, own[own["draft"].eq(name)], position, zone)
        panel.set_yticks(range(len(names)), [f"draft {n}" for n in names])
        panel.set_ylim(len(names) - 0.4, -1.15)
        panel.set_title(f"{title_case(readable(zone))}, month {dictionary.MATURITY_MONTH[zone]:g}", pad=4)
        panel.grid(axis="x")
    for panel in axes[-(1 if narrow else 2) :]:
        panel.set_xlabel("Density (hairs/cm²)")
    low, high = axes[0].get_xlim()
    # Room for the words left of the first line; no density lies below 0.
    axes[0].set_xlim(max(low - 0.35 * (high - low), min(low, 0.0)), high)
    return axes[0]


def _lines(panel: Axes, rows: pd.DataFrame) -> None:
    """Draw what stands in the zone at the session and the target, each with its word and number."""
    labels = (
        ("density at the session", "before", QUIET, (0, (4, 2))),
        ("target", "target", INK, "solid"),
    )
    drawn = []
    for term, word, color, dash in labels:
        found = rows.loc[rows["term"].eq(term), "estimate"].dropna()
        if len(found):
            panel.axvline(found.iloc[0], color=color, linewidth=1.2, linestyle=dash, zorder=1)
            drawn.append((float(found.iloc[0]), f"{word} {found.iloc[0]:.0f}", color))
    # Labels stand outwards of their lines, so that two lines close together stay readable.
    first = min((at for at, _, _ in drawn), default=0.0)
    for at, text, color in drawn:
        side = "right" if at == first and len(drawn) > 1 else "left"
        panel.annotate(
            text, (at, -0.8), xytext=(-3 if side == "right" else 3, 0), textcoords="offset points", ha=side,
            va="center", fontsize=TEXT, color=color,
        )  # fmt: skip


def _draft_row(panel: Axes, rows: pd.DataFrame, y: int, zone: str) -> None:
    said = "not planted"
    if len(rows):
        term = f"density at month {dictionary.MATURITY_MONTH[zone]:g}"
        row = rows.set_index("term").loc[term]
        if np.isfinite(row["estimate"]):
            panel.plot([row["ci_low"], row["ci_high"]], [y, y], color=SERIES[0], linewidth=1)
            itself = rows[rows["term"].eq("expected density")]
            if len(itself):  # only where a target is set
                panel.plot(
                    itself[["ci_low", "ci_high"]].iloc[0], [y, y], color=SERIES[0], alpha=0.4, linewidth=6
                )
            panel.plot(row["estimate"], y, MARKERS[y], color=SERIES[0], markersize=6)
            panel.annotate(
                f"{row['estimate']:.0f}", (row["estimate"], y), xytext=(0, 6), textcoords="offset points",
                ha="center", fontsize=TEXT, fontweight="bold",
            )  # fmt: skip
            return
        said = str(row["flag"]).partition(":")[0].partition(" (")[0]
    panel.annotate(
        said, (0.02, y), xycoords=("axes fraction", "data"), color=QUIET, va="center", fontsize=TEXT
    )
