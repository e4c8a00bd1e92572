"""Pictures of the quarterly review over time: control charts, case-by-case sums, a declared change."""

import textwrap

import matplotlib.ticker as mpl_ticker
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analytics import numbers
from analytics.numbers import readable, title_case
from analytics.pages.figures import drawing
from analytics.pages.figures.placing import Placed
from analytics.pages.review_tables import MUTE, charts
from analytics.results import Curve, Result

GAPS = "g"  # kind of chart, as `numerics.control` names it
X_NAME = {"register_month": "Register month", "quarter": "Quarter", "case": "Case number"}


def run_charts(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw a control chart per criterion: points, centre, limits, signals, declared changes."""
    assert isinstance(result, Curve)
    signals = charts(result)
    drawn = list(result.table()["criterion"].drop_duplicates())
    axes = _grid(ax, len(drawn), narrow=narrow, columns=2, height_in=2.35)
    changes = result.extra["changes"]
    for panel, name in zip(axes, drawn, strict=True):
        rows = signals[signals["criterion"].eq(name)]
        signal = rows.iloc[0] if len(rows) else None
        _control_panel(panel, result, name, signal, narrow=narrow)
        if result.x_name == "register_month" and not _is_of_gaps(signal):
            _changes(panel, changes[changes["criterion"].eq(name)] if len(changes) else changes)
    return axes[0]


def _is_of_gaps(signal: pd.Series | None) -> bool:
    """Tell whether a chart shows the gaps between events, one point per event."""
    return signal is not None and signal["chart"] == GAPS


def _control_panel(ax: Axes, result: Curve, name: str, signal: pd.Series | None, *, narrow: bool) -> None:
    rows = result.table()[lambda t: t["criterion"].eq(name)].sort_values("x")
    path = result.path[result.path["criterion"].eq(name)]
    for term, style in (("centre", "solid"), ("lower limit", (0, (4, 2))), ("upper limit", (0, (4, 2)))):
        line = path[path["term"].eq(term)].sort_values("x")
        shape = "default" if term == "centre" else "steps-mid"
        ax.plot(
            line["x"], line["estimate"], color=drawing.QUIET, linewidth=0.9, linestyle=style, drawstyle=shape
        )
    ax.plot(rows["x"], rows["estimate"], color=drawing.SERIES[0], linewidth=1.0)
    ax.plot(rows["x"], rows["estimate"], "o", color=drawing.SERIES[0], markersize=3.4)
    out = rows[rows["flag"].fillna("").ne("")]
    ax.plot(out["x"], out["estimate"], "o", markersize=9, markerfacecolor="none", color=drawing.SERIES[1])
    unit = str(rows["unit"].iloc[0])
    is_gap = _is_of_gaps(signal)
    x_name = "Number of the event" if is_gap else X_NAME.get(result.x_name, result.x_name)
    ax.set_xlabel(x_name)
    ax.set_ylabel("Sessions between" if is_gap else numbers.unit_name(unit).capitalize())
    ax.set_title(_chart_title(name, signal), fontsize=8.4)
    ax.margins(y=0.12)
    ax.grid(axis="y")


def _chart_title(name: str, signal: pd.Series | None) -> str:
    if signal is None or pd.isna(signal["signal"]):
        return title_case(readable(name))
    title = str(signal["name"])
    trial = " (trial)" if bool(signal["is_trial"]) else ""
    lines = textwrap.wrap(f"{title}{trial}: {signal['signal']}", 48)
    rate = signal["false_alarm_pct"]
    if pd.notna(rate):
        lines.append(f"by luck {max(1, round(float(rate))):d} in 100 such charts signal")
    if signal["is_mute"]:
        lines.append(MUTE)
    return "\n".join(lines)


def _changes(ax: Axes, changes: pd.DataFrame) -> None:
    low, high = ax.get_xlim()
    for _, change in changes.iterrows():
        at = change["x"] - 0.5
        late = at > low + 0.6 * (high - low)
        ax.axvline(at, color=drawing.INK, linewidth=0.8, linestyle=(0, (2, 2)))
        ax.annotate(
            "declared change",
            (at, 0.99),
            xycoords=("data", "axes fraction"),
            xytext=(-3 if late else 3, 0),
            textcoords="offset points",
            ha="right" if late else "left",
            va="top",
            fontsize=6.8,
            color=drawing.QUIET,
        )


def cases(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw observed less expected above the risk-adjusted CUSUM; with several operators the CUSUM of each."""
    assert isinstance(result, Curve)
    group = result.by[0]
    names = list(result.path[group].drop_duplicates())
    if len(names) > 1:
        axes = _grid(ax, len(names), narrow=narrow, columns=2, height_in=1.9)
        for panel, name in zip(axes, names, strict=True):
            _cusum_panel(panel, result, group, name, titled=True)
        return axes[0]
    axes = _grid(ax, 2, narrow=narrow, columns=1, height_in=1.9)
    line = _one(result.path, group, names[0], "observed less expected")
    axes[0].plot(line["x"], line["estimate"], color=drawing.SERIES[0])
    axes[0].axhline(0, color=drawing.QUIET, linewidth=0.8)
    axes[0].set_title("Observed less expected, added up")
    axes[0].set_ylabel(title_case(str(line["unit"].iloc[0])))
    axes[0].grid(axis="y")
    _cusum_panel(axes[1], result, group, names[0], titled=False)
    axes[1].set_title(
        "A signal where it meets the line"
        if narrow
        else "The chart with a rule (CUSUM): a signal where it meets the line"
    )
    return axes[0]


def _cusum_panel(ax: Axes, result: Curve, group: str, name: object, *, titled: bool) -> None:
    line = _one(result.path, group, name, "cusum")
    limit = _one(result.path, group, name, "limit")
    ax.plot(line["x"], line["estimate"], color=drawing.SERIES[0], linewidth=1.2)
    ax.plot(limit["x"], limit["estimate"], color=drawing.INK, linewidth=0.9, linestyle=(0, (4, 2)))
    signals = result.extra["signals"]
    here = signals[signals[group].eq(name)] if len(signals) else signals
    at = line.set_index("x")["estimate"].reindex(here["at_case"]) if len(here) else pd.Series(dtype=float)
    ax.plot(at.index, at.to_numpy(), "v", color=drawing.SERIES[1], markersize=7)
    ax.set_xlabel("Case number")
    ax.xaxis.set_major_locator(mpl_ticker.MaxNLocator(integer=True))
    ax.set_ylabel("CUSUM")
    ax.set_ylim(0, max(float(limit["estimate"].iloc[0]), float(line["estimate"].max())) * 1.15)
    ax.grid(axis="y")
    if titled:
        first = f", first in month {int(here['register_month'].min())}" if len(here) else ""
        count = f"{len(here)} signals{first}" if len(here) != 1 else f"1 signal{first}"
        ax.set_title(f"{name}: {count if len(here) else 'no signal'} ({len(line)} cases)")


def _one(path: pd.DataFrame, group: str, name: object, term: str) -> pd.DataFrame:
    return path[path[group].eq(name) & path["term"].eq(term)].sort_values("x")


def before_after(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw monthly means, the fitted lines before and after, and the old trend carried on."""
    assert isinstance(result, Curve)
    (axes,) = drawing.panels(ax, 1, narrow=narrow, height_in=3.1)
    points = result.extra["points"]
    size = 8 + 60 * points["n_patients"] / max(float(points["n_patients"].max()), 1.0)
    axes.scatter(points["x"], points["y"], s=size, color=drawing.QUIET, alpha=0.45, linewidths=0)
    styles = {"before": (0, "solid"), "after": (1, "solid"), "had nothing changed": (5, (0, (4, 2)))}
    ends = []
    for term, (position, dash) in styles.items():
        line = result.path[result.path["term"].eq(term)].sort_values("x")
        colour = drawing.SERIES[position]
        axes.plot(line["x"], line["estimate"], color=colour, linestyle=dash)
        if term != "had nothing changed":
            axes.fill_between(
                line["x"],
                line["ci_low"],
                line["ci_high"],
                color=colour,
                alpha=drawing.BAND_ALPHA,
                linewidth=0,
            )
        if len(line) and term != "before":
            ends.append((float(line["x"].iloc[-1]), float(line["estimate"].iloc[-1]), term, colour))
    _changes(axes, result.extra["changes"])
    low, high = np.nanquantile(points["y"], [0.0, 1.0])
    axes.set_ylim(low - 0.15 * (high - low), high + 0.15 * (high - low))
    if ends:
        drawing.label_line_ends(axes, ends)
    unit = str(result.path["unit"].iloc[0])
    axes.set_ylabel(title_case(numbers.unit_name(unit)))
    axes.set_xlabel("Register month of the operation")
    axes.grid(axis="y")
    return axes


def _grid(ax: Axes | None, n: int, *, narrow: bool, columns: int, height_in: float) -> list[Axes]:
    """Return n panels, each on its own scale."""
    if ax is not None and n == 1:
        return [ax]
    columns = 1 if narrow else min(columns, n)
    rows = int(np.ceil(n / columns))
    width = drawing.NARROW_WIDTH_IN if narrow else drawing.WIDTH_IN
    figure = Figure(figsize=(width, rows * height_in), layout=Placed())
    panels = figure.subplots(rows, columns, squeeze=False).ravel()
    for spare in panels[n:]:
        spare.set_axis_off()
    return list(panels[:n])
