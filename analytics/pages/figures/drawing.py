"""What every picture shares: one palette with a second cue, one style, panels, labels, bytes that repeat.

Colour never carries meaning alone: the n-th series has the n-th colour, the n-th dash and the n-th
marker, and is labelled where it ends. The colours are the Okabe-Ito set, darkened until each reaches 3:1
against white.

Source: Okabe and Ito, *Color Universal Design* (2008), for the hues; the darkening is ours. WCAG 2.1,
1.4.11, for 3:1.
"""

import io
import math
import re
from collections.abc import Mapping, Sequence
from typing import Any
from xml.etree import ElementTree

import matplotlib as mpl
import pandas as pd
from markupsafe import Markup
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analytics import numbers
from analytics.numbers import group_label, group_name, readable, title_case
from analytics.pages.figures.placing import Placed, written

INK = "#1b1f23"
QUIET = "#5c646b"
RULE = "#c9ced3"
ALARM, GOOD = "#9b1c1c", "#0a665a"  # worse, look now; met, better: nothing else has these colours
SERIES = ("#0b4f8a", "#a3430a", "#00734f", "#8a3b73", "#6b5600", "#3d4a54")
DASHES: tuple = (
    "solid",
    (0, (5, 1.6)),
    (0, (1.2, 1.4)),
    (0, (6, 1.5, 1.2, 1.5)),
    (0, (3, 1, 1, 1, 1, 1)),
    (0, (9, 2)),
)
MARKERS = ("o", "s", "^", "D", "v", "P")
BAND_ALPHA = 0.16
PNG_DPI = 300  # of a figure as a file of its own (what journals ask for at least: common practice, no source)
WIDTH_IN = 7.6
NARROW_WIDTH_IN = 3.55
FONT_PT = 8.6  # the smallest: 12 pixels where the drawing is as wide as its place
SVG, LINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}href"
TEXT_SIZE = re.compile(r"(font: (?:[a-z]+ |[1-9]00 )*|font-size: )([\d.]+)px")
TITLES = "titles:"  # begins the id of a group whose marks have titles
SAMPLE_PT = 26  # a piece of a line before its name
LINE_OF_TEXT = 0.075  # of the height of a panel
# The reading machine's own sans serif; matplotlib measures with DejaVu Sans, which is wider, so nothing
# collides.
FONT_STACK = "'Helvetica Neue','Segoe UI','Liberation Sans',Arial,sans-serif"

STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 8.6,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 9.2,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titley": 1.0,  # where it comes to stand anyway: found out, it costs a tenth of a picture
    "axes.labelsize": 8.6,
    "axes.axisbelow": True,
    "grid.color": "#e3e6e9",
    "grid.linewidth": 0.6,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "lines.linewidth": 1.7,
    "svg.fonttype": "none",
    "svg.hashsalt": "regrowth",
    "figure.dpi": 100,
}


def panels(
    ax: Axes | None,
    n: int,
    *,
    narrow: bool = False,
    columns: int = 3,
    height_in: float = 2.5,
    share: str = "xy",
    heights_in: Sequence[float] = (),
) -> list[Axes]:
    """Return n axes on one scale: in a new figure, or in the place of the axes given.

    Parameters
    ----------
    ax
        Axes to draw in; None makes a figure.
    n
        Number of panels, 1 or more.
    narrow
        For a telephone's width: one panel a row.
    columns
        Panels in a row on a wide page.
    height_in
        Height of one panel, inches.
    share
        Which scales the panels share: xy, x, or none.
    heights_in
        Height of each panel, inches, where they stand one a row and differ.
    """
    if ax is not None and n == 1:
        return [ax]
    columns = 1 if narrow else (2 if n in (2, 4) and columns > 2 else min(columns, n))
    rows = math.ceil(n / columns)
    heights = list(heights_in) if columns == 1 and heights_in else [height_in] * rows
    if ax is None:
        figure = Figure(figsize=(NARROW_WIDTH_IN if narrow else WIDTH_IN, sum(heights)), layout=Placed())
        grid = figure.subplots(
            rows, columns, sharex="x" in share, sharey="y" in share, squeeze=False, height_ratios=heights
        ).ravel()
    else:
        ax.set_axis_off()
        spec: Any = ax.get_subplotspec()
        inner = spec.subgridspec(rows, columns)
        grid = inner.subplots(sharex="x" in share, sharey="y" in share, squeeze=False).ravel()
    for spare in grid[n:]:
        spare.set_axis_off()
    for position, panel in enumerate(grid[:n]):
        if position + columns >= n:
            panel.tick_params(labelbottom=True)
    return list(grid[:n])


