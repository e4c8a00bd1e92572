"""Pictures of the quarterly review: criteria board, operators, follow-up, actions, a sentence.

An outcome is a word, a marker and a fill before it is a colour: *met* a filled dot, *not met* a filled
square, *cannot tell* an open diamond.
"""

import textwrap
from collections.abc import Callable

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analytics import followup, numbers
from analytics.pages import review_tables
from analytics.pages.figures.charts import before_after, cases, run_charts
from analytics.pages.figures.drawing import (
    ALARM,
    GOOD,
    INK,
    NARROW_WIDTH_IN,
    QUIET,
    RULE,
    SERIES,
    WIDTH_IN,
    axis_name,
    panels,
)
from analytics.results import Result

OUTCOME_STYLE: dict[str, dict] = {
    "met": {"marker": "o", "color": GOOD, "markerfacecolor": GOOD},
    "not met": {"marker": "s", "color": ALARM, "markerfacecolor": ALARM},
    "cannot tell": {"marker": "D", "color": QUIET, "markerfacecolor": "white"},
    "no data": {"marker": "", "color": QUIET, "markerfacecolor": "white"},
    review_tables.WITHHELD: {"marker": "", "color": QUIET, "markerfacecolor": "white"},
}
ORDER = ("not met", "cannot tell", "met", "no data", review_tables.WITHHELD)
ROW_IN, NARROW_ROW_IN = 0.44, 0.78
STATUS_STYLE: dict[str, dict] = {
    followup.COUNTED: {"color": SERIES[0], "hatch": ""},
    followup.UNUSABLE: {"color": "#5590c0", "hatch": "///"},
    followup.SEEN: {"color": "#8fb8d9", "hatch": ""},
    followup.OUTSIDE: {"color": "#8fb8d9", "hatch": "///"},
    followup.MISSED: {"color": "#e8ebee", "hatch": "xxx"},
    followup.WITHDRAWN: {"color": "white", "hatch": "..."},
    followup.IN_WINDOW: {"color": "#eeeeee", "hatch": ""},
    followup.NOT_YET: {"color": "white", "hatch": ""},
}


