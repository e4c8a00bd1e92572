"""Files of a pooled study with a sound check sum and something wrong inside: refused in words, part by part.

What must hold of sums is linear algebra: a matrix of cross-products, and the matrix of all traces of products
of pairs, is symmetric and positive semidefinite (Horn & Johnson, Matrix Analysis, 2nd ed. 2013, section 7.2:
Gram matrices, memory).
"""

import copy
import json
import random

import pytest

from analytics import pooling, simulate
from analytics.errors import AnalyticsError, ParameterError
from analytics.pooling.coding import Coding, digest

CLINICS = ("A", "B", "C")
ODD = [None, "x", 1e300, {}, [[1]], True, "A" * 500, {"a": 1}]
LEGITIMATE = {("sums", "local"), ("history", 0, "total", "start")}  # may be null: no start


@pytest.fixture(scope="module")
def study():
    """Return two rounds with their answers, as they are read from files, and one clinic's records."""
    coding = Coding("study", CLINICS, ("frontal", "crown"), (1.0, 6.0, 10.0, 18.0), (), "assumed", 4.8, 10, 5)
    registers = {
        c: simulate.as_records(simulate.register(35 + 5 * i, seed=810 + i)[0]) for i, c in enumerate(CLINICS)
    }
    first = pooling.open_round(coding)
    answers = [_plain(pooling.answer(first, registers[c], c)) for c in CLINICS]
    second = _plain(pooling.next_round(first, answers))
    later = [_plain(pooling.answer(second, registers[c], c)) for c in CLINICS]
    return {"first": first, "answers": answers, "second": second, "later": later, "A": registers["A"]}


def _plain(content):
    return json.loads(json.dumps(content))


def _signed(content: dict) -> dict:
    body = {k: v for k, v in content.items() if k != "sha256"}
    return {**body, "sha256": digest(body)}


def _changed(content: dict, path: tuple, value) -> dict:
    found = copy.deepcopy(content)
    inside = found
    for key in path[:-1]:
        inside = inside[key]
    inside[path[-1]] = value(inside[path[-1]]) if callable(value) else value
    return _signed(found)


def _paths(content, path=()):
    if path:
        yield path
    inside = (
        content.items()
        if isinstance(content, dict)
        else enumerate(content[:2])
        if isinstance(content, list)
        else ()
    )
    for key, value in inside:
        yield from _paths(value, (*path, key))


def _use(study: dict, name: str, given: dict) -> None:
    if name == "answers":
        pooling.next_round(study["first"], [given, *study["answers"][1:]])
    elif name == "later":
        pooling.next_round(study["second"], [given, *study["later"][1:]])
    else:
        pooling.next_round(given, study["later"])


def _file(study: dict, name: str) -> dict:
    return study[name] if name == "second" else study[name][0]


@pytest.mark.parametrize("name", ["answers", "later", "second"])
def test_every_part_of_another_kind_is_refused_in_words(name, study):
    rng = random.Random(f"pooling {name}")
    sound = _file(study, name)
    _use(study, name, sound)
    paths = [p for p in _paths(sound) if p != ("sha256",)]
    for path in rng.sample(paths, 40) if len(paths) > 40 else paths:
        odd = rng.choice([o for o in ODD if o is not None or path not in LEGITIMATE])
        with pytest.raises(AnalyticsError, match="; "):
            _use(study, name, _changed(sound, path, odd))


def test_every_missing_part_is_refused_in_words(study):
    for name in ("answers", "later", "second"):
        sound = _file(study, name)
        for path in (p for p in _paths(sound) if isinstance(p[-1], str) and p != ("sha256",)):
            if path[-2:-1] == ("level",):
                continue  # a clinic need not have every zone
            found = copy.deepcopy(sound)
            inside = found
            for key in path[:-1]:
                inside = inside[key]
            del inside[path[-1]]
            with pytest.raises(AnalyticsError, match="; "):
                _use(study, name, _signed(found))


def _opposite(matrix):
    return [[-x for x in row] for row in matrix]


