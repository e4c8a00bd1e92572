"""What `analytics.draw` does: the picture of anything that has one, shown in a notebook."""

import itertools

from IPython import get_ipython
from IPython.display import HTML, display
from matplotlib.axes import Axes

from analytics.errors import ParameterError
from analytics.pages.figures import dispatch
from analytics.pages.figures.drawing import inline, svg
from analytics.results import Result

DRAWN = itertools.count(1)  # pictures in one notebook share no id


def draw(result: Result, ax: Axes | None = None) -> Axes:
    """Draw the standard picture of a result and, in a notebook, show it.

    Parameters
    ----------
    result
        Any result of a room; a model (its coefficients), time ratios, or a diagnosis.
    ax
        Axes of one's own to draw in; these are not shown here.

    Returns
    -------
    Axes
        The axes of the first panel; `axes.figure.savefig(...)` keeps the picture.

    Raises
    ------
    ParameterError
        When the result holds no row to draw, or what is given has no picture.

    Examples
    --------
    >>> import pandas as pd
    >>> from analytics import results
    >>> one = pd.DataFrame([results.line("yield", 80.0, "%", basis="model")])
    >>> draw(results.Result(one, pd.DataFrame(), "given")).get_xlabel()
    'Yield (percent)'
    """
    if not isinstance(result, Result):
        return _by_itself(result, ax)
    axes = dispatch.draw(result, ax)
    if ax is None and get_ipython() is not None:
        drawn = inline(svg(axes.figure.figure), f"drawn{next(DRAWN)}", f"{result.picture}: {result.method}")
        display(HTML(drawn))
    return axes


def _by_itself(thing, ax: Axes | None) -> Axes:
    """Draw what has a `plot` of its own; the notebook shows such a figure by itself."""
    if type(thing).__module__.startswith("analytics.bench") and hasattr(thing, "plot"):
        return thing.plot(ax=ax)
    raise ParameterError(
        f"draw(result): {type(thing).__name__} has no picture; drawn are results of the rooms, such as "
        "yields.average(records), and models and times; ask one of them of it, such as "
        'analytics.model("yield_pct ~ zone", records)'
    )