def sentence(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Write why there is no picture yet."""
    (axes,) = panels(ax, 1, narrow=narrow, height_in=0.9)
    axes.set_axis_off()
    row = result.table().iloc[0]
    text = f"Not yet: {row.get('flag', '')}."
    axes.text(0.0, 0.5, "\n".join(textwrap.wrap(text, 44 if narrow else 95)), va="center", color=QUIET)
    return axes


def indicators(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw each criterion on its own scale, its standard at the line and better to the right."""
    audit = review_tables.audit(result)
    order = {name: i for i, name in enumerate(ORDER)}
    audit = audit.sort_values("outcome", key=lambda o: o.map(order), kind="stable")
    row_in = NARROW_ROW_IN if narrow else ROW_IN
    axes = _rows_figure(ax, len(audit), row_in, narrow=narrow, left=0.03 if narrow else 0.38, right=0.62)
    axes.axvline(0, color=INK, linewidth=1.0)
    for y, (_, row) in enumerate(audit.iterrows()):
        _board_row(axes, y, row, narrow=narrow)
    axes.set_xlim(-1.08, 1.08)
    axes.set_xticks([-1, 0, 1], ["worse", "standard", "better"])
    _finish_rows(axes, len(audit))
    return axes


def _board_row(ax: Axes, y: int, row: pd.Series, *, narrow: bool) -> None:
    sign = -1.0 if row["direction"] == "at most" else 1.0
    values = np.array(
        [row[c] for c in ("estimate", "ci_low", "ci_high", "year_estimate", "year_low", "year_high")], float
    )
    away = sign * (values - float(row["standard"]))
    scale = np.nanmax(np.abs(away)) if np.isfinite(away).any() else 1.0
    away = away / (scale or 1.0)
    top = y + (0.18 if narrow else -0.06)
    if np.isfinite(away[4:6]).all():
        ax.plot(away[4:6], [top + 0.2] * 2, color=RULE, linewidth=4, solid_capstyle="butt")
        ax.plot(away[3], top + 0.2, marker="|", color=QUIET, markersize=7)
    if np.isfinite(away[1:3]).all():
        style = OUTCOME_STYLE[str(row["outcome"])]
        ax.plot(away[1:3], [top] * 2, color=style["color"], linewidth=1.8)
        ax.plot(away[0], top, markersize=6, linestyle="none", markeredgewidth=1.4, **style)
    value = _board_words(row)
    if narrow:
        _beside(ax, 0.0, y - 0.34, _statement(row, 62), size=7.4)
        _beside(ax, 0.0, y - 0.02, f"{str(row['outcome']).upper()}: {value}", size=7.4, weight="bold")
        return
    year = "" if row["year_outcome"] == "no data" else f"; four quarters: {row['year_outcome']}"
    _beside(ax, -0.02, y, _statement(row, 46), align="right", size=7.8)
    _beside(ax, 1.02, y - 0.16, str(row["outcome"]).upper(), size=7.8, weight="bold")
    _beside(ax, 1.56, y - 0.16, year.removeprefix("; "), size=7.2)
    _beside(ax, 1.02, y + 0.16, value, size=7.4)


def _statement(row: pd.Series, width: int) -> str:
    return "\n".join(textwrap.wrap(numbers.as_said(str(row["statement"])), width)[:2])


def _board_words(row: pd.Series) -> str:
    if pd.isna(row["estimate"]):
        return (
            "small numbers" if row["outcome"] == review_tables.WITHHELD else "nothing to count this quarter"
        )
    unit, places = str(row["unit"]), int(row["places"])
    value = numbers.with_unit(numbers.number(row["estimate"], places), unit)
    limits = numbers.limits(row["ci_low"], row["ci_high"], places)
    if unit == "%" and pd.notna(row["numerator"]):
        counts = f"{numbers.number(row['numerator'])} of {numbers.number(row['denominator'])}: "
    else:
        counts = ""
    return f"{counts}{value} ({limits})"


def operators(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw what each operator had, what the others would have had, and how sure the difference is."""
    table = result.table()
    by = result.by[0]
    names = list(table[by].drop_duplicates())
    row_in = 0.95 if narrow else 0.58
    axes = _rows_figure(ax, len(names), row_in, narrow=narrow, left=0.06 if narrow else 0.10, right=0.56)
    for y, name in enumerate(names):
        rows = table[table[by].eq(name)].set_index("term")
        _operator_row(axes, y, str(name), rows, narrow=narrow)
    axes.set_xlabel(axis_name("Observed", "%"))
    _finish_rows(axes, len(names))
    return axes


def _operator_row(ax: Axes, y: int, name: str, rows: pd.DataFrame, *, narrow: bool) -> None:
    observed, expected, drawn = (rows.loc[t] for t in ("observed", "expected of the others", "shrunken"))
    versus = rows[rows.index.str.endswith("to the others")].iloc[0]
    at = y + (0.2 if narrow else 0.0)
    differs = "than the others" in str(versus["flag"])
    colour, marker = (SERIES[1], "s") if differs else (SERIES[0], "o")
    if pd.notna(observed["ci_low"]):
        ax.plot([observed["ci_low"], observed["ci_high"]], [at, at], color=colour, linewidth=2.2, alpha=0.6)
    ax.plot(observed["estimate"], at, marker=marker, color=colour, markersize=6.5)
    if pd.notna(expected["estimate"]):
        ax.plot(expected["estimate"], at, marker="|", color=INK, markersize=15, markeredgewidth=1.6)
    if pd.notna(drawn["estimate"]):
        ax.plot(drawn["estimate"], at + 0.2, marker="x", color=QUIET, markersize=4.5)
    lines = _operator_words(name, observed, versus, rows.loc["chance to be flagged"])
    if narrow:
        for i, line in enumerate(lines):
            _beside(ax, 0.0, y - 0.36 + 0.17 * i, line, size=7.4, weight="bold" if i == 0 else "normal")
        return
    _beside(ax, -0.02, y, name, align="right", size=9, weight="bold")
    for i, line in enumerate(lines):
        _beside(ax, 1.02, y + 0.24 * (i - 1), line, size=7.6, weight="bold" if i == 0 else "normal")


def _operator_words(name: str, observed: pd.Series, versus: pd.Series, power: pd.Series) -> list[str]:
    verdict = str(versus["flag"]).partition(";")[0] or "cannot be compared"
    if verdict.startswith(("fewer", "cannot")):
        verdict = "too few to compare"
    gap = ""
    if pd.notna(versus["estimate"]):
        places = 2 if versus["unit"] == "ratio" else 1
        label = "odds ratio" if versus["unit"] == "ratio" else "difference, points"
        gap = f"{label} {numbers.number(versus['estimate'], places)}"
        if pd.notna(versus["ci_low"]):
            gap += f" ({numbers.limits(versus['ci_low'], versus['ci_high'], places)})"
    chance = power["estimate"]
    shift = "doubled odds" if versus["unit"] == "ratio" else "5 points less"
    seen = "" if pd.isna(chance) else f"{shift} would be flagged {_of_hundred(chance)}"
    n = int(observed["n_rows"]) if pd.notna(observed["n_rows"]) else 0
    return [f"{name}: {verdict}", f"{n} session{'' if n == 1 else 's'}{'; ' if gap else ''}{gap}", seen]


def _of_hundred(percent: float) -> str:
    if percent >= 99.5:
        return "nearly always"
    return f"{max(1, round(percent)):d} times in 100"


def follow_up(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw what became of each planned visit: counted, seen, missed, withdrawn, due, not yet due."""
    flow = result.extra["flow"]
    flow = flow[flow["zone"].eq("all")].reset_index(drop=True)
    row_in, left, top_in = (0.5, 0.22, 0.75) if narrow else (0.42, 0.10, 0.35)
    axes = _rows_figure(ax, len(flow), row_in, narrow=narrow, left=left, right=0.72, top_in=top_in)
    table = result.table()
    seen = table[table["zone"].eq("all")].set_index("visit").reindex([f"month {v:g}" for v in flow["visit"]])
    counts = flow[[followup.n_of(status) for status in STATUS_STYLE]]
    if counts.isna().to_numpy().any():
        # Some counts may not be shown: the share seen stands for them all.
        _shares_seen(axes, seen)
    else:
        _bars_of_status(axes, flow, columns=2 if narrow else 4)
    for y, (_, row) in enumerate(seen.iterrows()):
        _beside(axes, 1.02, y, _seen_words(row), size=7.6)
    axes.set_yticks(np.arange(len(flow)), list(seen.index))
    _finish_rows(axes, len(flow), keep_labels=True)
    return axes


def _bars_of_status(ax: Axes, flow: pd.DataFrame, *, columns: int) -> None:
    start = np.zeros(len(flow))
    for status, style in STATUS_STYLE.items():
        n = flow[followup.n_of(status)].to_numpy(dtype=float)
        ax.barh(
            np.arange(len(flow)),
            n,
            left=start,
            height=0.62,
            label=status,
            edgecolor=INK,  # with `color=` the hatch would be drawn in the fill's own colour
            linewidth=0.6,
            facecolor=style["color"],
            hatch=style["hatch"],
        )
        start += n
    ax.set_xlabel("Sessions")
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=columns, frameon=False, fontsize=7.4)


def _shares_seen(ax: Axes, seen: pd.DataFrame) -> None:
    y = np.arange(len(seen))
    ax.hlines(y, seen["ci_low"], seen["ci_high"], color=SERIES[0], alpha=0.6, linewidth=2.2)
    ax.plot(seen["estimate"], y, "o", color=SERIES[0])
    ax.set_xlim(0, 100)
    ax.set_xlabel("Seen in window (percent of those due)")


def _seen_words(row: pd.Series) -> str:
    if pd.isna(row["estimate"]):
        return "none due yet"
    limits = numbers.limits(row["ci_low"], row["ci_high"])
    return f"{numbers.percent(row['estimate'])} of {numbers.number(row['n_rows'])} due\n({limits})"


def actions(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw each action's criterion when it was set and now, its standard at the line, better to the right."""
    log, table = result.extra["log"], result.table()
    row_in = 1.0 if narrow else 0.66
    axes = _rows_figure(ax, len(log), row_in, narrow=narrow, left=0.04 if narrow else 0.40, right=0.70)
    axes.axvline(0, color=INK, linewidth=1.0)
    for y, (_, action) in enumerate(log.iterrows()):
        rows = table[table["action"].eq(action["action"])].set_index("term")
        _action_row(axes, y, action, rows, narrow=narrow)
    axes.set_xlim(-1.08, 1.08)
    axes.set_xticks([-1, 0, 1], ["worse", "standard", "better"])
    _finish_rows(axes, len(log))
    return axes


def _action_row(ax: Axes, y: int, action: pd.Series, rows: pd.DataFrame, *, narrow: bool) -> None:
    base = y + (0.22 if narrow else 0.0)
    two = rows.loc[["when set", "now"]]
    sign = -1.0 if action["direction"] == "at most" else 1.0
    away = sign * (two[["estimate", "ci_low", "ci_high"]].to_numpy(dtype=float) - float(action["standard"]))
    away = away / (np.nanmax(np.abs(away)) if np.isfinite(away).any() else 1.0)
    for values, shift, filled in zip(away, (-0.12, 0.12), (False, True), strict=True):
        if np.isfinite(values).all():
            colour = SERIES[0]
            ax.plot(values[1:], [base + shift] * 2, color=colour, linewidth=1.6, alpha=0.6)
            face = colour if filled else "white"
            ax.plot(values[0], base + shift, marker="o", color=colour, markerfacecolor=face, markersize=5.5)
    lines = textwrap.wrap(str(action["what"]), 56 if narrow else 42)[:2]
    who = f"{action['role']}, due quarter {action['due_quarter']:.0f}"
    if narrow:
        _beside(ax, 0.0, y - 0.36, lines[0], size=7.4, weight="bold")
        _beside(ax, 0.0, y - 0.19, f"{who}; {action['state']}; re-audit: {action['re_audit']}", size=7.2)
        return
    _beside(ax, -0.02, y - 0.1, "\n".join(lines), align="right", size=7.8, weight="bold")
    _beside(ax, -0.02, y + 0.26, who, align="right", size=7.2)
    _beside(ax, 1.02, y - 0.14, str(action["state"]).upper(), size=7.8, weight="bold")
    _beside(ax, 1.02, y + 0.06, str(action["name"]), size=7.4)
    _beside(ax, 1.02, y + 0.26, f"re-audit: {action['re_audit']}", size=7.4)


def _rows_figure(
    ax: Axes | None, n: int, row_in: float, *, narrow: bool, left: float, right: float, top_in: float = 0.25
) -> Axes:
    """Return axes for n rows with room for words on both sides; the whole width when narrow."""
    if ax is not None:
        return ax
    width = NARROW_WIDTH_IN if narrow else WIDTH_IN
    height = n * row_in + 0.5 + top_in
    figure = Figure(figsize=(width, height))
    right = 0.97 if narrow and left < 0.1 else right
    return figure.add_axes((left, 0.5 / height, right - left, 1 - (0.5 + top_in) / height))


def _finish_rows(ax: Axes, n: int, *, keep_labels: bool = False) -> None:
    ax.set_ylim(n - 0.45, -0.55)
    if not keep_labels:
        ax.set_yticks([])
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.grid(axis="x")
    for y in range(1, n):
        ax.axhline(y - 0.5, color=RULE, linewidth=0.5)


def _beside(
    ax: Axes, x: float, y: float, text: str, *, align: str = "left", size: float = 7.8, weight: str = "normal"
) -> None:
    """Write text beside the axes, x in axes and y in data, a mark for each line.

    Lines are set one by one: a reader's font is narrower than the one they are measured with, and a block
    would come out ragged.
    """
    lines = text.split("\n")
    # Text that lies inside the axes hides the line of the standard behind it.
    behind = {"facecolor": "white", "edgecolor": "none", "pad": 0.6} if 0 <= x <= 1 else None
    leading = 1.25 * size
    for i, line in enumerate(lines):
        ax.annotate(
            line,
            (x, y),
            bbox=behind,
            xycoords=("axes fraction", "data"),
            xytext=(0, ((len(lines) - 1) / 2 - i) * leading),
            textcoords="offset points",
            ha=align,  # type: ignore[arg-type]
            va="center",
            fontsize=size,
            fontweight=weight,
            annotation_clip=False,
        )


PICTURES: dict[str, Callable[..., Axes]] = {
    "sentence": sentence,
    "indicators": indicators,
    "operators": operators,
    "follow_up": follow_up,
    "actions": actions,
    "run_charts": run_charts,
    "cases": cases,
    "before_after": before_after,
}
