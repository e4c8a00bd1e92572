"""Forty wrong plans: each refused or flagged before the freeze, all mistakes in one run."""

from dataclasses import replace

import pandas as pd
import pytest
from plans import PLAN, YIELD

from analytics import simulate, study
from analytics.errors import ParameterError
from analytics.study.plan import checked
from analytics.study.rows import places


def analysis(**changes) -> dict:
    return {"analysis": [{**YIELD, **changes}]}


def adjust(*variables: str) -> dict:
    return {"adjust": [{"variable": v, "reason": "r"} for v in variables]}


def people(**changes) -> dict:
    return {"population": {"words": "some", **changes}}


def exposure(**changes) -> dict:
    return {"exposure": {**PLAN["exposure"], **changes}}


def number(variable: str, **form) -> dict:
    return {"exposure": {"variable": variable, "reason": "r", **form}}


NI = {"hypothesis": "non-inferiority", "margin": 5, "better": "higher"}
REFUSED = [
    ("label in lower case", exposure(compared=["fue"]), "exposure.compared: not in the records: fue"),
    ("unknown reference", exposure(reference=["strip"]), "exposure.reference: not in the records: strip"),
    ("both labels wrong", exposure(reference=["a"], compared=["b"]), "exposure.reference: not in"),
    ("cut above all", number("age_years", cut=99), "the group 'compared' holds 0 patients"),
    ("cut below all", number("age_years", cut=1), "the group 'reference' holds 0 patients"),
    ("cut of words", number("method", cut=3), "exposure.cut: method is in words"),
    ("line over words", {**number("zone", per=1), "adjust": []}, "exposure.per: zone is in words"),
    ("number never recorded", number("hair_calibre_um", per=1), "nothing to draw a line through"),
    ("words of a number", exposure(variable="age_years"), "exposure.reference: not in the records: FUT"),
    ("margin on a difference", analysis(margin=3), "margin: a difference has none"),
    ("margin of 95", analysis(**{**NI, "margin": 95}), "margin: over 30; expected in points of yield"),
    ("a percentage as a ratio", analysis(outcome={"kind": "tempo"}, matters=5), "matters: over 2; expected"),
    ("ratio margin of 10",
     analysis(outcome={"kind": "tempo"}, matters=1.1, hypothesis="equivalence", margin=10),
     "margin: over 2"),
    ("eight points of ten", analysis(outcome={"kind": "satisfaction"}, matters=8), "matters: over 4"),
    ("lower yield is better", analysis(**{**NI, "better": "lower"}), "of yield at maturity higher is better"),
    ("more complications are better",
     analysis(outcome={"kind": "complication", "event": "folliculitis"}, **NI),
     "of complication lower is better"),
    ("later is better", analysis(outcome={"kind": "tempo"}, matters=1.1, better="higher"),
     "of tempo lower is better"),
    ("dissatisfaction", analysis(outcome={"kind": "satisfaction"}, matters=1, better="lower"),
     "of satisfaction higher is better"),
    ("adjusted twice", adjust("zone", "zone"), "adjust 2 (zone): declared before"),
    ("collinear with the comparison", adjust("harvest_technique"),
     "adjust (harvest_technique): is determined by"),
    ("collinear with another", adjust("surgeon_id", "team_id"), "adjust (team_id): is determined by"),
    ("never recorded", adjust("holding_medium"), "adjust (holding_medium): is not recorded for any"),
    ("the same everywhere", {**adjust("zone"), **people(zones=["crown"])}, "adjust (zone): is the same"),
    ("more columns than patients", {**adjust("zone", "loss_class", "surgeon_id"), **people(age_from=55)},
     "hold fewer things equal"),
    ("ages exchanged", people(age_from=60, age_to=40), "population.age_from: above age_to"),
    ("nobody so old", people(age_from=119), "no placement of the records lies in it"),
    ("unknown sex", people(sexes=["m"]), "population.sexes: not in the records: m"),
    ("unknown class", people(loss_classes=["XI"]), "population.loss_classes: not in the records: XI"),
    ("unknown surgeon", people(surgeons=["nobody"]), "population.surgeons: not in the records: nobody"),
    ("unknown technique", people(techniques=["z"]), "population.techniques: not in the records: z"),
    ("unknown smoker", people(smokers=["perhaps"]), "population.smokers: not in the records: perhaps"),
    ("no tenth session", people(sessions=[10]), "population.sessions: not in the records: 10"),
    ("sessions against themselves", people(sessions=[2], first_sessions_only=True), "sessions: without"),
    ("method left out that is compared", people(methods=["FUT"]), "the group 'compared' holds 0 patients"),
    ("zone without placements", people(zones=["other"]), "population.zones: not in the records: other"),
    ("zone on an outcome of the session",
     {"adjust": [], **exposure(variable="zone", reference=["frontal"], compared=["crown"]),
      **analysis(outcome={"kind": "satisfaction"}, matters=1)}, "zone belongs to a zone"),
    ("nobody was asked", analysis(outcome={"kind": "complication", "event": "folliculitis"}, matters=5),
     "no visit says that complications were asked about"),
    ("no answers", analysis(outcome={"kind": "would_choose_again"}, matters=5),
     "no patient's answer is recorded"),
    ("no split scalp", analysis(design="split scalp"), "design: 0 patients hold both groups"),
    ("one-sided size without a margin", {"one_sided_alpha": 0.025}, "one_sided_alpha: no analysis is held"),
    ("wrong label in a later analysis",
     {"analysis": [YIELD, {**YIELD, "id": "b", "role": "exploratory",
                                "exposure": {**PLAN["exposure"], "compared": ["Fue"]}}]},
     "analysis 2 (b), exposure.compared: not in the records: Fue"),
]  # fmt: skip


