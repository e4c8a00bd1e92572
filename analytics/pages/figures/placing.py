"""Where the panels of a picture stand: what is written around each is measured once, and makes its margins.

The layout that matplotlib brings measures all of it four times, which was a third of drawing. Here neighbours
are as far apart as the widest text between them asks, and panels share what is left, by the height given to
each. Names of axes get their place here, so that drawing need not look for one. Sizes are in pixels.
"""

import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_mixed import MixedModeRenderer
from matplotlib.backends.backend_svg import FigureCanvasSVG, RendererSVG
from matplotlib.figure import Figure
from matplotlib.layout_engine import LayoutEngine
from matplotlib.text import Text
from matplotlib.transforms import Bbox

PAD_IN = 0.042  # free around a panel and its texts: 3 points
# Margins of each panel, inches, at which its texts are first measured: near what most need.
FIRST_IN = np.array([[0.5], [0.05], [0.4], [0.25]])
LEFT, RIGHT, BELOW, ABOVE = range(4)


class Placed(LayoutEngine):
    """A layout for panels in one grid, the names of their axes, and a legend above them."""

    _adjust_compatible = False
    _colorbar_gridspec = False

    def execute(self, fig: Any) -> None:
        """Place the panels of a figure; called whenever it is drawn."""
        renderer = fig._get_renderer()  # as matplotlib's own layouts ask for it
        panels = [ax for ax in fig.axes if ax.get_subplotspec() is not None]
        if not panels:
            return
        outside = _outside(fig, renderer)
        n_rows, n_columns = panels[0].get_subplotspec().get_gridspec().get_geometry()
        first = FIRST_IN * fig.dpi
        _place(panels, first.repeat(n_columns, axis=1), first.repeat(n_rows, axis=1))
        seen = [_around(ax, renderer) for ax in panels]
        _place(panels, *_margins(seen, outside))
        # A text that stands at a month hangs over more where its panel became narrower.
        changed = [one.measure_again(renderer) for one in seen]
        if any(changed):
            _place(panels, *_margins(seen, outside))
        for one in seen:
            one.name_axes()


@dataclass(eq=False)
class _Around:
    """What is written around a panel: how far it reaches out on each side, 0 or less where it does not."""

    ax: Axes
    size: np.ndarray  # width and height of the panel when it was measured
    axes_reach: np.ndarray
    stand_off: dict[str, float]  # of the name of each axis
    texts: list[Text]
    reach: np.ndarray  # shape (texts, 4)

    def measure_again(self, renderer: Any) -> bool:
        """Measure what may reach out now that the panel has another size; tell whether anything does."""
        inner = self.ax.get_window_extent(renderer)
        change = np.abs(inner.size - self.size).repeat(2)
        moved = (self.reach > -change).any(axis=1) & (change.max() > 1)
        for k in np.flatnonzero(moved):
            self.reach[k] = _reach(self.texts[k].get_tightbbox(renderer), inner)
        return bool(moved.any())

    def name_axes(self) -> None:
        """Put the names of the axes where they stand."""
        for name, off in self.stand_off.items():
            if name == "x":
                self.ax.xaxis.set_label_coords(0.5, -off / self.ax.bbox.height)
            else:
                self.ax.yaxis.set_label_coords(-off / self.ax.bbox.width, 0.5)


def _outside(fig: Figure, renderer: Any) -> np.ndarray:
    """Return the room on each side for what stands outside all panels; names of axes get their place."""
    room, pad = np.zeros(4), PAD_IN * fig.dpi
    for text in fig.texts:  # the names of the axes of all panels (`drawing.name_axes`)
        box, (x, y) = text.get_window_extent(renderer), text.get_position()
        if text.get_rotation():
            room[LEFT] = box.width + 2 * pad
            text.set_position((pad / fig.bbox.width, y))
        else:
            room[BELOW] = box.height + 2 * pad
            text.set_position((x, pad / fig.bbox.height))
    for legend in fig.legends:
        room[ABOVE] += legend.get_window_extent(renderer).height + 2 * pad
    return room


def _around(ax: Axes, renderer: Any) -> _Around:
    """Measure what is written around a panel."""
    inner = ax.get_window_extent(renderer)
    boxes: list[Any] = []
    stand_off, axes_reach, texts, reach = {}, np.zeros(4), [], []
    for side, axis in ((BELOW, ax.xaxis), (LEFT, ax.yaxis)) if ax.axison else ():
        labels = _tick_labels(axis, renderer)
        boxes += [] if labels is None else [labels]
        of_labels = 0.0 if labels is None else _reach(labels, inner)[side]
        stand_off[axis.axis_name], axes_reach[side] = _name_of_axis(axis, of_labels, renderer)
    for child in ax.get_children():
        if isinstance(child, Text) and child.get_visible() and child.get_text():
            box: Any = child.get_tightbbox(renderer)
            if child in ax.texts:
                texts.append(child)
                reach.append(_reach(box, inner))
            else:  # a title, which is as long as it is
                boxes.append(Bbox.from_extents(inner.x0, box.y0, inner.x1, box.y1))
    if legend := ax.get_legend():
        boxes.append(legend.get_window_extent(renderer))
    axes_reach = np.max([axes_reach, *(_reach(box, inner) for box in boxes)], axis=0)
    return _Around(ax, np.array(inner.size), axes_reach, stand_off, texts, np.reshape(reach, (-1, 4)))


