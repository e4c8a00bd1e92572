"""Pictures of a planned session: what the donor still holds, and what each draft is expected to give."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from analytics import dictionary
from analytics.numbers import number, of_100, readable, title_case
from analytics.pages.figures.drawing import INK, MARKERS, QUIET, SERIES, panels
from analytics.results import Result

SPENT_HATCHES = ("///", "...", "xxx", "\\\\\\", "+++", "ooo")
ROW_IN, HEAD_IN, AROUND_IN = 0.34, 0.66, 0.6  # a draft, the head of a zone, the axis
TEXT = 8.6
COLOURS = {
    "crown": SERIES[0],
    "frontal": SERIES[1],
    "hairline": SERIES[1],
}  # as on the page of crown and front
EXPECTED, REACHED = "expected density", "chance of reaching the target"


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
    """Draw on one axis, zone by zone, each draft's density once mature with its limits, and the target."""
    table = result.table()
    per_zone = table[
        table["term"].eq("density at the session") | table["term"].str.startswith("density at month")
    ]
    zones = list(per_zone["zone"].drop_duplicates())
    names = list(table["draft"].drop_duplicates())
    head = HEAD_IN / ROW_IN
    step = head + len(names)
    panel = panels(ax, 1, narrow=narrow, height_in=ROW_IN * step * len(zones) + AROUND_IN, share="")[0]
    ticks: list[tuple[float, str, str]] = []
    for k, zone in enumerate(zones):
        own, top = table[table["zone"].eq(zone)], k * step
        rows = [top + head + i for i in range(len(names))]
        _zone_head(panel, own, zone, top, (rows[0] - 0.6, rows[-1] + 0.45))
        for y, marker, name in zip(rows, MARKERS, names, strict=False):
            ticks.append((y, *_draft_row(panel, own[own["draft"].eq(name)], y, marker, zone, name)))
    _row_names(panel, ticks, with_chances=table["term"].eq(REACHED).any())
    panel.set_ylim(step * len(zones) - 0.4, -0.5)
    panel.grid(axis="x")
    panel.set_xlabel("Density once mature (hairs/cm²)")
    low, high = panel.get_xlim()
    # Words left of a line may stand over the names of the drafts, those right of it not over the chances.
    wide = high - low
    panel.set_xlim(max(low - 0.05 * wide, min(low, 0.0)), high + (0.3 if narrow else 0.12) * wide)
    return panel


def _row_names(panel: Axes, ticks: list[tuple[float, str, str]], *, with_chances: bool) -> None:
    """Name the drafts on the left, and say on the right how likely each reaches the target."""
    panel.set_yticks([y for y, _, _ in ticks], [name for _, name, _ in ticks])
    panel.tick_params(axis="y", length=0)
    panel.spines["left"].set_visible(False)
    if with_chances:
        right = panel.secondary_yaxis("right")
        right.set_yticks([y for y, _, _ in ticks], [said for _, _, said in ticks])
        right.tick_params(axis="y", length=0)
        right.spines["right"].set_visible(False)
        panel.annotate(
            "target reached", (1, 0.0), xycoords=("axes fraction", "data"), xytext=(3, 0),
            textcoords="offset points", color=QUIET, va="center", fontsize=TEXT, annotation_clip=False,
        )  # fmt: skip


def _zone_head(panel: Axes, rows: pd.DataFrame, zone: str, y: float, span: tuple[float, float]) -> None:
    """Name the zone, and draw what stands there at the session and the target through its rows."""
    month = f"{dictionary.MATURITY_MONTH[zone]:g}"
    panel.annotate(
        f"{title_case(readable(zone))}, month {month}", (0, y), xycoords=("axes fraction", "data"),
        xytext=(4, 0), textcoords="offset points", va="center", fontweight="bold",
        fontsize=9.2, color=COLOURS.get(zone, INK),
    )  # fmt: skip
    labels = (
        ("density at the session", "at the session", QUIET, (0, (2, 2)), 1.2),
        ("target", "target", INK, "solid", 2.2),
    )
    drawn = []
    for term, word, color, dash, width in labels:
        found = rows.loc[rows["term"].eq(term), "estimate"].dropna()
        if len(found):
            at = float(found.iloc[0])
            panel.plot([at, at], span, color=color, linewidth=width, linestyle=dash, zorder=1)
            drawn.append((at, f"{word} {number(at)}", color))
    # Labels stand outwards of their lines, so that two lines close together stay readable.
    first = min((at for at, _, _ in drawn), default=0.0)
    for at, text, color in drawn:
        side = "right" if at == first and len(drawn) > 1 else "left"
        panel.annotate(
            text, (at, span[0] - 0.25), xytext=(-3 if side == "right" else 3, 0), ha=side, va="center",
            textcoords="offset points", fontsize=TEXT, color=color,
        )  # fmt: skip


def _draft_row(
    panel: Axes, rows: pd.DataFrame, y: float, marker: str, zone: str, name: str
) -> tuple[str, str]:
    """Draw one draft in one zone; return its name with what it plants, and its chance of the target."""
    said = "not planted"
    by_term = rows.drop_duplicates("term").set_index("term")
    if len(rows):
        itself = EXPECTED in by_term.index  # only where a target is set
        row = by_term.loc[EXPECTED if itself else f"density at month {dictionary.MATURITY_MONTH[zone]:g}"]
        named = f"draft {name}: {number(by_term.loc['grafts', 'estimate'])} grafts"
        if np.isfinite(row["estimate"]):
            colour = COLOURS.get(zone, INK)
            panel.plot([row["ci_low"], row["ci_high"]], [y, y], color=colour, alpha=0.45, linewidth=4)
            panel.plot(row["estimate"], y, marker, color=colour, markersize=6.5)
            panel.annotate(
                number(row["estimate"]), (row["estimate"], y), xytext=(0, 6), textcoords="offset points",
                ha="center", fontsize=TEXT, fontweight="bold",
                bbox={"facecolor": "white", "linewidth": 0, "pad": 0.5},  # over the target's line
            )  # fmt: skip
            return named, of_100(by_term.loc[REACHED, "estimate"]) if itself else ""
        said = str(row["flag"]).partition(":")[0].partition(" (")[0]
        name = named.removeprefix("draft ")
    panel.annotate(
        said, (0.02, y), xycoords=("axes fraction", "data"), color=QUIET, va="center", fontsize=TEXT
    )
    return f"draft {name}", ""
