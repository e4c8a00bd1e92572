"""Picture of overlapping sessions: how the gain splits between them, and how firmly."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from analytics.errors import ParameterError
from analytics.numbers import readable, title_case
from analytics.pages.figures.drawing import QUIET, SERIES, marker_style, panels
from analytics.results import Result

TERM = "last session's share of the gain"
ROW_IN = 0.27
NARROW_ROW_IN = 0.34
MOST_ROWS = 30


def splits(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw, a panel a zone and a row a region, the last session's share of the gain.

    Pale: limits from planted hairs and months alone; dark: with the readings; at the edge the share of the
    split that the readings decide. At most MOST_ROWS regions a zone, those most firmly split.
    """
    shown = _shown(result)
    if shown.empty:
        raise ParameterError(f"draw(result): {unsaid(result)}; say so in words instead of drawing")
    groups = list(shown.groupby("zone", sort=False))
    row_in = NARROW_ROW_IN if narrow else ROW_IN
    heights = [min(len(rows), MOST_ROWS) * row_in + 0.75 for _, rows in groups]
    axes = panels(ax, len(groups), narrow=narrow, columns=1, share="x", heights_in=heights)
    for panel, (zone, rows) in zip(axes, groups, strict=True):
        firmest = rows.sort_values("decided_pct", ascending=False).head(MOST_ROWS)
        _rows(panel, firmest)
        left = f", the {len(firmest)} of {len(rows)} most firmly split" if len(rows) > len(firmest) else ""
        panel.set_title(title_case(readable(zone)) + left)
        panel.set_xlim(0, 100)
    axes[-1].set_xlabel("Last session's share of the gain (%)")
    axes[0].legend(
        loc="lower left", bbox_to_anchor=(0.25, 1.0), ncols=1 if narrow else 2, fontsize=7.2, frameon=False
    )
    return axes[0]


def unsaid(result: Result) -> str:
    """Return in words why there is no region to draw; empty where there is one."""
    if not _shown(result).empty:
        return ""
    why = [flag for flag in result.table().get("flag", pd.Series(dtype=str)).fillna("") if flag]
    has_regions = "splits" in result.extra and len(result.extra["splits"]) > 0
    return "every region is withheld for this audience" if has_regions or not why else why[0]


def _shown(result: Result) -> pd.DataFrame:
    """Return a row a region with both limits; those withheld for the audience fall out."""
    table = result.table()
    table = table[table["term"].eq(TERM)]
    if table.empty:
        return table
    before = result.extra["splits"][["zone", "overlap", "before_low", "before_high", "decided_pct"]]
    return table.merge(before, on=["zone", "overlap"], how="left", validate="one_to_one").dropna(
        subset=["estimate"]
    )


def _rows(panel: Axes, rows: pd.DataFrame) -> None:
    y = np.arange(len(rows))
    panel.hlines(
        y, rows["before_low"], rows["before_high"], color=QUIET, alpha=0.25, linewidth=8,
        label="planted hairs and months alone",
    )  # fmt: skip
    panel.hlines(
        y, rows["ci_low"], rows["ci_high"], color=SERIES[0], linewidth=2.2, label="with the readings"
    )
    panel.plot(rows["estimate"], y, linestyle="none", markersize=5, **marker_style(0))
    for at, decided in zip(y, rows["decided_pct"], strict=True):
        said = "not told" if np.isnan(decided) else f"{decided:.0f} % decided"
        panel.annotate(
            said, (1.0, at), xycoords=("axes fraction", "data"), xytext=(4, 0), textcoords="offset points",
            va="center", fontsize=7.4, color=QUIET, annotation_clip=False,
        )  # fmt: skip
    panel.set_yticks(y, [str(o) for o in rows["overlap"]])
    panel.set_ylim(len(rows) - 0.5, -0.5)
    panel.grid(axis="x")
