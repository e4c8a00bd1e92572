"""One call makes any result's picture.

`draw(result)` looks up `result.picture` and draws from the result's own tables: no picture computes a
number. Each picture states what it needs:

- intervals: rows of `table()`, a dot and a bar each, the number written beside it; panels by unit.
- sensitivity: as intervals, one panel per first `by` column; the row whose term is `main` is the headline.
- curve: `path` (x, estimate, ci_low, ci_high), one panel per first `by` column, one line per remaining column
  and term. Where present: `extra["points"]` (by, x, y), `extra["marks"]` (by, x, label), `extra["at_risk"]`
  (by, x, n). Rows of `path` that carry a flag (outside the data) are drawn faint.
- quantiles: as curve, without bands.
- together: as curve, all groups on one axis, each line named where it ends.
- milestones: as curve, in percent of placements; terms that begin with `observed` are drawn as steps.
- forest: as intervals; rows whose term is `pooled` are diamonds.
- funnel: rows of `table()` at x; `path` holds the limits, one line per term; a flag marks a unit outside.
- run: rows of `table()` at x, joined; `path` holds centre and limits, one line per term; a flag is a signal.

- case, width: `course.case` (`course`); ledger, drafts: `planning` (`planner`).
- splits: `yields.joint` (`joint`); sides: `regrowth.against_front` (`sides`).
- power, balance, overlap, tipping, specification: `study` (`study`).
- of the quarterly review (`review`, `charts`): indicators, operators, follow_up, actions, run_charts, cases,
  before_after, each from its own result; sentence, the flag of a result that has no number yet.

Another picture is a function in the file of its room here, and a line in PICTURES.
"""

from collections.abc import Callable

import matplotlib as mpl
from matplotlib.axes import Axes

from analytics.errors import ParameterError
from analytics.pages.figures import joint, review, sides, study
from analytics.pages.figures.course import case, early, ladder, width
from analytics.pages.figures.curves import curve, funnel, milestones, run, together
from analytics.pages.figures.drawing import STYLE
from analytics.pages.figures.intervals import forest, intervals, sensitivity
from analytics.pages.figures.planner import drafts, ledger
from analytics.results import Result

PICTURES: dict[str, Callable[..., Axes]] = {
    "intervals": intervals,
    "sensitivity": sensitivity,
    "curve": curve,
    "quantiles": curve,
    "milestones": milestones,
    "forest": forest,
    "funnel": funnel,
    "run": run,
    "case": case,
    "early": early,
    "ladder": ladder,
    "width": width,
    "ledger": ledger,
    "drafts": drafts,
    "splits": joint.splits,
    "sides": sides.sides,
    "together": together,
    **review.PICTURES,
    **study.PICTURES,
}


# What the bars and bands of a picture are, where it is not the interval of each row; empty: it draws none.
BARS: dict[str, str] = {
    "case": "Bars: 95 % intervals of a count. Grey: half, and nine in ten, of the practice's readings, "
    "dashed their median. Blue: 50, 80 and 95 % limits of a count to come.",
    "early": "Bars: 95 % intervals of a count. Dashed: an assumed course, from no counted study.",
    "drafts": "Bars: 95 % limits of the density; where no target is set, of one count.",
    "follow_up": "In brackets: 95 % intervals of the share seen.",
    "run_charts": "",
    "cases": "",
    **dict.fromkeys(
        ("sides", "power", "width", "ledger", "balance", "overlap", "sentence", "funnel", "run", "quantiles"),
        "",
    ),
}

# Pictures that draw their intervals as bands, from `path`; all others draw bars.
BANDS = ("curve", "milestones", "together", "tipping")

# Pictures whose caption depends on what they show.
CAPTIONS: dict[str, Callable[[Result], str]] = {"sides": sides.caption}

TOO_FEW_TO_DRAW = "Too few counts to draw; the table holds what can be told."
# Pictures that can have nothing to show though their result has rows, and the words for it.
UNSAID: dict[str, Callable[[Result], str]] = {
    "splits": joint.unsaid,
    "overlap": study.unsaid,
    "specification": study.unsaid,
    "quantiles": lambda result: "" if len(getattr(result, "path", ())) else TOO_FEW_TO_DRAW,
}


def unsaid(result: Result) -> str:
    """Return in words why a result has no picture; empty where it has one."""
    return UNSAID[result.picture](result) if result.picture in UNSAID else ""


def draw(result: Result, ax: Axes | None = None, *, narrow: bool = False) -> Axes:
    """Draw the standard picture of a result.

    Parameters
    ----------
    result
        Any result; `result.picture` names the picture.
    ax
        Axes to draw in; None makes a figure (reach it by `axes.figure`).
    narrow
        Draw for a telephone's width.

    Returns
    -------
    Axes
        The axes of the first panel.

    Raises
    ------
    ParameterError
        When the picture is unknown, or the result holds no row to draw.
    """
    if result.picture not in PICTURES:
        raise ParameterError(
            f"draw(result): unknown picture; use one of {', '.join(sorted(PICTURES))}, or add it to PICTURES"
        )
    if result.table().empty:
        raise ParameterError("draw(result): the result holds no rows; say so in words instead of drawing")
    with mpl.rc_context(STYLE):
        return PICTURES[result.picture](result, ax, narrow=narrow)
