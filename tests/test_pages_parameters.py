"""Settings are typed once: unknown names refused, codes kept, notebooks and models in agreement."""

import ast

import nbformat
import papermill
import pytest
import records_small
import sample_page
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from analytics.errors import ParameterError
from analytics.reports import parameters, render


@pytest.fixture(scope="module")
def own(tmp_path_factory):
    """Return a notebook of one's own, outside the package."""
    path = tmp_path_factory.mktemp("own") / "sample.ipynb"
    return str(sample_page.write(path, sample_page.BEGIN, sample_page.FINISH))


def test_a_code_with_leading_zeros_stays_what_was_typed(own):
    # papermill's own command line turns -p id 007 into the number 7.
    assert parameters.checked(own, {"surgeon": "007"}, as_text=True)["surgeon"] == "007"
    assert parameters.checked("01_surgeon_audit", {"surgeon": "1e5"}, as_text=True)["surgeon"] == "1e5"


def test_a_number_typed_as_text_is_read_by_the_type_of_its_setting(own):
    assert parameters.checked(own, {"months": "24"}, as_text=True)["months"] == 24


def test_a_value_of_the_wrong_type_is_refused_without_showing_it(own):
    with pytest.raises(ParameterError) as refused:
        parameters.checked(own, {"months": "twenty-secret"}, as_text=True)
    assert "sample, setting months: expected a valid integer" in str(refused.value)
    assert "secret" not in str(refused.value)
    with pytest.raises(ParameterError, match="setting months"):
        parameters.checked(own, {"months": 12.5})


def test_an_unknown_name_is_refused_with_the_nearest_known_one(own):
    with pytest.raises(ParameterError, match=r"has no setting 'mont'.*did you mean 'months'"):
        parameters.checked(own, {"mont": 12})


def test_all_problems_are_told_at_once(own):
    with pytest.raises(ParameterError) as refused:
        parameters.checked(own, {"mont": 12, "surgeon": 7})
    assert len(str(refused.value).splitlines()) == 2


def test_a_choice_and_a_date_are_held_to_their_rule():
    with pytest.raises(ParameterError, match="setting audience: expected 'internal', 'shared' or 'public'"):
        parameters.checked("01_surgeon_audit", {"audience": "everyone"})
    with pytest.raises(ParameterError, match="expected a date as 2026-03-31"):
        parameters.checked("01_surgeon_audit", {"as_of": "31.3.2026"})


@pytest.mark.parametrize("page", parameters.pages())
def test_the_parameters_cell_and_the_typed_settings_agree(page):
    # papermill's own reader of the cell is the other side of the comparison.
    found = papermill.inspect_notebook(str(parameters.notebook(page)))
    fields = parameters.model(page).model_fields
    assert set(found) == set(fields)
    for name, field in fields.items():
        assert ast.literal_eval(found[name]["default"]) == field.default, name
        assert field.description, f"{name} says what it means"


@pytest.mark.parametrize("page", parameters.pages())
def test_every_page_takes_data_audience_and_a_date(page):
    assert {"audience", "as_of"} <= set(parameters.model(page).model_fields)


def test_a_page_is_found_by_name_number_or_subject_and_else_refused():
    first = parameters.pages()[0]
    assert parameters.notebook(first) == parameters.notebook(first[:2]) == parameters.notebook(first[3:])
    with pytest.raises(ParameterError, match="no page of that name"):
        parameters.notebook("99_nothing")


def test_a_notebook_without_a_cell_of_constants_is_refused_in_words(tmp_path):
    path = tmp_path / "bare.ipynb"
    nbformat.write(nbformat.v4.new_notebook(), path)
    with pytest.raises(ParameterError, match="0 cells are tagged parameters, exactly 1 is needed"):
        parameters.checked(str(path), {})
    path.write_text("no notebook")
    with pytest.raises(ParameterError, match="is no notebook"):
        parameters.checked(str(path), {})


@pytest.mark.parametrize("page", ["04_case_course", "05_session_plan"])
@pytest.mark.parametrize("audience", ["shared", "public"])
def test_a_page_about_one_patient_is_made_for_the_clinic_alone(page, audience):
    """One person is fewer than any published threshold; its code would stand among the settings, too."""
    asked = {"patient": "0006", "draft_a": "crown 900 on 60"} if page[:2] == "05" else {"patient": "0006"}
    assert parameters.checked(page, {**asked, "audience": "internal"})["patient"]
    with pytest.raises(ParameterError, match="a page about one patient rests on one person"):
        parameters.checked(page, {**asked, "audience": audience})


@pytest.mark.parametrize("audience", ["shared", "public"])
def test_a_formula_of_ones_own_is_fitted_for_the_clinic_alone(audience):
    """`yield_pct ~ zone + surgeon_id`: the coefficient gave back the mean of a surgeon with two patients."""
    page, asked = "08_own_question", {"formula": "yield_pct ~ zone + surgeon_id"}
    assert parameters.checked(page, {**asked, "audience": "internal"})["formula"]
    with pytest.raises(ParameterError, match="can single out few patients"):
        parameters.checked(page, {**asked, "audience": audience})


def test_a_page_that_reads_another_folder_takes_it_in_the_place_of_records(tmp_path, monkeypatch):
    """`regrowth report 07 FOLDER`, and a path as seen from where the command was given."""
    pool = tmp_path / "pool"
    pool.mkdir()
    (pool / "one.json").write_text("{}")
    monkeypatch.chdir(tmp_path)
    run = render.check("07", "pool")
    assert run["folders"] == {"answers": str(pool)}
    assert run["parameters"]["answers"] == "pool"
    assert render.check("07", "", as_text=True, answers="pool")["folders"] == run["folders"]
    with pytest.raises(ParameterError, match="answers: there is no such folder"):
        render.check("07", "elsewhere")


def test_a_planner_without_a_patient_or_a_draft_refuses_at_once_and_lists_what_to_give():
    with pytest.raises(ParameterError) as refused:
        parameters.checked("05", {})
    said = str(refused.value).splitlines()
    assert [line.partition(" (")[0] for line in said] == [
        "05_session_plan needs the setting patient",
        "05_session_plan needs the setting draft_a",
    ]
    assert all("--set" in line for line in said)
    assert parameters.checked("05", parameters.DEMO["05_session_plan"])["patient"]


def test_a_plain_notebook_with_parameters_is_rendered_as_it_is_and_for_the_clinic_alone(tmp_path):
    place = records_small.save(records_small.small(), tmp_path / "register")
    cells = [
        new_markdown_cell("# Mine"),
        new_code_cell('data: str = "x"  # folder\naudience: str = "internal"  # who reads it'),
        new_code_cell(
            "import analytics\nfrom matplotlib import pyplot as plt\n"
            "plt.plot([1, 2]);\nanalytics.records.load(data)"
        ),
    ]
    cells[1].metadata["tags"] = ["parameters"]
    path = tmp_path / "mine.ipynb"
    nbformat.write(new_notebook(cells=cells), path)
    report = render.page(str(path), place, tmp_path / "out", formats=("html", "ipynb"))
    page = (tmp_path / "out" / "mine" / "mine.html").read_text(encoding="utf-8")
    assert report.name == "mine"
    assert "3 patients" in page
    assert "data:image/png" in page
    assert not [f for f in report.folder.rglob("*") if f.is_file() and str(place) in f.read_text("utf-8")]
    with pytest.raises(ParameterError, match="protected by nothing"):
        render.page(str(path), place, tmp_path / "out", audience="public")
