"""A picture draws the numbers of its result, names its axes, and says nothing by colour alone."""

import xml.etree.ElementTree as ElementTree

import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_rgb

from analytics.errors import ParameterError
from analytics.pages import figures
from analytics.pages.figures import drawing
from analytics.results import Curve, Result

USED = pd.DataFrame({"patient_id": ["p1"], "reason": [""]})
# WCAG 2.1, success criterion 1.4.11 (graphics) and 1.4.3 (text).
GRAPHICS_CONTRAST, TEXT_CONTRAST = 3.0, 4.5


def _zones() -> Result:
    frame = pd.DataFrame(
        {
            "zone": ["front", "crown", "temples"],
            "term": "yield_at_maturity",
            "estimate": [90.0, 80.0, np.nan],
            "se": [1.5, 3.0, np.nan],
            "ci_low": [87.0, 74.0, np.nan],
            "ci_high": [93.0, 86.0, np.nan],
            "unit": "% of planted hairs",
            "n_patients": [120, 75, 3],
            "flag": ["", "", "fewer than 5 patients"],
        }
    )
    return Result(frame, USED, "given", by=("zone",))


def _curve(picture: str = "curve", **extra) -> Curve:
    x = np.array([0.0, 6.0, 12.0])
    parts = [
        pd.DataFrame({"zone": zone, "term": term, "x": x, "estimate": top * x / 12, "unit": "%"}).assign(
            ci_low=lambda t: t["estimate"] - 5, ci_high=lambda t: t["estimate"] + 5
        )
        for zone, term, top in [
            ("front", "expected", 90.0),
            ("front", "observed", 84.0),
            ("crown", "expected", 60.0),
            ("crown", "observed", 54.0),
        ]
    ]
    path = pd.concat(parts, ignore_index=True)
    return Curve(path[path["x"] == 12], USED, "given", by=("zone",), picture=picture, path=path, extra=extra)


def _texts(ax) -> str:
    return " | ".join(text.get_text() for text in ax.texts)


def test_intervals_draw_each_estimate_its_limits_and_its_n():
    ax = figures.draw(_zones())
    (dots,) = [line for line in ax.lines if line.get_marker() == "o"]
    assert dots.get_xydata().tolist() == [[90.0, 0.0], [80.0, 1.0]]
    bars = [segment[:, 0].tolist() for segment in ax.collections[0].get_segments()]
    assert bars == [[87.0, 93.0], [74.0, 86.0]]
    assert "90 (87 to 93)" in _texts(ax)
    assert "120" in _texts(ax)


def test_a_missing_estimate_is_a_row_with_its_reason_in_words():
    ax = figures.draw(_zones())
    assert [label.get_text() for label in ax.get_yticklabels()] == ["Front", "Crown", "Temples"]
    assert "fewer than 5 patients" in _texts(ax)


def test_every_axis_has_a_name_and_its_unit():
    assert figures.draw(_zones()).get_xlabel() == "Yield at maturity (percent of planted hairs)"
    figure = figures.draw(_curve()).figure
    assert figure.get_supxlabel() == "Months since the session"
    assert figure.get_supylabel() == "Estimate (percent)"


def test_curves_are_small_multiples_on_one_scale_with_the_lines_named_above():
    ax = figures.draw(_curve())
    panels = [panel for panel in ax.figure.axes if panel.get_title(loc="left")]
    assert [panel.get_title(loc="left") for panel in panels] == ["Front", "Crown"]
    assert panels[0].get_ylim() == panels[1].get_ylim()
    (legend,) = ax.figure.legends
    assert [text.get_text() for text in legend.get_texts()] == ["expected", "observed"]
    assert [line.get_linestyle() for line in legend.get_lines()] == ["-", "--"]
    np.testing.assert_allclose(panels[1].lines[0].get_ydata(), [0.0, 30.0, 60.0])


def test_two_lines_differ_in_dash_as_well_as_in_colour():
    first, second = (drawing.series_style(n) for n in (0, 1))
    assert first["color"] != second["color"]
    assert first["linestyle"] != second["linestyle"]


