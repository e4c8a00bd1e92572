"""One row an estimate: dot, bar, and the number written beside it."""

from typing import Any

import matplotlib.ticker as mpl_ticker
import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from analytics.pages import drawing, words

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
        ax.axvline(NO_DIFFERENCE[unit], color=drawing.QUIET, linewidth=0.8)
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
        ax.fill(
            [low, row["estimate"], high, row["estimate"]], [y, y - 0.28, y, y + 0.28], color=drawing.SERIES[1]
        )
        return
    style = drawing.marker_style(0)
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
    quiet: Any = {"color": drawing.QUIET, "fontsize": 7.4, "va": "bottom"}
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
