"""No wrong number without a word, from a clinic's own sheet.

A clean sheet of a known register (`messy/clinic.py`), kept in one habit or two (`messy/habits.py`), is
mapped as
the README says and the score of its counts is taken (`messy/score.py`): placed right, asked, set aside with a
reason, wrong with a word, wrong without one. The whole score is printed by `bench/mapping_score.py`.
"""

import json
import re
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from bench import turned_dates
from messy.habits import HABITS, fits_together
from messy.score import answered, drafted, score
from messy.writing import write

from analytics import mapping, records
from analytics.__main__ import main
from analytics.app.plausible import implausible
from analytics.errors import AnalyticsError, ParameterError
from analytics.identifiers import new_key
from analytics.mapping import plan as mapping_plan

# What happened to a clean sheet with one change, said by nobody (all counts, as seen by an attacker):
# each must now be placed right, asked, or stop.
ONE_CHANGE = {
    "subtotals every 15 rows": "right",
    "starred codes": "right",
    "weight before": "right",
    "blood before": "right",
    "survival at a visit": "right",
    "FU beside hairs": "right",
    "FU before hairs": "right",
    "codes text and number": "right",
    "one code two ways": "right",
    "visit dates a year off": "asked",
    "day and month swapped in half": "asked",
    "errors of formulas": "aside",
    "formulas never calculated": "aside",
    "a column twice": "right",
    "area in mm2, unsaid": "said",
    "sizes swapped": "said",
    "columns headed by a zone alone": "right",
    "attribute and value": "right",
    "one tab a patient": "right",
    "log repeats the planting": "right",
    "units below": "right",
    "groups merged": "right",
    "about 45": "right",
    "45-50": "right",
    "Turkish": "right",
    "Spanish": "right",
    "Portuguese": "right",
    "German": "right",
    "Korean": "right",
    "grafts without sizes": "right",
    "JSON lines": "right",
}


@pytest.mark.parametrize(("habit", "becomes"), ONE_CHANGE.items())
def test_one_habit_changes_no_number_without_a_word(habit, becomes, tmp_path):
    found = score(tmp_path, habit, n_patients=12)
    assert found.wrong == 0
    if becomes == "right":
        assert found.right == 1, found.said
    elif becomes == "asked":
        assert found.asked == 1
    elif becomes == "aside":
        assert 0.8 < found.right < 1
        assert found.right + found.aside == 1
    else:
        assert found.wrong_said == 1


PAIRS = [
    ("subtotals every 15 rows", "weight before"), ("one tab a patient", "days with dots"),
    ("attribute and value", "units in brackets"), ("Korean", "semicolons, decimal commas"),
    ("codes merged", "groups merged"), ("title above", "units below"), ("starred codes", "45-50"),
    ("visit dates a year off", "French"), ("log repeats the planting", "starred counts"),
    ("day and month swapped in half", "counts on their own sheet"),
]  # fmt: skip


@pytest.mark.parametrize("pair", PAIRS)
def test_two_habits_change_no_number_without_a_word(pair, tmp_path):
    assert fits_together(*pair)
    assert score(tmp_path, *pair, n_patients=12).wrong == 0


def test_dates_turned_in_half_of_a_list_stop_where_no_heading_says_a_month(tmp_path):
    """Another draw than the pair above, in which chance alone could not have done it."""
    turned = ("day and month swapped in half", "counts on their own sheet")
    found = score(tmp_path, *turned, n_patients=12, seed=2)
    assert found.asked == 1
    assert "5 visits lie at months at which hardly any other does" in found.said


@pytest.mark.parametrize("kind", sorted(turned_dates.SPREAD))
def test_turned_dates_among_sixty_patients_stop_and_sound_ones_are_read(kind):
    """Drawn lists without a month in their headings; most sound ones without a word, too."""
    rng = np.random.default_rng(3)
    sound = [turned_dates.held(rng, 60, kind, 0.0) for _ in range(5)]
    assert not any(out.problems for out in sound)
    assert sum(bool(out.notes) for out in sound) <= 2
    assert all(turned_dates.held(rng, 60, kind, 0.5).problems for _ in range(2))


def test_there_are_sixty_habits_and_more():
    assert len(HABITS) >= 60


