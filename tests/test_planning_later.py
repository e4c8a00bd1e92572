"""Two sessions over a life: sums of what stands and what is planted, and a donor that is not spent twice.

Outside: the same outlook summed by hand, the donor's ledger, and the draft's own prediction.
"""

import numpy as np
import pytest

from analytics import planning
from analytics.errors import ParameterError
from analytics.planning import later

PATIENT = "0006"
PLAN = "frontal 700 on 45, crown 300 on 90"


def _two(demo, plateaus, *drafts, **given):
    plans = planning.read_drafts(drafts or [PLAN])
    told = planning.two_sessions(demo, PATIENT, plans, plateaus=plateaus, **given).table()
    return told.set_index(["draft", "zone", "term"]).sort_index()


def test_two_sessions_are_what_stands_by_then_and_what_both_planted(demo, plateaus):
    second = planning.read_drafts(["crown 200 on 90 at 2.0"])
    told = _two(demo, plateaus, later=second, years=8)
    now = planning.outlook(demo, PATIENT, ("frontal", "crown"), plateaus=plateaus)
    then = planning.outlook(
        demo, PATIENT, ("frontal", "crown"), plateaus=plateaus, session_month=now.session_month + 96
    )
    for zone, first, more in (("frontal", 700 / 45, 0.0), ("crown", 300 / 90, 200 * 2.0 / 90)):
        planted = first * now.zones[zone].hairs_per_graft
        of, ahead = told.loc[("A", zone)]["estimate"], then.zones[zone]
        mature = ahead.at(ahead.maturity)
        grows = float(ahead.weights @ ahead.yields[mature]) / 100
        assert of[later.BEFORE] == pytest.approx(ahead.standing[0] + planted * grows)
        assert of[later.BOTH] == pytest.approx(ahead.standing[mature] + (planted + more) * grows)
        # Native hair thins on, planted hair stays.
        assert of[later.FIRST] > of[later.BEFORE] > planted * grows
    # The first session alone is what its draft says.
    alone = planning.drafts(
        demo,
        PATIENT,
        planning.read_drafts([PLAN]),
        plateaus=plateaus,
        aims=planning.read_aims("crown 90 to 110"),
    ).table()
    expected = alone.loc[alone["term"].eq("expected density"), "estimate"].iloc[0]
    assert told.loc[("A", "crown", later.FIRST), "estimate"] == pytest.approx(expected)


def test_the_donor_is_not_spent_twice(demo, plateaus):
    holds = planning.donor(demo, PATIENT)
    told = _two(demo, plateaus, "crown 1000 on 90", "crown 200 on 90", "crown 2500 on 90")
    for name, first in (("A", 1000), ("B", 200)):
        more, left = (told.loc[(name, "donor", term), "estimate"] for term in (later.PLANTS, later.LEAVES))
        assert left == pytest.approx(holds.left - (first + more) * holds.per_graft)
        # The same split again, as far as the donor goes.
        assert more == first or 0 <= left < 2 * holds.per_graft
    assert told.loc[("C", "donor", later.PLANTS), "estimate"] == 0
    assert told.loc[("C", "donor", later.LEAVES), "flag"] == "more than the safe share leaves"


def test_what_cannot_be_predicted_says_why_and_years_out_of_range_are_refused(demo, plateaus):
    told = _two(demo, plateaus, "crown 3000 on 40", "crown 100 on 90")
    dense = told.loc[("A", "crown")]
    assert np.isnan(dense["estimate"]).all()
    assert dense["flag"].str.startswith("denser than this practice has followed").all()
    assert told.loc[("B", "crown", later.BOTH), "estimate"] > 0
    with pytest.raises(ParameterError, match=r"years.*expected 1 to 40 years"):
        _two(demo, plateaus, years=0)
