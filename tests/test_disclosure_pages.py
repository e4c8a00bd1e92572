"""The attacker of bench/subtraction_attack.py on the results of every page at once, for both audiences.

He sees what all pages for others print of one register, side by side, and also the shared and the public ones
together. Pages about one patient have none.
"""

import importlib.util
import json

import numpy as np
import pytest
from conftest import ROOT

from analytics.pages import disclosure, parameters, sheet
from analytics.results import Curve, Result

PAGES = [page for page in parameters.pages() if page[:2] in ("01", "02", "03", "07")]
TRIED = 25  # withheld counts tried by linear programming a case; bench/subtraction_attack.py tries them all


def _attack():
    spec = importlib.util.spec_from_file_location(
        "attack", ROOT / "tests" / "bench" / "subtraction_attack.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def attack():
    return _attack()


@pytest.fixture(scope="module")
def results():
    """Return by page the results it hands over, before anything is withheld."""
    found: dict[str, dict[str, Result]] = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sheet, "display", lambda *_, **__: None)
        for page in PAGES:
            cells = json.loads((ROOT / "notebooks" / f"{page}.ipynb").read_text(encoding="utf-8"))["cells"]
            code = ["".join(c["source"]) for c in cells if c["cell_type"] == "code"]
            names: dict = {}
            exec(code[0], names)
            place = "answers" if page.startswith("07") else "data"
            names[place] = str(ROOT / "data_demo" / ("pooling" if place == "answers" else ""))
            exec(code[1], names)
            found[page] = names["page"].results
    return found


def _page(attack, results: dict[str, dict[str, Result]]):
    """Return the tables of all pages as the attacker reads them."""
    tables, by = {}, {}
    for page, named in results.items():
        for name, result in named.items():
            by[f"{page}:{name}"] = list(result.by)
            tables[f"{page}:{name}", "table"] = result.table()
            if isinstance(result, Curve) and len(result.path):
                tables[f"{page}:{name}", "path"] = result.path
    return attack.Page(tables, by, {})


@pytest.fixture(scope="module")
def shown(results):
    """Return by audience and page the results as others see them."""
    return {
        audience: {page: disclosure.protect_all(named, audience) for page, named in results.items()}
        for audience in ("shared", "public")
    }


def test_every_page_with_persons_is_among_those_attacked():
    assert set(parameters.pages()) - set(PAGES) == {"04_case_course", "05_session_plan", "06_method_checks"}


@pytest.mark.parametrize("audience", ["shared", "public"])
def test_no_withheld_count_comes_back_from_all_pages_together(audience, results, shown, attack, monkeypatch):
    truth, seen = _page(attack, results), _page(attack, shown[audience])
    bounded, rng = attack._bounded, np.random.default_rng(11)

    def of_some(known, targets):
        kept = [targets[i] for i in sorted(rng.permutation(len(targets))[:TRIED])]
        return bounded(known, kept)

    monkeypatch.setattr(attack, "_bounded", of_some)
    applied = disclosure.rule(audience)
    tried, found = attack.attack_by_algebra(truth, seen, applied)
    assert tried > 400
    assert found == []
    assert attack.attack_by_limits(truth, seen, applied)[1] == []
    assert attack.attack_by_differences(truth, seen)[1] == []
    assert attack.attack_by_lengths(seen, applied)[1] == []


@pytest.mark.parametrize("audience", ["shared", "public"])
def test_no_small_count_stands_anywhere_on_a_page_for_others(audience, shown):
    threshold = disclosure.rule(audience).threshold
    for page, named in shown[audience].items():
        for name, result in named.items():
            frames = [result.table(), *result.extra.values()]
            frames += [result.path] if isinstance(result, Curve) else []
            for frame in frames:
                for column in frame.columns.intersection(
                    ["n_patients", "n_rows", "n", "numerator", "events"]
                ):
                    numbers = frame[column].dropna().astype(float)
                    assert not numbers.between(0.5, threshold - 0.5).any(), (page, name, column)
