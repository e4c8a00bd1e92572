"""The flow of a study drawn: who was there at each stage, and who was left out on the way to the next."""

import textwrap
from collections.abc import Mapping

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from analytics import numbers
from analytics.numbers import readable, title_case
from analytics.pages.figures.drawing import FONT_PT, INK, QUIET, SERIES, panels

LINE_IN = 0.185  # height of a line of text
PAD, GAP = 0.4, 0.8  # room in a box above and below, and between boxes, in lines
LETTERS, NARROW_LETTERS = 56, 46  # of a line in a box of those left out
STAGE_WIDTH, OUT_AT, OUT_AT_NARROW, ARROW_AT_NARROW = 0.4, 0.46, 0.1, 0.05  # of the width of the picture
INDENT = "  "
WITHHELD = "withheld"


def flow(
    stages: pd.DataFrame, left_out: pd.DataFrame, labels: Mapping[str, str], *, narrow: bool = False
) -> Axes:
    """Draw the stages as boxes one under another, and beside each step the reasons of those left out.

    Parameters
    ----------
    stages
        Columns stage and counts n_..., a row a stage (`study.flow`), as the reader may see them.
    left_out
        Columns reached (the last stage), left_out, n_units and counts by group (`study.reasons`), likewise.
    labels
        Heading by column, for the units and the groups.
    """
    steps = _steps(stages, left_out, labels, NARROW_LETTERS if narrow else LETTERS)
    boxes, arrows, bottom = _placed(steps, narrow=narrow)
    (panel,) = panels(None, 1, narrow=narrow, height_in=bottom * LINE_IN)
    panel.set_axis_off()
    panel.set_xlim(-0.002, 1.002)
    panel.set_ylim(bottom + 0.1, -0.1)
    for x, y_from, y_to, y_out in arrows:
        if y_out is not None:
            panel.plot([x, OUT_AT_NARROW if narrow else OUT_AT], [y_out] * 2, color=QUIET, linewidth=0.8)
        arrow = {"arrowstyle": "->", "color": QUIET, "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0}
        panel.annotate("", (x, y_to), (x, y_from), arrowprops=arrow)
    for x, y, width, lines, is_out in boxes:
        edge = SERIES[1] if is_out else SERIES[0]
        panel.add_patch(Rectangle((x, y), width, _height(lines), fill=False, edgecolor=edge, linewidth=0.9))
        for k, line in enumerate(lines):
            weight = "bold" if k == 0 else "normal"
            indent = 0.025 if line.startswith(INDENT) else 0.0  # a browser drops leading spaces
            place = (x + 0.012 + indent, y + PAD + k + 0.5)
            panel.text(*place, line.strip(), va="center", fontsize=FONT_PT, color=INK, fontweight=weight)
    return panel


def _steps(
    stages: pd.DataFrame, left_out: pd.DataFrame, labels: Mapping[str, str], letters: int
) -> list[tuple[list[str], list[str]]]:
    """Return for each stage the lines of its box, and of the box of those left out before it."""
    groups = [c for c in ("n_reference", "n_compared") if c in stages]
    units = next(c for c in stages if c in ("n_placements", "n_sessions"))
    steps, reached = [], ""
    for _, row in stages.iterrows():
        own = [
            title_case(str(row["stage"])),
            f"{_n(row['n_patients'])} patients, {_n(row[units])} {labels[units].lower()}",
            *(f"{labels[c]}: {_n(row[c])} patients" for c in groups),
        ]
        lines: list[str] = []
        for _, one in left_out[left_out["reached"].eq(reached)].iterrows() if len(left_out) else ():
            is_told = bool(groups) and pd.notna(one["n_units"])
            by_group = f" ({', '.join(_n(one[c]) for c in groups)})" if is_told else ""
            said = f"{_n(one['n_units'])}{by_group}: {readable(str(one['left_out']))}"
            lines += textwrap.wrap(said, letters, subsequent_indent=INDENT)
        steps.append((own, ["Left out", *lines] if lines else []))
        reached = row["stage"]
    return steps


def _n(count: float) -> str:
    return WITHHELD if pd.isna(count) else numbers.number(float(count))


def _height(lines: list[str]) -> float:
    return len(lines) + 2 * PAD


def _placed(steps: list[tuple[list[str], list[str]]], *, narrow: bool) -> tuple[list, list, float]:
    """Return boxes (x, y, width, lines, is_out), arrows (x, from, to, branch) and the lowest edge.

    Wide: those left out stand beside, each box under the one before; narrow: between two stages.
    """
    width, x_out, x = (
        (1.0, OUT_AT_NARROW, ARROW_AT_NARROW) if narrow else (STAGE_WIDTH, OUT_AT, STAGE_WIDTH / 2)
    )
    boxes: list[tuple] = []
    arrows: list[tuple] = []
    y, before, out_bottom = 0.0, 0.0, 0.0
    for k, (own, out) in enumerate(steps):
        branch = None
        if out:
            y_out = max(before + GAP, out_bottom + GAP)
            boxes.append((x_out, y_out, 1 - x_out, out, True))
            out_bottom, branch = y_out + _height(out), y_out + 0.5
            y = max(before + 2 * GAP, out_bottom + GAP if narrow else branch + GAP)
        if k:
            arrows.append((x, before, y, branch))
        boxes.append((0.0, y, width, own, False))
        before = y + _height(own)
        y = before + 2 * GAP
    return boxes, arrows, max(before, out_bottom)
