"""Pages made from the invented clinic say so, from whatever file; a clinic's own register is never called so.

Expectations follow from the rule alone: most sessions agree in five numbers with `data_demo/sessions.csv`.
"""

from dataclasses import replace

import pandas as pd
import pytest
from conftest import ROOT

from analytics import records, reports

TABLES = ("patients", "sessions", "placements", "measurements")
FEW = 12


@pytest.fixture(scope="module")
def saved_again(tmp_path_factory):
    """Return twelve patients of the demo, read from a workbook, in another order, with other codes."""
    path = tmp_path_factory.mktemp("saved") / "again.xlsx"
    tables = {t: pd.read_csv(ROOT / "data_demo" / f"{t}.csv", dtype=str) for t in TABLES}
    people = tables["patients"]["patient_id"].head(FEW)
    tables["placements"]["patient_id"] = tables["placements"]["session_id"].str.partition("-")[0]
    with pd.ExcelWriter(path) as book:
        for name, table in tables.items():
            own = table[table["patient_id"].isin(people)].iloc[::-1]
            own = own.drop(columns="patient_id" if name == "placements" else [])
            for column in own.columns.intersection(["patient_id", "session_id"]):
                own = own.assign(**{column: "X" + own[column]})
            own.to_excel(book, sheet_name=name, index=False)
    return records.load(path)


def test_a_copy_of_the_invented_clinic_is_known_by_its_content(demo, saved_again):
    assert reports.is_invented(demo)
    assert len(saved_again.patients) == FEW
    assert reports.is_invented(saved_again)


def test_a_few_changed_rows_do_not_make_it_real_and_many_do(demo):
    few, many = demo.sessions.copy(), demo.sessions.copy()
    few.loc[few.index[:FEW], "grafts_out"] += 1
    many.loc[many.index[: len(many) // 2 + 1], "grafts_out"] += 1
    assert reports.is_invented(replace(demo, sessions=few))
    assert not reports.is_invented(replace(demo, sessions=many))


def test_a_clinics_own_register_is_never_called_invented(demo):
    own = records.load(ROOT / "tests" / "data" / "register_a")
    assert not reports.is_invented(own)
    assert not reports.is_invented(replace(own, sessions=own.sessions.iloc[:0]))
    unknown = demo.sessions.assign(grafts_discarded=float("nan"))
    assert not reports.is_invented(replace(demo, sessions=unknown))
