"""Every published number is reproduced at its own tolerance, and stands in one place."""

import ast
from pathlib import Path

import pytest

from analytics import published
from analytics.errors import FitError

# Values with fewer significant digits than this may stand in a test for another reason.
DISTINCTIVE = 5


@pytest.fixture(scope="module")
def found():
    """Return what each case gave, by its name."""
    return {}


@pytest.mark.parametrize("case", published.cases(), ids=lambda case: case.name)
def test_the_published_numbers_are_reproduced(found, case):
    rows = published.run((case,))
    found[case.name] = rows
    missed = rows.loc[~rows["passed"], ["quantity", "expected", "found", "tolerance"]]
    assert missed.empty, missed.to_string()
    assert len(case.source) > 10
    assert not rows["quantity"].duplicated().any()


def test_no_published_number_stands_a_second_time_in_the_tests(found):
    if len(found) < len(published.cases()):
        pytest.skip("needs the numbers of every case")
    known = {
        _digits(value)
        for rows in found.values()
        for value in rows["expected"]
        if len(_digits(value)) >= DISTINCTIVE
    }
    twice = [
        f"{path.name}, line {node.lineno}: {node.value}"
        for path in sorted(Path(__file__).parent.glob("**/*.py"))
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Constant) and isinstance(node.value, float) and _digits(node.value) in known
    ]
    assert not twice, "\n".join(twice)


def _digits(value: float) -> str:
    """Return the significant digits, without sign, point and power of ten."""
    return f"{abs(value):.12e}".partition("e")[0].replace(".", "").rstrip("0")


def test_a_wrong_number_is_a_failed_case():
    def wrong(_):
        yield from published.near({"a third": (1 / 3, 0.3333), "a half": (0.5, 0.6)}, absolute=1e-4)

    rows = published.run((published.Case("x", "an example", "a source that is long", wrong),))
    assert list(rows["passed"]) == [True, False]
    assert list(published.summary(rows)["result"]) == ["FAIL"]
    assert published.sentence(rows).startswith("This installation reproduces 0 of 1")


def test_a_number_passes_up_to_its_tolerance_and_a_missing_one_does_not():
    number = published.Number("x", 10.011, 10.0, absolute=0.001, relative=0.001)
    assert number.tolerance == pytest.approx(0.011)
    assert number.passed
    assert not published.Number("x", 10.012, 10.0, absolute=0.001, relative=0.001).passed
    assert not published.Number("x", float("nan"), 10.0, absolute=1e9).passed
    # Never is reached in both or in neither.
    assert published.Number("x", float("inf"), float("inf")).passed
    assert not published.Number("x", 5.0, float("inf"), relative=0.1).passed


def test_a_case_that_cannot_be_computed_keeps_what_it_has_is_not_passed_and_says_so():
    def fails(_):
        yield from published.near({"mean": (1.0, 1.0)})
        raise FitError("no fit")

    rows = published.run((published.Case("x", "an example", "a source that is long", fails),))
    assert list(rows["passed"]) == [True, False]
    assert set(rows["about"]) == {"an example (FitError: not computed)"}