def series_style(position: int) -> dict:
    """Return colour and dash of the n-th line."""
    return {"color": SERIES[position % len(SERIES)], "linestyle": DASHES[position % len(DASHES)]}


def marker_style(position: int) -> dict:
    """Return colour and marker of the n-th series of points."""
    return {"color": SERIES[position % len(SERIES)], "marker": MARKERS[position % len(MARKERS)]}


def axis_name(what: str, unit: str) -> str:
    """Return an axis name with its unit.

    Examples
    --------
    >>> axis_name("Yield", "%")
    'Yield (percent)'
    """
    name = numbers.unit_name(unit)
    return f"{what} ({name})" if name and unit not in ("ratio", "count", "") else what


def what_is_counted(rows: pd.DataFrame) -> str:
    """Return what the axis counts: the term where there is one, else the general word."""
    terms = rows["term"].dropna().unique()
    if list(terms) == ["answer"]:
        return compared_by(str(rows["unit"].iloc[0]))
    return title_case(readable(terms[0])) if len(terms) == 1 else "Estimate"


def compared_by(unit: str) -> str:
    """Return what a study's answer is, in a word."""
    return "Ratio" if unit == "ratio" else "Difference"


def row_labels(frame: pd.DataFrame, by: tuple[str, ...]) -> list[str]:
    """Return a label per row: its groups, and its term where the groups do not tell the rows apart.

    A group that all rows are of is not said: the picture's title says it.
    """
    columns = list(by)
    if not columns or frame.duplicated(columns).any():
        columns.append("term")
    if len(frame) > 1 and "term" in columns and frame["term"].is_unique:
        columns = [c for c in columns if c == "term" or frame[c].nunique() > 1]
    labels = []
    for _, row in frame.iterrows():
        first, *rest = columns
        said = [group_name(first, row[first]), *(group_label(c, row[c]) for c in rest)]
        labels.append(", ".join(word for word in said if word))
    return labels


def label_line_ends(
    ax: Axes, ends: list[tuple[float, float, str, str]], *, dashes: Mapping[str, Any] | None = None
) -> None:
    """Write each line's name at its end, moved apart where they would touch.

    `ends` holds (x, y, text, colour). Names are kept a line of text apart, in the order of their y. `dashes`
    by name: a piece of the line stands before it, where many end together and colour alone would tell.
    """
    right = max(x for x, _, _, _ in ends)
    low, high = ax.get_ylim()
    step = LINE_OF_TEXT * (high - low)
    ordered = sorted(ends, key=lambda end: end[1])
    places: list[float] = []
    for _, y, _, _ in ordered:
        places.append(max(y, places[-1] + step) if places else y)
    down = max(0.0, places[-1] - (high - 0.3 * step))
    for (_, _, text, colour), place in zip(ordered, places, strict=True):
        if dashes:
            piece = {"arrowstyle": "-", "color": colour, "linestyle": dashes[text], "linewidth": 1.6}
            ax.annotate(
                "", (right, place - down), xytext=(SAMPLE_PT, 0), textcoords="offset points",
                arrowprops=piece, annotation_clip=False,
            )  # fmt: skip
        ax.annotate(
            text,
            (right, place - down),
            xytext=(SAMPLE_PT + 2 if dashes else 4, 0),
            textcoords="offset points",
            color=colour,
            va="center",
            fontsize=8,
            annotation_clip=False,
        )


def name_lines_above(axes: Sequence[Axes]) -> None:
    """Name the lines once for all panels, above them, with colour and dash; one line needs no name."""
    named: dict[str, Any] = {}
    for panel in axes:
        for line, label in zip(*panel.get_legend_handles_labels(), strict=True):
            named.setdefault(label, line)
    figure: Any = axes[0].figure
    if len(named) > 1:
        figure.legend(
            named.values(), named, loc="outside upper left", ncols=len(named), frameon=False, handlelength=2.6
        )