@pytest.fixture(scope="module")
def register():
    """Return 80 patients; team goes with surgeon, harvest technique with method, medium is not recorded."""
    tables, _ = simulate.register(80, seed=11, months=30, entry_months=15)
    read = simulate.as_records(tables)
    sessions = read.sessions.assign(
        team_id=read.sessions["surgeon_id"], harvest_technique=read.sessions["method"]
    )
    placements = read.placements.assign(
        holding_medium=pd.array([pd.NA] * len(read.placements), dtype="string"), method=_method(read)
    )
    patients = read.patients.assign(hair_calibre_um=float("nan"))
    return replace(read, sessions=sessions, placements=placements, patients=patients)


def _method(read):
    return read.placements["session_id"].map(read.sessions.set_index("session_id")["method"]).astype("string")


@pytest.fixture(scope="module")
def silent(register):
    """Return the register in which nobody was asked anything."""
    visits = register.visits.assign(
        complications_asked=pd.array([False] * len(register.visits), dtype="boolean")
    )
    return replace(register, visits=visits, ratings=register.ratings.iloc[:0])


def test_the_plan_they_all_start_from_is_refused_nothing(register):
    assert study.lint(checked(PLAN), register).refused == ()


@pytest.mark.parametrize(("changes", "said"), [p[1:] for p in REFUSED], ids=[p[0] for p in REFUSED])
def test_a_wrong_plan_is_refused_with_the_mistake_named(register, silent, changes, said):
    read = silent if "asked" in said or "answer is recorded" in said else register
    found = study.lint(checked({**PLAN, **changes}), read)
    assert any(said in sentence for sentence in found.refused), found


def test_every_mistake_is_named_at_once_and_nothing_is_frozen(register, tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text(
        'title = "t"\nquestion = "q?"\nseed = 1\n[population]\nwords = "w"\nsexes = ["x"]\n'
        '[exposure]\nvariable = "method"\nreference = ["FUT"]\ncompared = ["fue"]\nreason = "r"\n'
        '[[adjust]]\nvariable = "zone"\nreason = "r"\n[[adjust]]\nvariable = "zone"\nreason = "r"\n'
        '[[analysis]]\nid = "a"\nrole = "primary"\nmatters = 5\nmargin = 95\n'
        'outcome = { kind = "yield_at_maturity" }\n'
    )
    with pytest.raises(ParameterError) as told:
        study.freeze(plan, register)
    lines = str(told.value).splitlines()
    for said in ("population.sexes", "exposure.compared", "adjust 2 (zone)", "margin: over 30", "has none"):
        assert sum(said in line for line in lines) == 1, (said, lines)
    assert [p.name for p in tmp_path.iterdir()] == ["plan.toml"]


def test_little_power_is_noticed_and_not_refused(register):
    wide, narrow = (
        study.lint(checked({**PLAN, **analysis(**{**NI, "margin": margin})}), register) for margin in (30, 1)
    )
    assert wide.refused == narrow.refused == ()
    (said,) = wide.notices
    assert "analysis 1 (yield), margin: wider than what matters" in said
    assert any("% at the margin with the" in said for said in narrow.notices)


def test_the_lint_never_sees_how_an_outcome_came_out(register):
    """Outcomes exchanged between patients leave the refusals as they are."""
    turned = register.measurements.assign(
        density_hairs_cm2=register.measurements["density_hairs_cm2"].to_numpy()[::-1]
    )
    plan = checked({**PLAN, **adjust("team_id", "surgeon_id"), **analysis(margin=95)})
    assert (
        study.lint(plan, register).refused == study.lint(plan, replace(register, measurements=turned)).refused
    )


def test_a_population_is_those_its_filters_name(register):
    first = str(register.sessions["surgeon_id"].iloc[0])
    plan = checked({**PLAN, **people(surgeons=[first], sessions=[1])})
    frame = places(register, plan, plan.exposure)
    inside = frame[frame["reason"].ne("outside the population of the plan")]
    assert set(inside["surgeon_id"]) == {first}
    assert set(inside["session_number"]) == {1}
    both = frame["surgeon_id"].eq(first) & frame["session_number"].eq(1)
    assert len(inside) == int(both.sum())
