"""Pictures of a study: power, balance, propensity, tipping point, and every combination of choices."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from analytics import numbers
from analytics.numbers import readable, title_case
from analytics.pages.figures.drawing import (
    BAND_ALPHA,
    INK,
    QUIET,
    RULE,
    SERIES,
    axis_name,
    compared_by,
    marker_style,
    panels,
    series_style,
)
from analytics.pages.figures.intervals import MARGIN_LINE, margins_of
from analytics.results import Curve, Result

ROW_IN, NARROW_ROW_IN = 0.22, 0.26
ALIKE = 0.1
WIDEST = 2.0  # standard deviations; beyond it a point stands at the edge
OPTION_ROW_IN = 0.19
QUIET_LINE: Any = {"color": QUIET, "linewidth": 0.8}


def power(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw the chance to find a true difference, by its size, and the size found at the power wanted."""
    path = result.path if isinstance(result, Curve) else result.table()
    (panel,) = panels(ax, 1, narrow=narrow, height_in=2.7)
    panel.plot(path["x"], path["estimate"], **series_style(0))
    found = result.table()
    own = found[found["term"].str.startswith("detectable with")]
    if len(own) and pd.notna(own["estimate"].iloc[0]):
        at = float(own["estimate"].iloc[0])
        wanted = float(np.interp(at, path["x"], path["estimate"]))
        panel.plot([at, at], [0, wanted], linestyle=(0, (2, 2)), **QUIET_LINE)
        panel.annotate(
            f"{title_case(str(own['term'].iloc[0]))}: {numbers.number(at, 2 if at < 3 else 1)}",
            (at, wanted), xytext=(6, -12), textcoords="offset points", va="top", fontsize=7.8,
        )  # fmt: skip
    panel.set_ylim(0, 102)
    panel.set_xlabel(title_case(result.x_name if isinstance(result, Curve) else ""))
    panel.set_ylabel("Power (percent)")
    panel.grid(axis="y")
    return panel


