"""The dictionary: complete, inside its published limits, and the same on its page and in its Table Schema."""

import json
from pathlib import Path

import pytest

from analytics import dictionary
from analytics.dictionary import TABLES
from analytics.records import dictionary_page

ROOT = Path(__file__).parents[1]

# Data Package Standard v2 (2024), Table Schema: the field types, constraints and descriptor names used here.
FIELD_TYPES = {"string", "number", "integer", "boolean"}
CONSTRAINTS = {"required", "unique", "minimum", "maximum", "enum", "pattern", "minLength", "maxLength"}
SCHEMA_NAMES = {"$schema", "fields", "fieldsMatch", "missingValues", "primaryKey", "foreignKeys"}

# Published values that may neither be refused nor called unusual. Each: column, value, source.
MUST_PASS = [
    # Guo et al. 2017, Plast Aesthet Res 4:150-4: 143.33 (28.08) hairs/cm2, 74.36 (13.33) FU/cm2.
    ("patients.donor_hairs_cm2", 143.33),
    ("patients.donor_fu_cm2", 74.36),
    ("patients.donor_fu_cm2", 74.36 - 2 * 13.33),
    # Birnbaum et al. 2018, Skin Appendage Disord 4:304-7: 230 (33) hairs/cm2 at the densest site.
    ("patients.donor_hairs_cm2", 230.0),
    # Jeong et al. 2011, Skin Res Technol 17:63-8: occipital calibre 85.9 (18.9) micrometres.
    ("patients.hair_calibre_um", 85.9),
    ("patients.hair_calibre_um", 85.9 - 2 * 18.9),
    # Arch Aesthetic Plast Surg, caliper and phototrichogram on the same hairs: 76.90 and 108.78.
    ("measurements.hair_calibre_um", 76.90),
    ("measurements.hair_calibre_um", 108.78),
    # Kayiran 2017, Clin Surg 2:1287: mean 2,973 grafts; Georgian Med News 2005;(122): from 350.
    ("sessions.grafts_out", 2973.0),
    ("sessions.grafts_out", 350.0),
    # Dermatol Surg 1999;25:705-7: grafts held at 1 and 26 degrees.
    ("sessions.holding_temperature_c", 1.0),
    ("sessions.holding_temperature_c", 26.0),
    # Kaufman et al. 2008, Eur J Dermatol 18:407-11: 1-inch circle, 5.07 cm2.
    ("measurements.roi_area_cm2", 5.07),
    # Rushton 1989: hair from 40 micrometres on was counted.
    ("measurements.thinnest_counted_um", 40.0),
    # Er et al. 2006, Dermatol Surg: boxes of 1 cm2.
    ("measurements.roi_area_cm2", 1.0),
]
# Single published values beyond what is usual that still may not stop a load.
MUST_LOAD = [
    # Georgian Med News 2005;(122):7-10: the largest session of 100, 4,516 grafts.
    ("sessions.grafts_out", 4516.0),
    # Limmer 1996 (from memory): grafts planted after 48 hours.
    ("sessions.out_of_body_min", 48 * 60.0),
    # Carman & Rassman 2024, Facial Plast Surg 40:195-204: a quarter of about 500 cm2 of scalp is donor.
    ("patients.donor_area_cm2", 125.0),
    # Umar 2016, Aesthet Surg J 36:1101-10: about 6,000 grafts over a life.
    ("patients.grafts_elsewhere", 6000.0),
]
# Columns of the design, section "What goes in", by table; * optional, + added at load.
DESIGNED = {
    "patients": "patient_id sex age_years loss_scale* loss_class hair_calibre_um calibre_method curl "
    "contrast smoker diabetes scarring donor_area_cm2 donor_fu_cm2 donor_hairs_cm2 "
    "donor_measured_before_session* grafts_elsewhere* therapy_asked*",
    "sessions": "session_id patient_id register_month patient_month* session_number method surgeon_id "
    "team_id harvested_by* donor_source* attempts grafts_out grafts_transected grafts_discarded "
    "follicles_whole* follicles_partly_cut* follicles_cut_through* "
    "holding_medium holding_temperature_c out_of_body_min",
    "placements": "placement_id session_id zone site* area_cm2 grafts_1* grafts_2* grafts_3* grafts_4* "
    "grafts* hairs* roi_planted_hairs_cm2 recipient* method* holding_medium* out_of_body_min* planted_by* "
    "patient_id+",
    "measurements": "patient_id zone region_id* region_kind* session_id month count_number* "
    "density_hairs_cm2 density_fu_cm2* hair_calibre_um* calibre_method* roi_area_cm2 n_fields roi_marked "
    "reader_id device_class hair_length thinnest_counted_um* standard_conditions condition_reason "
    "room*",
    "visits": "patient_id session_id month mode photographs_standard complications_asked withdrawn",
    "therapies": "patient_id kind start_register_month stop_register_month",
    "events": "session_id kind month severity temporary resolved_month",
    "ratings": "session_id month satisfaction_0_10 would_choose_again",
    "grades": "session_id zone month reader_id scale value scale_worst scale_best blinded",
    "photographs": "session_id month zone view file standard consent",
}