def test_observed_milestones_are_steps_and_the_numbers_at_risk_stand_beneath():
    at_risk = pd.DataFrame({"zone": ["front"] * 3, "x": [0.0, 6.0, 12.0], "n": [88, 71, 40]})
    ax = figures.draw(_curve("milestones", at_risk=at_risk))
    assert [line.get_drawstyle() for line in ax.lines[:2]] == ["default", "steps-post"]
    assert ax.get_ylim() == (0.0, 100.0)
    assert "88 | 71 | 40" in _texts(ax)


def test_no_difference_is_marked_at_zero_points_and_at_a_ratio_of_one():
    frame = pd.DataFrame(
        {"term": ["difference", "tempo ratio"], "estimate": [-8.0, 1.9], "unit": ["points", "ratio"]}
    )
    ax = figures.draw(Result(frame, USED, "given"))
    marks = [float(panel.lines[0].get_xdata()[0]) for panel in ax.figure.axes]
    assert marks == [0.0, 1.0]


def test_a_pooled_row_is_a_diamond_as_wide_as_its_interval():
    frame = pd.DataFrame(
        {
            "clinic": ["A", "all"],
            "term": ["yield", "pooled"],
            "estimate": [84.0, 85.0],
            "ci_low": [80.0, 82.0],
            "ci_high": [88.0, 88.0],
            "unit": "%",
        }
    )
    (diamond,) = figures.draw(Result(frame, USED, "given", by=("clinic",), picture="forest")).patches
    assert (diamond.get_xy()[:, 0].min(), diamond.get_xy()[:, 0].max()) == (82.0, 88.0)


def test_a_unit_outside_the_funnel_has_another_marker_and_every_unit_its_name():
    limits = pd.DataFrame(
        {"term": ["mean", "mean"], "x": [10.0, 100.0], "estimate": [85.0, 85.0], "unit": "%"}
    )
    units = pd.DataFrame(
        {
            "surgeon_id": ["S1", "S2"],
            "term": "yield",
            "x": [90.0, 20.0],
            "estimate": [86.0, 50.0],
            "unit": "%",
        }
    ).assign(flag=["", "outside the limits"])
    ax = figures.draw(
        Curve(units, USED, "given", by=("surgeon_id",), picture="funnel", path=limits, x_name="patients")
    )
    marked = {
        line.get_marker(): list(line.get_xdata()) for line in ax.lines if line.get_linestyle() == "None"
    }
    assert marked == {"o": [90.0], "s": [20.0]}
    assert "S1 | S2" in _texts(ax)
    assert ax.get_xlabel() == "Patients"


def test_a_signal_of_a_run_chart_is_ringed():
    quarters = pd.DataFrame(
        {"term": "transection", "x": [1.0, 2.0, 3.0], "estimate": [5.0, 5.0, 9.0], "unit": "%"}
    )
    result = Curve(
        quarters.assign(flag=["", "", "above the limit"]), USED, "given", picture="run", x_name="quarter"
    )
    rings = [line for line in figures.draw(result).lines if line.get_markerfacecolor() == "none"]
    assert [list(ring.get_xdata()) for ring in rings] == [[3.0]]


@pytest.mark.parametrize("picture", sorted(figures.PICTURES))
def test_an_unknown_picture_or_an_empty_result_is_refused_in_words(picture):
    empty = Curve(_curve().estimates.iloc[:0], USED, "given", by=("zone",), picture=picture)
    with pytest.raises(ParameterError, match="holds no rows"):
        figures.draw(empty)


def test_the_same_figure_gives_the_same_svg_and_holds_no_date():
    first, second = (drawing.svg(figures.draw(_curve()).figure) for _ in range(2))
    assert first == second
    root = ElementTree.fromstring(first)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert "date" not in first.lower()