def balance(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw each variable's standardised difference as recorded (dot) and weighted (square)."""
    table = result.table()
    plain = table[table["how"].eq("as recorded")].assign(size=lambda t: t["estimate"].abs())
    terms = list(plain.sort_values("size", ascending=False)["term"])
    row_in = NARROW_ROW_IN if narrow else ROW_IN
    (panel,) = panels(ax, 1, narrow=narrow, height_in=len(terms) * row_in + 0.9)
    panel.axvspan(-ALIKE, ALIKE, color=RULE, alpha=0.45, linewidth=0)
    panel.axvline(0, **QUIET_LINE)
    for position, (how, rows) in enumerate(table.groupby("how", sort=False)):
        of = rows.set_index("term")["estimate"].reindex(terms)
        x = of.clip(-WIDEST, WIDEST)
        style = marker_style(position)
        face = style["color"] if position == 0 else "white"
        panel.plot(
            x,
            np.arange(len(terms)),
            linestyle="none",
            markersize=5.5,
            label=str(how),
            markerfacecolor=face,
            **style,
        )
    declared = set(plain.loc[~plain["flag"].fillna("").str.startswith("not in"), "term"])
    labels = [readable(t) + (" *" if t in declared else "") for t in terms]
    panel.set_yticks(np.arange(len(terms)), labels)
    panel.set_ylim(len(terms) - 0.5, -0.7)
    panel.set_xlabel("Standardised difference (* adjusted for)", loc="right" if narrow else "center")
    panel.legend(loc="lower right", frameon=True, fontsize=7.6, edgecolor="none")
    panel.grid(axis="x")
    return panel


def overlap(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw the propensity of both groups, one above the line and one below."""
    table = result.table()
    (panel,) = panels(ax, 1, narrow=narrow, height_in=2.6)
    width = 0.9 * float(np.diff(np.sort(table["x"].unique())).min()) if table["x"].nunique() > 1 else 0.09
    for position, (name, rows) in enumerate(table.groupby("group", sort=False)):
        sign = 1 if position == 0 else -1
        panel.bar(
            rows["x"], sign * rows["estimate"], width=width, facecolor=SERIES[position], alpha=0.75,
            hatch="" if position == 0 else "///", edgecolor="white", linewidth=0.4,
        )  # fmt: skip
        panel.annotate(
            title_case(str(name)), (0.99, 0.96 if sign > 0 else 0.04), xycoords="axes fraction",
            ha="right",
            va="top" if sign > 0 else "bottom", color=SERIES[position],
        )  # fmt: skip
    panel.axhline(0, color=INK, linewidth=0.8)
    largest = float(table["estimate"].max()) * 1.15 or 1.0
    panel.set_ylim(-largest, largest)
    panel.set_xlim(0, 1)
    panel.yaxis.set_major_formatter(lambda value, _: f"{abs(value):g}")
    panel.set_xlabel("Propensity of the compared group")
    panel.set_ylabel("Percent of the group")
    return panel


def unsaid(result: Result) -> str:
    """Return why no bar of a picture can be drawn: what the first row says; empty where one can."""
    table = result.table()
    return "" if table["estimate"].notna().any() else numbers.sentence(str(table["flag"].iloc[0]))


def tipping(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw the answer by points added to the missing, and where the conclusion changes."""
    path = result.path if isinstance(result, Curve) else result.table()
    (panel,) = panels(ax, 1, narrow=narrow, height_in=2.7)
    style = series_style(0)
    panel.fill_between(
        path["x"],
        path["ci_low"],
        path["ci_high"],
        color=style["color"],
        alpha=BAND_ALPHA,
        linewidth=0,
    )
    panel.plot(path["x"], path["estimate"], **style)
    panel.axhline(0, **QUIET_LINE)
    for value in margins_of(result, str(path["unit"].iloc[0])):
        panel.axhline(value, **MARGIN_LINE)
    table = result.table()
    tips = table[table["term"].str.startswith("tipping") & table["estimate"].notna()]
    for _, row in tips.iterrows():
        panel.axvline(row["estimate"], linestyle=(0, (2, 2)), **QUIET_LINE)
        right = row["estimate"] > 0
        # Beyond the line the band leaves no difference; there its other side of the line is free.
        side = "higher" if str(row["flag"]).endswith("higher") else "lower"
        panel.annotate(
            f"{side} from\n{numbers.number(row['estimate'])} points on",
            (row["estimate"], 0.04 if right else 0.96), xycoords=("data", "axes fraction"),
            xytext=(4 if right else -4, 0), textcoords="offset points", ha="left" if right else "right",
            va="bottom" if right else "top", fontsize=7.6, color=QUIET,
        )  # fmt: skip
    panel.set_xlabel(
        "Points added to missing outcomes\nof the compared group"
        if narrow
        else "Points added to missing outcomes of the compared group"
    )
    panel.set_ylabel(_answer_name(path))
    return panel


def _answer_name(rows: pd.DataFrame) -> str:
    unit = str(rows["unit"].iloc[0])
    return axis_name(compared_by(unit), unit)


def specification(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw the answers in order of size with intervals; beneath, which choices each rests on."""
    table = result.table()
    table = table[table["estimate"].notna()].sort_values("estimate", kind="stable").reset_index(drop=True)
    options = [(c, o) for c in result.by for o in table[c].drop_duplicates().sort_values()]
    heights = [2.2, OPTION_ROW_IN * (len(options) + len(result.by)) + 0.5]
    top, below = panels(ax, 2, narrow=narrow, columns=1, share="x", heights_in=heights)
    at = np.arange(len(table))
    declared = table["flag"].fillna("").eq("declared").to_numpy()
    top.vlines(at, table["ci_low"], table["ci_high"], color=SERIES[0], alpha=0.35, linewidth=1.1)
    top.plot(at, table["estimate"], ".", color=SERIES[0], markersize=3.2)
    if declared.any():
        k = int(np.flatnonzero(declared)[0])
        row = table.iloc[k]
        top.vlines([k], [row["ci_low"]], [row["ci_high"]], color=SERIES[1], linewidth=2.0)
        top.plot([k], [row["estimate"]], "s", color=SERIES[1], markersize=6)
        top.annotate(
            "declared", (k, row["ci_high"]), xytext=(0, 3), textcoords="offset points", ha="center",
            color=SERIES[1], fontsize=7.8,
        )  # fmt: skip
    top.axhline(0, **QUIET_LINE)
    for value in margins_of(result, str(table["unit"].iloc[0])):
        top.axhline(value, **MARGIN_LINE)
    top.set_ylabel(_answer_name(table))
    top.tick_params(labelbottom=False)
    _options(below, table, result.by, declared)
    return top


def _options(panel: Axes, table: pd.DataFrame, by: tuple[str, ...], declared: np.ndarray) -> None:
    """Draw a dot for each combination in the row of each of its choices, one block a choice."""
    places: list[float] = []
    labels: list[str] = []
    y = 0.0
    for position, choice in enumerate(by):
        for option in sorted(table[choice].unique()):
            chosen = np.flatnonzero(table[choice].eq(option).to_numpy())
            panel.plot(chosen, np.full(len(chosen), y), "|", color=SERIES[position], markersize=5.5)
            marked = chosen[declared[chosen]]
            panel.plot(marked, np.full(len(marked), y), "s", color=SERIES[1], markersize=5)
            places.append(y)
            labels.append(
                f"{choice}: {option}" if option == sorted(table[choice].unique())[0] else str(option)
            )
            y += 1.0
        y += 0.6
    panel.set_yticks(places, labels, fontsize=7.2)
    panel.set_ylim(y, -0.8)
    panel.set_xlabel("Combination of choices, in order of the answer")
    panel.tick_params(axis="y", length=0)


PICTURES: dict[str, Callable[..., Axes]] = {
    "power": power,
    "balance": balance,
    "overlap": overlap,
    "tipping": tipping,
    "specification": specification,
}
