"""The attack by subtraction on what the demo's pages show each audience: nothing withheld is found.

The attacker holds every table and every figure's numbers of a page, then of all pages together, and is told
more than a reader could know (`bench/subtraction_attack.py`). Other registers, and rendered pages, are
attacked by that script.
"""

import numpy as np
import pandas as pd
import pytest
from bench import subtraction_attack as attacker
from conftest import ROOT

from analytics import disclosure, pages, records, review
from analytics.pages import audit
from analytics.pages.content import collect
from analytics.pages.page import Page

PAGES = ("01_surgeon_audit", "02_quarterly_review", "03_hypothesis_study")


def _pages(shown_page, audience):
    return {page: attacker.page_of(shown_page(page)[audience].content) for page in PAGES}


@pytest.mark.parametrize("audience", ["shared", "public"])
def test_nothing_withheld_is_found_on_a_page(audience, shown_page):
    truth, shown = _pages(shown_page, "internal"), _pages(shown_page, audience)
    for page in PAGES:
        done = attacker.attack(truth[page], shown[page], disclosure.rule(audience))
        assert done["algebra"][0] > 0, "nothing withheld: the attack would prove nothing"
        assert [find for _, finds in done.values() for find in finds] == []


@pytest.mark.parametrize("audience", ["shared", "public"])
def test_nothing_withheld_is_found_from_all_pages_together(audience, shown_page):
    truth = attacker.together(list(_pages(shown_page, "internal").items()))
    shown = attacker.together(list(_pages(shown_page, audience).items()))
    tries, finds = attacker.attack_by_algebra(truth, shown, disclosure.rule(audience))
    assert tries > 0
    assert finds == []


def _audit(shown_page, audience):
    shown = shown_page("01_surgeon_audit")[audience].results
    return Page("01_surgeon_audit", {"audience": audience}, None, "", shown)


def test_the_reports_of_every_surgeon_hold_no_more_than_the_one_of_all(shown_page):
    """All rows less the rows in the others' reports would be the withheld surgeon's; so two are withheld.

    The rows of all are the sum over zones, which every report prints; each reading has one surgeon.
    """
    asked, every = shown_page("01_surgeon_audit")["internal"].results, _audit(shown_page, "shared")
    truth = asked["own"].table()
    assert truth["n_rows"].sum() == asked["counted"].table()["n_rows"].sum()
    batch = [audit.of_surgeon(every, code).results["own"].table() for code in truth["surgeon_id"]]
    assert [len(one) for one in batch] == [1] * len(truth)
    together = pd.concat(batch, ignore_index=True)
    pd.testing.assert_frame_equal(together, every.results["own"].table().reset_index(drop=True))
    gone = together["n_rows"].isna()
    assert gone.sum() >= 2
    assert truth.loc[gone, "n_patients"].sum() >= disclosure.rule("shared").threshold


@pytest.mark.parametrize("audience", ["shared", "public"])
def test_a_surgeon_whose_number_is_withheld_keeps_the_answer_of_the_page(audience, shown_page):
    every = _audit(shown_page, audience)
    without = pages.sentences.crown_against_front(every, "")
    for code in shown_page("01_surgeon_audit")["internal"].results["own"].table()["surgeon_id"]:
        said = pages.sentences.crown_against_front(audit.of_surgeon(every, code), code)
        said = disclosure.protect_text(said, audience)
        assert said.startswith(disclosure.protect_text(without, audience))
        assert code in said


@pytest.fixture(scope="module")
def reviews_of_sixty(demo):
    """Return what two complete quarters' reviews of a clinic of sixty print of shares, for each audience."""
    sixty = records.subset(demo, demo.patients["patient_id"].iloc[:60].tolist())
    criteria = review.read(ROOT / "data_demo" / "criteria.toml")
    shares = criteria.model_copy(update={"criterion": tuple(c for c in criteria.criterion if c.id in SHARES)})
    made = {audience: {} for audience in disclosure.AUDIENCES}
    for quarter in (8, 9):
        asked = {
            "indicators": review.indicators(sixty, shares, quarter=quarter),
            "all_charts": review.run_charts(sixty, criteria, quarter=quarter, only=SHARES[:2]),
        }
        for audience, pages_of in made.items():
            shown = disclosure.protect_all(asked, audience)
            pages_of[quarter] = attacker.page_of(collect("02_quarterly_review", audience, shown, [], {}))
    return made


SHARES = ("transection", "photographs", "missing", "folliculitis")


@pytest.mark.parametrize("audience", ["shared", "public"])
def test_a_clinic_of_sixty_may_release_each_complete_quarter(audience, reviews_of_sixty):
    """Two quarters give back no withheld count of a month, a quarter or a year; and numbers are left."""
    truth, shown = reviews_of_sixty["internal"], reviews_of_sixty[audience]
    tries, finds = attacker.attack_by_quarters(truth, shown, disclosure.rule(audience))
    assert tries > 30
    assert finds == []
    for page in shown.values():
        assert page.tables["indicators", "table"]["denominator"].astype(float).notna().sum() >= 4


@pytest.mark.parametrize("audience", ["shared", "public"])
def test_the_months_of_a_chart_give_back_no_month_of_their_quarter(audience, shown_page):
    """Before the months of a quarter were withheld together, seven counts of sessions came back."""
    truth, shown = ({12: _pages(shown_page, who)["02_quarterly_review"]} for who in ("internal", audience))
    tries, finds = attacker.attack_by_quarters(truth, shown, disclosure.rule(audience))
    assert tries > 100
    assert finds == []


def test_what_is_for_the_clinic_alone_is_found_at_once(shown_page):
    """The same attack on what is not protected, or it proves nothing."""
    page = _pages(shown_page, "internal")["02_quarterly_review"]
    done = attacker.attack(page, page, disclosure.rule("public"))
    assert len(done["limits"][1]) > 0
    assert len(done["lengths"][1]) > 0


def test_every_percentage_that_gives_a_whole_number_of_persons_is_declared(shown_page):
    """Percentages that are all whole numbers of the row's count look like shares: they are declared."""
    undeclared = set()
    for page in PAGES:
        for name, result in shown_page(page)["internal"].results.items():
            for frame in (result.estimates, getattr(result, "path", result.estimates)):
                undeclared |= {(page, name, term) for term in _looks_like_shares(frame)}
    assert undeclared == set()


def _looks_like_shares(frame: pd.DataFrame) -> list[str]:
    """Return the terms not declared whose percentages are all whole numbers of n_patients, or of n_rows."""
    if not {"term", "estimate", "unit", "n_patients", "n_rows"} <= set(frame):
        return []
    basis = frame["basis"].fillna("") if "basis" in frame else ""
    percent = frame.assign(basis=basis)[frame["unit"].astype(str).str.startswith("%")]
    percent = percent[percent["estimate"].between(0, 100, inclusive="neither") & percent["basis"].eq("")]
    found = []
    for term, rows in percent.groupby("term"):
        counts = [rows["estimate"] * rows[n] / 100 for n in ("n_patients", "n_rows")]
        if len(rows) > 1 and any(np.isclose(k, k.round(), atol=1e-6).all() for k in counts):
            found.append(str(term))
    return found