def _column(where):
    table, _, name = where.partition(".")
    return TABLES[table].column(name)


def _all_columns():
    return [(t, c) for t in TABLES.values() for c in t.columns]


@pytest.mark.parametrize("table", DESIGNED)
def test_every_designed_column_is_there_optional_and_derived_as_designed(table):
    for word in DESIGNED[table].split():
        column = TABLES[table].column(word.rstrip("*+"))
        assert column.optional == word.endswith("*"), word
        assert column.derived == word.endswith("+"), word


def test_four_tables_are_required_and_the_others_optional():
    required = [name for name, table in TABLES.items() if not table.optional]
    assert required == ["patients", "sessions", "placements", "measurements"]
    assert all(t.absent for t in TABLES.values() if t.optional)


@pytest.mark.parametrize(("where", "value"), MUST_PASS)
def test_a_published_value_is_neither_refused_nor_called_unusual(where, value):
    column = _column(where)
    assert column.low <= value <= column.high
    assert column.soft_low is None or column.soft_low <= value
    assert column.soft_high is None or value <= column.soft_high


@pytest.mark.parametrize(("where", "value"), MUST_LOAD)
def test_a_rare_published_value_does_not_stop_a_load(where, value):
    column = _column(where)
    assert column.low <= value <= column.high


def test_usual_limits_lie_inside_hard_limits():
    for table, column in _all_columns():
        for soft in (column.soft_low, column.soft_high):
            if soft is not None:
                assert column.low <= soft <= column.high, f"{table.name}.{column.name}"


def test_every_limit_says_where_it_comes_from():
    for table, column in _all_columns():
        assert column.basis in ("published", "assumed", "definition"), f"{table.name}.{column.name}"
        assert column.source or column.basis != "published", f"{table.name}.{column.name}"


def test_every_column_has_a_meaning_and_every_quantity_its_unit():
    no_unit = {"donor_measured_before_session", "session_number", "count_number"}
    for table, column in _all_columns():
        assert column.meaning, f"{table.name}.{column.name}"
        if column.kind in ("number", "integer") and column.name not in no_unit:
            assert column.unit, f"{table.name}.{column.name}"
        assert bool(column.allowed) == (column.kind == "choice")


def test_the_front_is_hairline_and_frontal_and_the_crown_matures_last():
    assert dictionary.FRONT == ("hairline", "frontal")
    assert set(dictionary.MATURITY_MONTH) == set(dictionary.ZONES)
    assert dictionary.MATURITY_MONTH["crown"] == 18
    assert dictionary.MATURITY_MONTH["midscalp"] == 15
    assert {dictionary.MATURITY_MONTH[z] for z in (*dictionary.FRONT, "temples")} == {12}


def test_keys_and_references_name_columns_that_exist():
    for table in TABLES.values():
        assert set(table.key) <= set(table.names())
        for column in table.columns:
            if column.refers_to:
                target, name = column.refers_to.split(".")
                assert TABLES[target].column(name).required


def test_the_table_schema_uses_names_of_the_standard_only():
    for resource in json.loads(dictionary.schema_text())["resources"]:
        assert set(resource["schema"]) <= SCHEMA_NAMES
        for field in resource["schema"]["fields"]:
            assert field["type"] in FIELD_TYPES
            assert set(field.get("constraints", {})) <= CONSTRAINTS
        for key in resource["schema"].get("foreignKeys", []):
            assert set(key) == {"fields", "reference"}
            assert set(key["reference"]) == {"resource", "fields"}


def test_the_committed_table_schema_is_up_to_date():
    written = dictionary.SCHEMA_FILE.read_text(encoding="utf-8")
    assert written == dictionary.schema_text(), "run records.write_pages('data_demo/README.md')"


def test_the_dictionary_page_is_up_to_date():
    page = (ROOT / "data_demo" / "README.md").read_text(encoding="utf-8")
    assert dictionary_page.PAGE_BEGIN in page
    assert dictionary_page.with_dictionary(page) == page, "run records.write_pages('data_demo/README.md')"


def test_a_page_without_marks_stays_as_it_is():
    assert dictionary_page.with_dictionary("# Another page\n") == "# Another page\n"
