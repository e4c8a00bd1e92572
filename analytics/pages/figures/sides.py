"""Crown and front on one axis: readings and trajectories faintly beneath, the means, who was read when.

The difference of the two half months is drawn as a distance. Where few planted zones were read the mean is
thin. Readings are there for the clinic alone (`disclosure` takes them out), their places titled.
"""

from typing import Any

import numpy as np
import pandas as pd
import seaborn
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from analytics import numbers
from analytics.numbers import THIN, title_case
from analytics.pages.figures.drawing import (
    BAND_ALPHA,
    FONT_PT,
    INK,
    NARROW_WIDTH_IN,
    QUIET,
    WIDTH_IN,
    titled,
)
from analytics.results import Curve, Result

MOST_READINGS = 2000  # drawn; the rest are counted
LOW, HIGH, LAST = -25.0, 130.0, 24.5  # of the axes, percent and months
HEIGHT_IN, NARROW_HEIGHT_IN = 4.0, 4.2
COLOURS = ("#a3430a", "#0b4f8a")  # front, the other side
SHAPES, DASHES = ("o", "s"), ((0, (6, 2)), "solid")


def sides(result: Curve, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw both sides on one axis."""
    names = list(result.path["zone"].drop_duplicates())
    if ax is None:
        size = (NARROW_WIDTH_IN, NARROW_HEIGHT_IN) if narrow else (WIDTH_IN, HEIGHT_IN)
        left, bottom = (0.13, 0.235) if narrow else (0.075, 0.245)
        ax = Figure(figsize=size).add_axes((left, bottom, 0.985 - left, (0.95 if narrow else 0.943) - bottom))
    ax.set_xlim(0, LAST)
    ax.set_ylim(LOW, HIGH)
    _readings(ax, result, names)
    ax.axhline(0, color=QUIET, linewidth=0.8)
    ax.axhline(100, color=INK, linewidth=0.8, linestyle=(0, (1, 2)))
    ax.text(0.2, 101.5, "every planted hair", color=QUIET, fontsize=FONT_PT, va="bottom")
    for position, name in enumerate(names):
        _mean(ax, result, name, position)
        _maturity(ax, result, name, position, narrow=narrow)
    _names(ax, result, names)
    _distance(ax, result, names, narrow=narrow)
    _read_beneath(ax, result, names, narrow=narrow)
    ax.set_xticks(range(0, 25, 3 if not narrow else 6))
    ax.set_title("Planted hairs that have grown, %", fontsize=FONT_PT, fontweight="normal", loc="left")
    ax.set_xlabel("Months since the session", labelpad=2)
    ax.grid(axis="y")
    seaborn.despine(ax=ax)
    return ax


def caption(result: Result) -> str:
    """Return how the picture is read, with what is not drawn of the readings."""
    readings = result.extra["readings"]
    said = ["Front: hairline and frontal together. Thick lines: mean of all planted zones with its "
            f"95{THIN}% band from the growth model; thin where fewer than 10 were read nearby."]  # fmt: skip
    if len(readings):
        outside = int((~readings["y"].between(LOW, HIGH) | readings["x"].gt(LAST)).sum())
        drawn = _drawn(readings)
        some = (
            f" {numbers.number(len(drawn))} of {numbers.number(len(readings))} readings are drawn."
            if len(drawn) < len(readings)
            else ""
        )
        said.append(
            "Faint marks: single readings, joined within a planted zone; counting error takes some past "
            f"100{THIN}% or below 0 ({numbers.number(outside)} of {numbers.number(len(readings))} lie "
            f"outside the axes).{some}"
        )
    said.append("Before month 6 shedding is mixed in.")
    return " ".join(said)


def _drawn(readings: pd.DataFrame) -> pd.DataFrame:
    """Return the readings of evenly chosen placements, MOST_READINGS at most."""
    ids = readings["placement_id"].drop_duplicates().sort_values()
    step = -(-len(readings) // MOST_READINGS)
    return readings[readings["placement_id"].isin(ids.iloc[::step])] if step > 1 else readings


def _readings(ax: Axes, result: Curve, names: list[str]) -> None:
    readings = result.extra["readings"]
    if readings.empty:
        return
    drawn = _drawn(readings).sort_values(["placement_id", "x"])
    for position, name in enumerate(names):
        own = drawn[drawn["zone"].eq(name)]
        if own.empty:
            continue
        codes = own["placement_id"].to_numpy(dtype=str)
        joined = np.split(own[["x", "y"]].to_numpy(), np.flatnonzero(codes[1:] != codes[:-1]) + 1)
        faint = LineCollection(joined, colors=COLOURS[position], alpha=0.16, linewidths=0.5, zorder=2)
        ax.add_collection(faint)
        inside = own[own["y"].between(LOW, HIGH) & own["x"].le(LAST)]
        seaborn.scatterplot(
            inside, x="x", y="y", color=COLOURS[position], marker=SHAPES[position], s=7 if position else 5,
            alpha=0.5 if position else 0.32, linewidth=0, legend=False, ax=ax,
        )  # fmt: skip
        titles = [
            f"{title_case(name)}, month {numbers.number(x, 1)}: {numbers.percent(y)}"
            for x, y in zip(inside["x"], inside["y"], strict=True)
        ]
        titled(ax.collections[-1], titles)
    ax.set_xlabel("")
    ax.set_ylabel("")


def _mean(ax: Axes, result: Curve, name: str, position: int) -> None:
    """Draw a side's mean and band: thin where few were read; a mark to point at every third month."""
    line = result.path[result.path["zone"].eq(name)].dropna(subset=["estimate"])
    colour = COLOURS[position]
    ax.fill_between(
        line["x"], line["ci_low"], line["ci_high"], color=colour, alpha=2 * BAND_ALPHA, linewidth=0
    )
    thin = line["flag"].fillna("").ne("")
    ax.plot(line["x"], line["estimate"], color="white", linewidth=3.6, solid_capstyle="butt")
    style: Any = {"color": colour, "linestyle": DASHES[position]}
    thick = ~(thin & thin.shift(1, fill_value=True))  # up to the first thin one, so that no gap is left
    ax.plot(line["x"], line["estimate"].where(thick), linewidth=2.2, **style)
    ax.plot(line["x"], line["estimate"].where(thin), linewidth=1.0, **style)
    at = line[line["x"].gt(0) & line["x"].mod(3).eq(0)]
    points = ax.scatter(at["x"], at["estimate"], s=60, color=colour, alpha=0.01, linewidth=0)
    titled(
        points,
        [f"{title_case(name)}, mean at month {row['x']:g}: {_percent(row)}" for _, row in at.iterrows()],
    )


def _percent(row: pd.Series) -> str:
    value = numbers.percent(row["estimate"])
    return value if pd.isna(row["ci_low"]) else f"{value} ({numbers.limits(row['ci_low'], row['ci_high'])})"


def _row(result: Curve, zone: str, term: str) -> pd.Series | None:
    table = result.table()
    found = table[table["zone"].eq(zone) & table["term"].eq(term) & table["estimate"].notna()]
    return found.iloc[0] if len(found) else None


def _maturity(ax: Axes, result: Curve, name: str, position: int, *, narrow: bool) -> None:
    """Mark the month of maturity: a dotted line down to the axis, the value with its interval on it."""
    row = _row(result, name, "yield_at_maturity")
    if row is None:
        return
    colour, month = COLOURS[position], float(row["x"])
    ax.plot([month, month], [LOW, row["estimate"]], color=colour, linewidth=1.0, linestyle=(0, (1, 1.5)))
    if pd.notna(row["ci_low"]):
        ax.plot([month, month], [row["ci_low"], row["ci_high"]], color=INK, linewidth=1.6)
    mark = ax.scatter([month], [row["estimate"]], s=42, color=colour, marker=SHAPES[position],
                      edgecolor="white", linewidth=0.8, zorder=5)  # fmt: skip
    titled(mark, [f"{title_case(name)}, mature at month {month:g}: {_percent(row)}"])
    value = numbers.percent(row["estimate"]) if narrow else _percent(row)
    said = ["mature,", f"month {month:g}:", value]
    if not narrow:
        said = [f"{title_case(name)} is mature", f"at month {month:g}:", value]
    for at, words in enumerate(said):
        ax.annotate(
            words, (month, LOW + 1 if narrow else 8), xytext=(4, (2 - at) * 1.3 * FONT_PT),
            textcoords="offset points", color=colour, fontsize=FONT_PT, fontweight="bold",
        )  # fmt: skip


def _names(ax: Axes, result: Curve, names: list[str]) -> None:
    """Write each side's name where its line runs: the earlier left of it, the later right."""
    halves = {name: _row(result, name, "half_month") for name in names}
    if any(row is None for row in halves.values()):
        return
    first = min(names, key=lambda name: halves[name]["estimate"])  # type: ignore[index]
    for position, name in enumerate(names):
        line = result.path[result.path["zone"].eq(name)]
        half = float(halves[name]["estimate"])  # type: ignore[index]
        month = half if name == first else 1.25 * half
        # A line that ends before has its name behind its end, above the words of the distance.
        end = float(line["x"].where(line["estimate"].notna()).max())
        is_short, month = month > end, min(month, end)
        height = float(line.iloc[(line["x"] - month).abs().argmin()]["estimate"])
        beside = (-7, 0) if name == first else (4, 5 if is_short else -14)
        ax.annotate(
            title_case(name), (month, height), xytext=beside,
            textcoords="offset points", ha="right" if name == first else "left", color=COLOURS[position],
            fontsize=10, fontweight="bold",
        )  # fmt: skip


def _distance(ax: Axes, result: Curve, names: list[str], *, narrow: bool) -> None:
    """Draw the difference of the half months as a distance, with its interval in words."""
    gap = _row(result, f"{names[-1]} : {names[0]}", "half_month_difference")
    ends = [_row(result, name, "half_month") for name in names]
    if gap is None or any(end is None for end in ends) or is_assumed(gap) or pd.isna(gap["ci_low"]):
        return
    at = [float(end["estimate"]) for end in ends]  # type: ignore[index]
    heights = []
    for name, month in zip(names, at, strict=True):
        line = result.path[result.path["zone"].eq(name)]
        heights.append(float(line.iloc[(line["x"] - month).abs().argmin()]["estimate"]))
    y = sum(heights) / len(heights)
    ax.annotate(
        "", (at[1], y), (at[0], y), arrowprops={"arrowstyle": "<->", "color": INK, "shrinkA": 0, "shrinkB": 0}
    )
    head, _, limits = later_in_words(gap).partition(" (")
    heads = ["half grown", head.removeprefix("half grown ")] if narrow else [head]
    for line, text in enumerate([*heads, *([f"({limits}"] if limits else [])]):
        ax.annotate(
            text, (max(at), y), xytext=(8, -11 - line * 1.3 * FONT_PT), textcoords="offset points",
            fontsize=FONT_PT, fontweight="bold" if line < len(heads) else "normal",
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 0.4},
        )  # fmt: skip