def _made(tmp_path: Path, *names: str, n_patients: int = 12) -> tuple[Path, Path]:
    """Return a sheet of habits and its mapping file, answered."""
    one = drafted(*names, n_patients=n_patients)
    source = write(one, tmp_path / "in")
    plan = tmp_path / "m.toml"
    plan.write_text(answered(mapping.propose(source), one.answers), encoding="utf-8")
    return source, plan


def test_deidentify_prints_and_stores_the_balance_of_every_cell(tmp_path, capsys):
    """The README's own path: what was set aside is said and kept, with its reason."""
    source, plan = _made(tmp_path, "subtotals every 15 rows")
    (tmp_path / "safe").mkdir()
    new_key(tmp_path / "safe" / "key")
    out = tmp_path / "out"
    code = main(["deidentify", str(source), str(out), "--key-file", str(tmp_path / "safe" / "key"),
                 "--mapping", str(plan)])  # fmt: skip
    said = capsys.readouterr().out
    assert code == 0
    stored = (tmp_path / "out-balance.txt").read_text(encoding="utf-8")
    assert stored.rstrip() in said
    assert "a total or a remark between rows" in stored
    n = {k: int(v) for v, k in re.findall(r"^ +(\d+)  (\S.*)$", stored, re.MULTILINE)}
    read = int(re.match(r"(\d+) cells read", stored).group(1))
    assert read == n["heading"] + n["placed"] + n["set aside"]


def test_a_balance_that_does_not_add_up_stops_deidentify(tmp_path, monkeypatch):
    source, plan = _made(tmp_path, "workbook")
    (tmp_path / "safe").mkdir()
    new_key(tmp_path / "safe" / "key")
    monkeypatch.setattr(sys.modules["analytics.mapping.apply"], "_set_aside_rest", lambda *a: None)
    text = plan.read_text(encoding="utf-8")
    start = text.index('  letter = "F"') - len("  [[table.column]]\n")
    end = text.index("  [[table.column]]", start + 5)
    plan.write_text(text[:start] + text[end:], encoding="utf-8")
    with pytest.raises(AnalyticsError, match="does not add up"):
        mapping.deidentify.deidentify(source, tmp_path / "out", tmp_path / "safe" / "key", plan=plan)
    assert not (tmp_path / "out").exists()


def test_rows_that_a_mapping_forgets_stop_it(tmp_path):
    """A last row ten too early: ten rows of people, not ten rows set aside."""
    source, plan = _made(tmp_path, "workbook")
    text = plan.read_text(encoding="utf-8")
    last = int(re.search(r"last_row = (\d+)", text).group(1))
    plan.write_text(text.replace(f"last_row = {last}", f"last_row = {last - 10}"), encoding="utf-8")
    with pytest.raises(AnalyticsError, match=rf"10 rows below their table .* first at row {last - 9}"):
        mapping.mapped(source, plan)


def test_two_columns_for_one_target_are_refused_by_name(tmp_path):
    _, plan = _made(tmp_path, "workbook")
    text = plan.read_text(encoding="utf-8").replace('"placements.grafts_4"', '"placements.grafts_3"')
    plan.write_text(text, encoding="utf-8")
    with pytest.raises(ParameterError, match="columns I and J: both are placements"):
        mapping_plan.read_plan(plan)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ('{ value = "1,0", because = "it holds for every row of ours" }', "value is a number with a point"),
        ('{ value = true, because = "it holds for every row of ours" }', "value is a number with a point"),
    ],
)
def test_a_constant_of_another_kind_is_refused(wrong, said, tmp_path):
    _, plan = _made(tmp_path, "workbook")
    text = plan.read_text(encoding="utf-8")
    text = re.sub(r'("measurements.roi_area_cm2" = )\{[^}]*\}', lambda m: m.group(1) + wrong, text)
    plan.write_text(text, encoding="utf-8")
    with pytest.raises(ParameterError, match=said):
        mapping_plan.read_plan(plan)


def test_a_width_beyond_any_code_is_refused(tmp_path):
    _, plan = _made(tmp_path, "workbook")
    text = plan.read_text(encoding="utf-8")
    text = text.replace('to = "patients.patient_id"', 'to = "patients.patient_id"\n  width = 1000000000')
    plan.write_text(text, encoding="utf-8")
    with pytest.raises(ParameterError, match="width is how many digits a code has, at most 20"):
        mapping_plan.read_plan(plan)


# A tidy register that is wrong as a whole: every cell in its range