def _tick_labels(axis: Any, renderer: Any) -> Bbox | None:
    """Return the place of the labels of an axis's ticks; none where it has none."""
    apart = (axis.label, axis.offsetText)  # the first is measured by itself, nothing of ours has the second
    axis.set_label_coords(0.5, 0.5)  # else a place for the name is looked for
    for text in apart:
        text.set_visible(False)
    labels = axis.get_tightbbox(renderer)
    for text in apart:
        text.set_visible(True)
    return labels if labels is not None and labels.width > 0 else None


def _name_of_axis(axis: Any, of_labels: float, renderer: Any) -> tuple[float, float]:
    """Return how far the name of an axis stands off its panel, and where it ends."""
    off = max(of_labels, renderer.points_to_pixels(axis.get_tick_padding()))
    if not axis.label.get_text():
        return off, off
    box = axis.label.get_window_extent(renderer)
    off += renderer.points_to_pixels(axis.labelpad)
    return off, off + (box.height if axis.axis_name == "x" else box.width)


def _reach(box: Any, inner: Bbox) -> np.ndarray:
    """Return how far a box reaches out of a panel: left, right, below, above; minus infinity for no box."""
    if not np.isfinite(box.get_points()).all():
        return np.full(4, -np.inf)
    return np.array([inner.x0 - box.x0, box.x1 - inner.x1, inner.y0 - box.y0, box.y1 - inner.y1])


def _margins(seen: list[_Around], outside: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the margins of each column and of each row of panels, shape (side, n)."""
    spec: Any = seen[0].ax.get_subplotspec()
    n_rows, n_columns = spec.get_gridspec().get_geometry()
    across, down = np.zeros((4, n_columns)), np.zeros((4, n_rows))
    for one in seen:
        spec = one.ax.get_subplotspec()
        of_panel = np.max([one.axes_reach, *one.reach], axis=0)
        for margins, at in ((across, spec.colspan.start), (down, spec.rowspan.start)):
            margins[:, at] = np.maximum(margins[:, at], of_panel)
    pad = PAD_IN * seen[0].ax.figure.dpi
    across, down = across + pad, down + pad
    across[LEFT, 0] += outside[LEFT]
    down[BELOW, -1] += outside[BELOW]
    down[ABOVE, 0] += outside[ABOVE]
    return across, down


def _place(panels: list[Axes], across: np.ndarray, down: np.ndarray) -> None:
    """Place panels by the margins of their columns and rows, shape (side, n)."""
    figure: Any = panels[0].figure
    (wide, high), spec = figure.bbox.size, panels[0].get_subplotspec()
    grid: Any = spec.get_gridspec() if spec else None
    widths = np.array(grid.get_width_ratios(), dtype=float)
    heights = np.array(grid.get_height_ratios(), dtype=float)
    widths *= max(wide - across[LEFT].sum() - across[RIGHT].sum(), 1.0) / widths.sum()
    heights *= max(high - down[BELOW].sum() - down[ABOVE].sum(), 1.0) / heights.sum()
    rights = np.cumsum(across[LEFT] + widths + across[RIGHT]) - across[RIGHT]
    bottoms = high - np.cumsum(down[ABOVE] + heights + down[BELOW]) + down[BELOW]
    for ax in panels:
        at: Any = ax.get_subplotspec()
        column, row = at.colspan.start, at.rowspan.start
        box = Bbox.from_bounds(rights[column] - widths[column], bottoms[row], widths[column], heights[row])
        ax.set_position(Bbox(box.get_points() / (wide, high)))


_measured: dict[tuple, tuple[float, float, float]] = {}  # sizes, by text, font and whether it is a formula


class _Pen(RendererSVG):
    """Writes SVG; what it measured of a text once, in any picture, it knows."""

    def get_text_width_height_descent(self, s: str, prop: Any, ismath: Any) -> tuple[float, float, float]:
        """Return the size of a text in points."""
        if (s, prop, ismath) not in _measured:
            size = super().get_text_width_height_descent(s, prop, ismath)
            _measured[s, prop.copy(), ismath] = size
        return _measured[s, prop, ismath]


class _Canvas(FigureCanvasSVG):
    """What a figure is written on: its layout measures with the pen that draws it."""

    def __init__(self, figure: Figure, pen: MixedModeRenderer) -> None:
        super().__init__(figure)
        self.pen = pen

    def get_renderer(self) -> MixedModeRenderer:
        """Return the pen, for the layout."""
        return self.pen


def written(figure: Figure) -> str:
    """Return a figure as SVG text, laid out and drawn once: `savefig` would do both twice."""
    text = io.StringIO()
    wide, high = figure.get_size_inches()
    dpi, figure.dpi = figure.dpi, FigureCanvasSVG.fixed_dpi
    size, nothing = (wide * figure.dpi, high * figure.dpi), {"Date": None, "Creator": None}
    # Of two pens, as matplotlib has them: many marks of one kind are drawn as an image, of `dpi`.
    pen: Any = MixedModeRenderer(figure, wide, high, dpi, _Pen(*size, text, image_dpi=dpi, metadata=nothing))
    _Canvas(figure, pen)
    figure.draw(pen)
    pen.finalize()
    return text.getvalue()