@pytest.mark.parametrize(
    ("name", "path", "value", "says"),
    [
        ("answers", ("sums", "gram", 0, 1), lambda x: x + 1e3, "answer of A, gram: .*not symmetric"),
        ("answers", ("sums", "gram"), _opposite, r"gram: .*impossible \(negative\)"),
        ("answers", ("sums", "gram"), lambda x: x[:-1], r"gram: not of the size .*\(9 x 9\)"),
        ("answers", ("sums", "z_squares", 1, 0), lambda x: x + 1, "z_squares: intercepts add up"),
        ("answers", ("sums", "n_groups", 1), lambda x: x - 1, "its numbers of patients do not agree"),
        ("answers", ("sums", "local", "level"), {"nape": [1.0, 1.0]}, "a zone that is not in this study"),
        ("answers", ("sums", "local", "sigma"), -1.0, "sums.*local.sigma: not of the agreed form"),
        ("later", ("sums", "trace2", 0, 1), lambda x: x + 1e3, "trace2: .*not symmetric"),
        ("later", ("sums", "trace2"), _opposite, r"trace2: .*impossible \(negative\)"),
        ("later", ("sums", "curve", 0, 0), _opposite, r"curve: .*impossible \(negative\)"),
        ("later", ("sums", "curve", 0, 1, 2, 3), lambda x: x + 1e3, "curve: .*not symmetric"),
        ("later", ("sums", "slope", 2), _opposite, r"slope: .*impossible \(negative\)"),
        ("later", ("sums", "n"), lambda x: x + 1, "other readings in all than those of the first round"),
        ("second", ("asked", "theta"), lambda x: x[:-1], r"asked, theta: not of the size .*\(3\)"),
        ("second", ("number",), 7, "number: rounds are numbered from 1"),
        ("second", ("history",), [], "number: |asked: "),
        ("second", ("coding", "zones"), ["elbow"], "zones: unknown"),
        ("second", ("coding", "knots"), [6.0, 1.0, 18.0], "knots: must rise"),
    ],
)  # fmt: skip
def test_a_sum_that_cannot_be_is_refused_with_its_name(name, path, value, says, study):
    with pytest.raises(ParameterError, match=says):
        _use(study, name, _changed(_file(study, name), path, value))


LINE = {
    "term": "yield_at_maturity",
    "zone": "crown",
    "estimate": 80.0,
    "se": 2.0,
    "n_patients": 20,
    "unit": "%",
}


def _summary(clinic: str, **changed) -> dict:
    line = {k: v for k, v in {**LINE, **changed}.items() if v != "missing"}
    body = {"schema": 1, "kind": "summary", "clinic": clinic, "curve": "log-logistic", "estimates": [line]}
    return _signed(body)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"se": 0.0}, "estimates.0.se"),
        ({"se": "missing"}, "estimates.0.se"),
        ({"estimate": "80"}, "estimates.0.estimate"),
        ({"n_patients": 2.5}, "estimates.0.n_patients"),
        ({"n_patients": True}, "estimates.0.n_patients"),
        ({"zone": []}, "estimates.0.zone"),
        ({"patient": "x"}, "estimates.0.patient"),
        ({"term": "half_month", "estimate": -1.0, "unit": "months"}, "a half month is above 0"),
        ({"term": "share past 80 % by month 12", "estimate": 120.0}, "a share lies from 0 to 100 %"),
    ],
)
def test_a_summary_of_another_form_is_refused_with_its_part(changed, says, tmp_path):
    place = tmp_path / "summary_A.json"
    place.write_text(json.dumps(_summary("A")))
    pooling.read_summary(place)
    place.write_text(json.dumps(_summary("A", **changed)))
    with pytest.raises(ParameterError, match=f"pool summary summary_A.json, .*{says}"):
        pooling.read_summary(place)
    with pytest.raises(ParameterError, match=f"pool combine, summary 1, .*{says}"):
        pooling.combine([_summary("A", **changed), _summary("B")])


def test_summaries_in_different_units_are_not_pooled():
    with pytest.raises(ParameterError, match="one measure in different units"):
        pooling.combine([_summary("A"), _summary("B", unit="hairs")])


def test_a_ledger_of_another_form_is_refused(tmp_path):
    place = tmp_path / "ledger.json"
    place.write_text(json.dumps({"schema": 1, "kind": "ledger", "key": "short", "answers": [{}]}))
    with pytest.raises(ParameterError, match=r"pool ledger ledger\.json, key: not of the agreed form"):
        pooling.read_ledger(place)