def _tidy(tmp_path: Path, change) -> Path:
    """Return the demo's required tables with one of them changed."""
    demo = Path(__file__).parents[1] / "data_demo"
    text = dict.fromkeys(("patient_id", "session_id", "placement_id"), str)
    out = tmp_path / "tidy"
    out.mkdir()
    for name in ("patients", "sessions", "placements", "measurements"):
        rows = pd.read_csv(demo / f"{name}.csv", dtype=text)
        change(name, rows).to_csv(out / f"{name}.csv", index=False)
    return out


def _crown_per_mm2(name: str, rows: pd.DataFrame) -> pd.DataFrame:
    if name == "measurements":
        rows = rows.drop(columns="density_fu_cm2", errors="ignore")
        rows.loc[rows["zone"].eq("crown"), "density_hairs_cm2"] /= 100
    return rows


def _as_units(name: str, rows: pd.DataFrame) -> pd.DataFrame:
    if name == "measurements":
        rows = rows.drop(columns="density_fu_cm2", errors="ignore")
        rows["density_hairs_cm2"] = (rows["density_hairs_cm2"] / 2).round(1)
    return rows


def _sizes_swapped(name: str, rows: pd.DataFrame) -> pd.DataFrame:
    if name == "placements":
        sizes = [f"grafts_{n}" for n in (1, 2, 3, 4)]
        rows[sizes] = rows[sizes[::-1]].to_numpy()
        rows.loc[rows["grafts_1"].notna(), ["grafts", "hairs"]] = np.nan
    return rows


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (_crown_per_mm2, "mature yields of the zone crown .* counts of this zone are per mm2"),
        (_as_units, "mature yields of the zone frontal .* follicular units were counted and not hairs"),
        (_sizes_swapped, "of grafts have four hairs, .* sizes of grafts stand in each other's columns"),
    ],
)
def test_check_says_what_of_a_register_as_a_whole_is_unlike_what_is_published(change, said, tmp_path, capsys):
    place = _tidy(tmp_path, change)
    assert records.check(place).is_usable
    assert main(["check", str(place)]) == 0
    assert re.search(said, capsys.readouterr().out)


def test_the_demo_and_an_invented_practice_are_plausible_as_a_whole():
    here = Path(__file__).parent
    for place in (here.parent / "data_demo", here / "data" / "register_a"):
        assert implausible(records.load(place)) == []


def test_months_spread_evenly_are_said(tmp_path):
    """Evenly from 1 to 24 months, two thirds lie within a month of months 3, 6, 9, 12, 15, 18, 24."""
    source, plan = _made(tmp_path, "workbook", n_patients=30)
    tables, _ = mapping.mapped(source, plan)
    counts = tables["measurements"]
    after = counts["month"] > 0
    counts.loc[after, "month"] = np.random.default_rng(4).uniform(1, 24, after.sum()).round(1)
    frames = {
        n: rows.astype(object).where(rows.notna(), None).astype(str).replace("None", "")
        for n, rows in tables.items()
    }
    assert any("within a month of a usual visit" in s for s in implausible(records.from_frames(frames)))


def test_the_mapping_file_copies_no_cell_that_may_name_a_person(tmp_path):
    """A telephone number, an address and a sentence in the column of zones are counted, not copied."""
    one = drafted(n_patients=12)
    old, odd = one.column("zone").cell, ["call 030 123456", "x@example.org", "crown of Mister J Roe"]
    people = [p.patient for p in one.plantings]
    one = one.changed(
        "zone", cell=lambda p: odd[people.index(p.patient)] if people.index(p.patient) < 3 else old(p)
    )
    text = mapping.propose(write(one, tmp_path))
    assert not any(cell in text for cell in odd)
    assert "more are like numbers, addresses or sentences" in text
    assert "no patient's data" not in text


def test_json_lines_with_inner_objects_and_without_lists(tmp_path):
    path = tmp_path / "r.jsonl"
    path.write_text(json.dumps({"Chart no": "0001", "op": {"date": "2022-03-01", "method": "FUE"}}) + "\n")
    book = mapping.sources.read(path)
    assert book.sheets[0].cells.tolist()[0] == ["Chart no", "op date", "op method"]
    path.write_text(json.dumps({"Chart no": "0001", "visits": [1, 2]}) + "\n")
    with pytest.raises(AnalyticsError, match="cannot be read as JSON lines"):
        mapping.sources.read(path)
