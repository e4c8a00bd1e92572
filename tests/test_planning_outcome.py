"""What became of the donor area: three patients worked out by hand."""

import numpy as np
import pytest
import registers

from analytics import planning
from analytics.errors import ParameterError
from analytics.pages import case

DONOR = {"zone": "donor", "region_id": "donor", "region_kind": "donor"}
# 100 cm2 of 80 FU hold 8,000. D1, FUE: 2,000 and 1,200 attempts, 25 and 40 % of them; 160 hairs/cm2 fall to
# 120 and 96, which is 25 and 40 %. D2, a strip of 1,600: 20 %; 150 to 147 is 2 %. D3, measured before its
# second session, when 1,000 of 9,000 had gone: 11.1 %; 140 to 119 is 15 %.
SESSIONS = {"D1": ("FUE", (2000, 1200)), "D2": ("FUT", (1600,)), "D3": ("FUE", (1000, 500))}
COUNTS = [
    ("D1", 1, 0.0, 160.0, {}), ("D1", 1, 12.0, 120.0, {}),
    ("D1", 2, 0.0, 120.0, {}), ("D1", 2, 12.0, 96.0, {}),
    ("D1", 2, 13.0, 60.0, {"standard_conditions": False, "condition_reason": "light"}),
    ("D1", 2, 14.0, 90.0, {"hair_length": "shaved"}),
    ("D2", 1, 0.0, 150.0, {"hair_calibre_um": 70, "calibre_method": "optical"}),
    ("D2", 1, 12.0, 147.0, {"hair_calibre_um": 67, "calibre_method": "optical"}),
    ("D3", 1, 0.0, 140.0, {"hair_calibre_um": 70, "calibre_method": "optical"}),
    ("D3", 1, 12.0, 119.0, {"hair_calibre_um": 50, "calibre_method": "caliper"}),
]  # fmt: skip


def _register(folder, counts=COUNTS):
    sessions, placements = [], []
    for code, (method, spent) in SESSIONS.items():
        for number, fu in enumerate(spent, start=1):
            taken = {
                "attempts": fu if method == "FUE" else None,
                "grafts_out": fu if method == "FUT" else fu - 50,
            }
            own = {"register_month": 12 * number, "session_number": number, "method": method, **taken}
            sessions.append(registers.session(f"{code}-{number}", code, grafts_transected=0, **own))
            planted = {"grafts_2": own["grafts_out"], "area_cm2": 60.0}
            placements.append(registers.placement(f"{code}-{number}", **planted))
    area = {"donor_area_cm2": 100, "donor_fu_cm2": 80}
    first = {"D3": {"donor_measured_before_session": 2}}
    return registers.load(
        folder,
        patients=[registers.patient(code, **area, **first.get(code, {})) for code in SESSIONS],
        sessions=sessions,
        placements=placements,
        measurements=[
            registers.count(code, f"{code}-{number}", month, density, **DONOR, **more)
            for code, number, month, density, more in counts
        ],
    )


def test_each_donor_count_stands_beside_what_was_taken_before_it(tmp_path):
    found = planning.donor_outcome(_register(tmp_path), "D1").extra["counts"]
    assert list(found["taken_fu"]) == [0, 2000, 2000, 3200, 3200, 3200]
    np.testing.assert_allclose(found["taken_pct"], [0, 25, 25, 40, 40, 0])
    np.testing.assert_allclose(
        found["fall_pct"], [0, 25, 25, 40, np.nan, 0], err_msg="poor light; a first of its own"
    )


def test_a_strip_spends_its_grafts_and_what_went_before_the_measurement_is_supply(tmp_path):
    known = _register(tmp_path)
    for code, by_hand in {"D1": (40.0, 40.0), "D2": (2.0, 20.0), "D3": (15.0, 100 / 9)}.items():
        counted = [row for row in COUNTS if row[0] == code][:4]
        found = planning.donor_outcome(_register(tmp_path / code, counted), code)
        np.testing.assert_allclose(found.table()["estimate"], by_hand)
    shown = case.donor_table(planning.donor_outcome(known, "D3")).iloc[1]
    assert (shown["calibre"], shown["taken"]) == ("50 (caliper)", "1,000 (11\u202f%)")


def test_a_patient_without_donor_counts_has_none_and_an_unknown_one_is_refused(tmp_path):
    known = _register(tmp_path, COUNTS[:1])
    assert case.donor_table(planning.donor_outcome(known, "D2")).empty
    with pytest.raises(ParameterError, match="patient"):
        planning.donor_outcome(known, "D9")