def name_axes(axes: Sequence[Axes], x: str, y: str) -> None:
    """Name the axes once for all panels."""
    if len(axes) == 1:
        axes[0].set_xlabel(x)
        axes[0].set_ylabel(y)
        return
    figure: Any = axes[0].figure
    figure.supxlabel(x, fontsize=STYLE["axes.labelsize"])
    figure.supylabel(y, fontsize=STYLE["axes.labelsize"])


def titled(artist: Artist, titles: Sequence[str]) -> None:
    """Give each mark of an artist a title that a browser shows when it is pointed at, in drawing order."""
    artist.set_gid(TITLES + "|".join(title.replace("|", "/") for title in titles))


def inline(svg_text: str, prefix: str, alternative: str, *, with_titles: bool = True) -> Markup:
    """Return a drawing to stand in the page: as wide as its place, its ids its own, its text text.

    Parameters
    ----------
    svg_text
        From `svg`.
    prefix
        What its ids begin with, unique on the page.
    alternative
        What it shows, for a reader who cannot see it.
    with_titles
        Whether marks keep their titles (`titled`): not for readers outside the clinic.
    """
    root = ElementTree.fromstring(svg_text)  # our own drawing
    box = root.get("viewBox")
    root.attrib.clear()
    root.attrib.update({"viewBox": str(box), "role": "img", "aria-label": alternative})
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{SVG}metadata", f"{SVG}style"):
                parent.remove(child)
    for element in list(root.iter()):
        if element.get("id", "").startswith(TITLES):
            _set_titles(element, with_titles=with_titles)
        _own_ids(element, prefix)
    ElementTree.register_namespace("", SVG.strip("{}"))
    return Markup(ElementTree.tostring(root, encoding="unicode"))


def _set_titles(group: ElementTree.Element, *, with_titles: bool) -> None:
    """Hang the titles on a group's marks, and a style that all of them have on the group."""
    titles = group.attrib.pop("id").removeprefix(TITLES).split("|")
    marks = list(group.iter(f"{SVG}use")) or [group]
    styles = {mark.get("style") for mark in marks}
    if len(marks) > 1 and len(styles) == 1 and None not in styles:
        group.set("style", str(styles.pop()))
        for mark in marks:
            del mark.attrib["style"]
    for mark, title in zip(marks, titles, strict=False) if with_titles else ():
        written = ElementTree.Element(f"{SVG}title")
        written.text = title
        mark.insert(0, written)


def _own_ids(element: ElementTree.Element, prefix: str) -> None:
    """Make the ids of an element the page's own, drop those nothing refers to, and round its coordinates."""
    if "id" in element.attrib:
        if element.tag == f"{SVG}g":
            del element.attrib["id"]
        else:
            element.set("id", f"{prefix}-{element.get('id')}")
    for name, value in list(element.attrib.items()):
        if name == LINK:
            del element.attrib[name]
            element.set("href", value.replace("#", f"#{prefix}-"))
        elif "url(#" in value:
            element.set(name, value.replace("url(#", f"url(#{prefix}-"))
        elif name == "style":
            element.set(name, TEXT_SIZE.sub(_readable_size, value))
        elif name in ("d", "x", "y"):
            element.set(name, re.sub(r"(\.\d\d)\d+", r"\1", value))


def _readable_size(found: re.Match) -> str:
    """Return a size of text, FONT_PT at least: what is laid out smaller has room, as it is measured wider."""
    return f"{found.group(1)}{max(float(found.group(2)), FONT_PT):g}px"


def svg(figure: Figure) -> str:
    """Return the figure as SVG text: the same figure gives the same bytes."""
    with mpl.rc_context(STYLE):
        text = written(figure)
    text = text[text.index("<svg") :]
    return re.sub(r"'?DejaVu Sans'?(, [^;\"]*)?", lambda _: FONT_STACK, text)


def alone(figure: Figure, alternative: str) -> dict[str, bytes]:
    """Return a figure as files of its own by their ending: svg with its alternative, png with PNG_DPI.

    No mark keeps its title: no single reading leaves with a figure.
    """
    wide, high = figure.get_size_inches()
    drawn = str(inline(svg(figure), "f", alternative, with_titles=False))
    sized = drawn.replace("<svg ", f'<svg width="{wide:g}in" height="{high:g}in" ', 1)
    buffer = io.BytesIO()
    with mpl.rc_context(STYLE):
        figure.savefig(buffer, format="png", dpi=PNG_DPI, facecolor="white", metadata={"Software": None})
    return {"svg": sized.encode(), "png": buffer.getvalue()}