@pytest.mark.parametrize("narrow", [False, True])
@pytest.mark.parametrize("far", [1.0, 0.3])
def test_panels_their_texts_and_the_legend_stand_apart_and_inside_the_picture(narrow, far):
    """A month's name may hang over the right edge: there has to be room for it."""
    ends = pd.DataFrame({"zone": ["crown", "frontal"], "x": 18.0 * far, "label": "half of the plateau"})
    result = _curve(marks=ends)
    figure = figures.draw(result, narrow=narrow).figure
    for ax in figure.axes:
        ax.annotate("a name that hangs over", (18.0 * far, 50.0), annotation_clip=False)
    drawing.svg(figure)
    pen, whole = figure.canvas.get_renderer(), figure.bbox
    boxes = [ax.get_tightbbox(pen) for ax in figure.axes if ax.axison]
    boxes += [legend.get_window_extent(pen) for legend in figure.legends]
    boxes += [text.get_window_extent(pen) for text in figure.texts]
    for i, box in enumerate(boxes):
        inside = (box.x0 >= -1, box.y0 >= -1, box.x1 <= whole.x1 + 1, box.y1 <= whole.y1 + 1)
        assert all(inside), (i, box)
        assert not any(box.padded(-1).overlaps(other.padded(-1)) for other in boxes[:i])


def test_a_figure_can_be_drawn_in_axes_of_ones_own():
    figure = drawing.Figure()
    ax = figure.subplots()
    assert figures.draw(_zones(), ax) is ax


def _contrast(colour: str) -> float:
    """Contrast with white by the formula of WCAG 2.1 (relative luminance)."""
    channels = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    luminance = 0.2126 * channels[0] + 0.7152 * channels[1] + 0.0722 * channels[2]
    return 1.05 / (luminance + 0.05)


def test_the_contrast_formula_itself_gives_the_published_extremes():
    assert _contrast("#000000") == pytest.approx(21.0)
    assert _contrast("#ffffff") == pytest.approx(1.0)


@pytest.mark.parametrize("colour", drawing.SERIES)
def test_every_colour_of_a_series_stands_out_from_white(colour):
    # 4.5 rather than 3: the names at the ends of lines are text in the same colour.
    assert _contrast(colour) >= TEXT_CONTRAST


@pytest.mark.parametrize("colour", [drawing.INK, drawing.QUIET])
def test_text_is_dark_enough_to_read(colour):
    assert _contrast(colour) >= TEXT_CONTRAST


def test_choices_are_panels_by_zone_with_a_line_at_the_main_one():
    frame = pd.DataFrame(
        [
            {"choice": choice, "zone": zone, "term": "yield", "estimate": base + shift, "unit": "%"}
            for zone, base in (("front", 89.0), ("crown", 81.0))
            for choice, shift in (("main line", 0.0), ("no native loss", -4.0))
        ]
    )
    ax = figures.draw(Result(frame, USED, "given", by=("choice", "zone"), picture="sensitivity"))
    panels = [panel for panel in ax.figure.axes if panel.get_title(loc="left")]
    assert [panel.get_title(loc="left") for panel in panels] == ["Front", "Crown"]
    marked = [
        [line.get_xdata()[0] for line in panel.lines if line.get_linestyle() == "--"] for panel in panels
    ]
    assert marked == [[89.0], [81.0]]


def test_lines_of_a_single_panel_are_named_at_their_ends():
    path = _curve().path.query("zone == 'front'").drop(columns="zone")
    ax = figures.draw(Curve(path[path["x"] == 12], USED, "given", picture="curve", path=path))
    assert _texts(ax) == "observed | expected"


def test_names_at_the_ends_of_lines_stay_inside_the_panel_and_apart():
    ax = drawing.Figure().subplots()
    ax.set_ylim(0, 100)
    drawing.label_line_ends(ax, [(18.0, 100.0, "model", "k"), (17.0, 99.0, "observed", "k")])
    heights = [text.xy[1] for text in ax.texts]
    assert max(heights) <= 100
    assert abs(heights[0] - heights[1]) >= 7
    assert [text.get_text() for text in ax.texts] == ["observed", "model"]
