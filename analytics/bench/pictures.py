"""Pictures of a formula's numbers: a dot and its interval each, or a curve with its band over a number."""

import numpy as np
import pandas as pd

from analytics.bench.units import described
from analytics.results import LEVEL

DOT, BAR, LINE = "#0b4f8a", "#4a5259", "#1b1f23"
NO_YES = {0.0: "no", 1.0: "yes"}
INTERVAL = f"{100 * LEVEL:g} % interval"
# Marks of a scale of ratios.
RATIOS = (0.1, 0.2, 0.33, 0.5, 0.67, 0.8, 1.0, 1.25, 1.5, 2.0, 3.0, 5.0, 10.0)


def dots(shown: pd.DataFrame, ax, *, what: str, of: str, at: float | None = None):
    """Draw one dot and interval a row, named by the first column; `at` marks no difference; return the axes.

    A ratio (`at` is 1) is drawn on a logarithmic scale.
    """
    axes = _axes(ax)
    y = np.arange(len(shown))[::-1]
    axes.hlines(y, shown["conf_low"], shown["conf_high"], color=BAR)
    axes.plot(shown["estimate"], y, "s", color=DOT)
    words = shown.iloc[:, 0].map(NO_YES if described(shown.columns[0])[0] == "yesno" else str)
    if "n_patients" in shown:
        words = words + shown["n_patients"].map(" (n = {:,})".format)
    axes.set_yticks(y, words.where(shown["estimate"].notna(), words + " (cannot be told)"))
    axes.set_ylim(-0.6, len(shown) - 0.4)
    if at is not None:
        axes.axvline(at, color=LINE, linewidth=0.8)
    if at == 1:
        axes.set_xscale("log")
        low, high = axes.get_xlim()
        marks = [r for r in RATIOS if low <= r <= high]
        axes.set_xticks(marks, [f"{r:g}" for r in marks])
        axes.set_xticks([], minor=True)
    axes.set_xlabel(f"{what}\n{INTERVAL}; {of}")
    return axes


def band(shown: pd.DataFrame, ax, *, what: str, of: str):
    """Draw the estimate over the numbers of the first column with the band of its limits; return axes."""
    axes = _axes(ax)
    variable = shown.columns[0]
    x = shown[variable].to_numpy(dtype=float)
    axes.fill_between(x, shown["conf_low"], shown["conf_high"], color=DOT, alpha=0.15, linewidth=0)
    axes.plot(x, shown["estimate"], color=DOT)
    axes.set_xlabel(f"{named(variable)}\n{INTERVAL}; {of}")
    axes.set_ylabel(what)
    return axes


def named(variable: str) -> str:
    """Return a column with its unit, where the dictionary has one."""
    unit = described(variable)[1]
    return f"{variable} ({unit})" if unit else variable


def _axes(ax):
    from matplotlib import pyplot as plt

    return plt.subplots(layout="constrained")[1] if ax is None else ax