NO_WIDTH = 1e-6


def is_assumed(row: pd.Series) -> bool:
    """Return whether an interval has no width: one tempo was assumed for both sides, none was estimated."""
    return bool(row.get("ci_high", float("nan")) - row.get("ci_low", float("nan")) < NO_WIDTH)


def later_in_words(gap: pd.Series) -> str:
    """Return the difference of half months: `half grown 2.1 months later (1.6 to 2.7)`."""
    late = float(gap["estimate"])
    limits = (gap["ci_low"], gap["ci_high"]) if late >= 0 else (-gap["ci_high"], -gap["ci_low"])
    inside = f" ({numbers.limits(*limits, 1)})" if pd.notna(limits[0]) else ""
    return f"half grown {numbers.number(abs(late), 1)} months {'later' if late >= 0 else 'earlier'}{inside}"


def _read_beneath(ax: Axes, result: Curve, names: list[str], *, narrow: bool) -> None:
    """Write how many planted zones of each side were read near each tick."""
    read = result.extra["read"]
    if read.empty:
        return
    down = 27.0
    head = (
        "Planted zones read near each month:"
        if narrow
        else "Planted zones read within 1½ months of each tick:"
    )
    _under(ax, 0.0, down + 1.4 * FONT_PT, head, QUIET, "left")
    for position, name in enumerate(names):
        y = down + (2.8 + 1.35 * position) * FONT_PT
        own = read[read["zone"].eq(name)]
        _under(ax, 0.0, y, name, COLOURS[position], "right", bold=True)
        for x, n in zip(own["x"], own["n"], strict=True):
            _under(ax, float(x), y, "–" if pd.isna(n) else numbers.number(n), COLOURS[position], "center")


def _under(
    ax: Axes, x: float, down: float, text: str, colour: str, align: str, *, bold: bool = False
) -> None:
    ax.annotate(
        text, (x, 0), xycoords=("data", "axes fraction"), xytext=(-4 if bold else 0, -down),
        textcoords="offset points", color=colour, ha=align, va="top", fontsize=FONT_PT,
        fontweight="bold" if bold else "normal", annotation_clip=False,
    )  # fmt: skip
