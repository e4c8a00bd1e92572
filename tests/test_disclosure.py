"""Nothing withheld comes back: rules as published, and an attacker who sees everything printed.

The attacker is written from the persons up: every printed number is a linear function of the counts of
persons in the joint cells of all groupings. The protector never sees persons, only tables.
"""

import json
import re
import time
import zipfile
from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest
import sample_page
from conftest import ROOT
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from statsmodels.stats.proportion import proportion_confint

from analytics import disclosure
from analytics.disclosure import ties
from analytics.errors import ParameterError
from analytics.pages import figures
from analytics.pages import review_tables as tables_review
from analytics.reports import render
from analytics.results import Curve, Result, counted, line, plain

# The row space is compared in double precision; coefficients are 0 and 1.
SAME = 1e-8


def _protected(result: Result, audience: str) -> Result:
    return disclosure.protect_all({"one": result}, audience)["one"]


def _result(estimates: pd.DataFrame, by: tuple[str, ...], persons: int = 100, **more) -> Result:
    used = pd.DataFrame({"patient_id": [f"p{i}" for i in range(persons)], "reason": ""})
    return Result(estimates, used, "counted", by=by, **more)


def _shares(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with its percentages of n_patients declared as what they are."""
    part = (table["estimate"] * table["n_patients"] / 100).round()
    is_share = table["unit"].eq("%")
    return table.assign(
        basis=np.where(is_share, "share", "counts"),
        numerator=part.where(is_share),
        denominator=table["n_patients"].where(is_share).astype(float),
    )


def _share_table(persons: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return the share with a complication by groups, with every margin, as the pages print it."""
    rows = []
    for size in range(len(by) + 1):
        for kept in [by[:size]] if size in (0, len(by)) else [[b] for b in by]:
            groups = persons.groupby(kept, observed=True) if kept else [((), persons)]
            for level, part in groups:
                levels = dict(zip(kept, level if isinstance(level, tuple) else (level,), strict=True))
                rows.append(
                    {
                        **{b: levels.get(b, "all") for b in by},
                        "term": "complication",
                        "estimate": 100.0 * part["event"].mean(),
                        "basis": "share",
                        "numerator": float(part["event"].sum()),
                        "denominator": float(len(part)),
                        "ci_low": 0.0,
                        "ci_high": 100.0 * part["event"].mean() + 1,
                        "unit": "%",
                        "n_patients": len(part),
                        "flag": "",
                    }
                )
    return pd.DataFrame(rows).drop_duplicates(subset=by, ignore_index=True)


LEVELS = {
    "zone": ("hairline", "frontal", "midscalp", "crown"),
    "sex": ("female", "male"),
    "method": ("FUT", "FUE", "both"),
}


def _persons(rng: np.random.Generator, n: int) -> pd.DataFrame:
    weights = {d: rng.dirichlet(np.full(len(v), 0.7)) for d, v in LEVELS.items()}
    frame = pd.DataFrame({d: rng.choice(v, size=n, p=weights[d]) for d, v in LEVELS.items()})
    return frame.assign(event=rng.random(n) < rng.uniform(0.02, 0.6))


def _functional(row: pd.Series, by: list[str], events_only: bool) -> np.ndarray:
    """Return the printed count as a 0/1 vector over the joint cells (zone, sex, method, event)."""
    cells = list(product(*LEVELS.values(), (False, True)))
    names = list(LEVELS)
    return np.array(
        [
            all(row[b] == "all" or c[names.index(b)] == row[b] for b in by) and (c[-1] or not events_only)
            for c in cells
        ],
        dtype=float,
    )


def _attack(
    truth: dict[str, pd.DataFrame], shown: dict[str, pd.DataFrame], total: int, threshold: int
) -> list:
    """Return every small count that the printed numbers determine, exactly or as the only whole number."""
    known, values, targets = [np.ones(np.prod([len(v) for v in LEVELS.values()]) * 2)], [float(total)], []
    for name, table in truth.items():
        by = [c for c in LEVELS if c in table.columns]
        printed = shown[name].set_index(by) if len(by) > 1 else shown[name].set_index(by[0])
        for _, row in table.iterrows():
            key = tuple(row[b] for b in by) if len(by) > 1 else row[by[0]]
            n, k = row["n_patients"], round(row["estimate"] * row["n_patients"] / 100)
            out = printed.loc[key] if key in printed.index else None
            everyone, events = _functional(row, by, False), _functional(row, by, True)
            if out is not None and np.isfinite(out["n_patients"]):
                known.append(everyone)
                values.append(out["n_patients"])
                if np.isfinite(out["estimate"]):
                    known.append(events)
                    values.append(k)  # three digits of a percentage give the whole number back
                    assert abs(out["estimate"] * out["n_patients"] / 100 - k) < 0.5
            targets += [(everyone, n)] if 0 < n < threshold else []
            targets += [(events, k)] if 0 < k < threshold else []
            targets += [(everyone - events, n - k)] if 0 < n - k < threshold else []
    matrix, right = np.array(known), np.array(values)
    _, size, rotation = np.linalg.svd(matrix, full_matrices=True)
    free = rotation[int((size > SAME * size[0]).sum()) :]
    found = [(v, "exact") for target, v in targets if np.abs(free @ target).max(initial=0.0) < SAME]
    if found:
        return found
    for target, v in targets:
        low = linprog(target, A_eq=matrix, b_eq=right, method="highs")
        high = linprog(-target, A_eq=matrix, b_eq=right, method="highs")
        if low.status == 0 and high.status == 0 and -high.fun - low.fun < 0.5:
            found.append((v, "range"))
    return found


def _tables(persons: pd.DataFrame) -> dict[str, pd.DataFrame]:
    return {
        "zone_sex": _share_table(persons, ["zone", "sex"]),
        "zone_method": _share_table(persons, ["zone", "method"]),
        "sex": _share_table(persons, ["sex"]),
    }


def test_the_attacker_wins_where_only_small_cells_are_withheld():
    """Without secondary suppression the attack must succeed, or it proves nothing."""
    persons = _persons(np.random.default_rng(4), 60)
    truth = _tables(persons)
    shown = {}
    for name, table in truth.items():
        small = table["n_patients"].lt(5)
        shown[name] = table.assign(
            n_patients=table["n_patients"].where(~small), estimate=table["estimate"].where(~small)
        )
    assert _attack(truth, shown, len(persons), 5)


@settings(max_examples=10, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(seed=st.integers(0, 10**6), n=st.integers(20, 160))
def test_no_withheld_count_is_recovered_from_everything_printed(seed, n):
    persons = _persons(np.random.default_rng(seed), n)
    truth = _tables(persons)
    by = {"zone_sex": ("zone", "sex"), "zone_method": ("zone", "method"), "sex": ("sex",)}
    results = {name: _result(table, by[name], n) for name, table in truth.items()}
    protected = disclosure.protect_all(results, "shared")
    shown = {name: result.table() for name, result in protected.items()}
    assert not _attack(truth, shown, n, 5)


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(seed=st.integers(0, 10**6))
def test_public_counts_are_rounded_and_small_ones_gone(seed):
    persons = _persons(np.random.default_rng(seed), 150)
    result = _result(_share_table(persons, ["zone", "sex"]), ("zone", "sex"), 150)
    table = _protected(result, "public").table()
    counts = table["n_patients"].dropna()
    assert (counts % 5 == 0).all()
    assert (counts >= 10).all()
    shares = table.dropna(subset=["estimate"])
    numerators = shares["estimate"] * shares["n_patients"] / 100
    np.testing.assert_allclose(numerators, 5 * np.round(numerators / 5), atol=0.2)


def test_numerator_complement_percentage_interval_and_point_go_together():
    table = pd.DataFrame(
        {
            "zone": ["crown", "frontal", "hairline"],
            "term": "folliculitis",
            "estimate": [100 * 2 / 40, 100 * 38 / 40, 50.0],
            "ci_low": [1.4, 83.5, 40.0],
            "ci_high": [16.5, 98.6, 60.0],
            "unit": "%",
            "n_patients": [40, 40, 100],
        }
    )
    shown = _protected(_result(_shares(table), ("zone",)), "shared")
    row = shown.table().set_index("zone")
    assert row.loc["crown", ["estimate", "ci_low", "ci_high"]].isna().all()
    assert row.loc["frontal", ["estimate", "ci_low", "ci_high"]].isna().all()
    assert row.loc["crown", "n_patients"] == 40
    assert row.loc["crown", "flag"] == disclosure.WITHHELD
    axes = figures.draw(shown)
    points = [p for line in axes.lines for p in np.atleast_1d(line.get_xdata()) if np.isfinite(p)]
    assert not np.isclose(points, 5.0).any()
    assert not np.isclose(points, 95.0).any()
    assert "5.0" not in json.dumps(json.loads(shown.table().to_json())["estimate"])


def test_one_withheld_group_takes_the_next_smallest_with_it():
    """Hand-made: 3 of 43 withheld alone would be 43 - 40."""
    table = pd.DataFrame(
        {"zone": ["crown", "frontal", "all"], "term": "n", "estimate": [3.0, 40.0, 43.0], "unit": "patients"}
    ).assign(basis="count")
    shown = _protected(_result(table, ("zone",)), "shared").table().set_index("zone")["estimate"]
    assert shown.isna().tolist() == [True, True, False]
    assert shown["all"] == 43


def test_a_sum_of_withheld_cells_is_itself_not_small():
    """Groups of 1, 2, 20, 30: 1 and 2 withheld would print their sum, 3, as 53 - 50."""
    frame = pd.DataFrame({"zone": ["a", "b", "c", "d"], "n": [1, 2, 20, 30]})
    shown = disclosure.protect_frame(frame, "shared")
    assert shown["n"].isna().tolist() == [True, True, True, False]


def test_five_groups_of_one_with_their_total_are_left_out_whole():
    """Five withheld groups, none empty, and a total of five: each must be one, whatever is blanked."""
    frame = pd.DataFrame({"zone": list("abcde"), "n": [1] * 5})
    assert disclosure.protect_frame(frame, "shared").empty


def test_a_group_hidden_in_one_table_is_not_given_back_by_another():
    first = pd.DataFrame({"zone": ["crown", "frontal", "temples"], "n_patients": [2, 9, 30]})
    second = pd.DataFrame({"zone": ["crown", "frontal", "temples"], "n_patients": [2, 9, 30]})
    results = {
        name: _result(f.assign(term=name, estimate=80.123, unit="%"), ("zone",))
        for name, f in (("first", first), ("second", second))
    }
    shown = disclosure.protect_all(results, "shared")
    hidden = {name: set(r.table().loc[r.table()["n_patients"].isna(), "zone"]) for name, r in shown.items()}
    assert hidden["first"] == hidden["second"] == {"crown", "frontal"}


def test_shares_over_time_with_equal_small_counts_come_to_an_end():
    # Points of a chart share counts by coincidence; a search that acted on another cell than the exposed
    # one never ended on four points like these.
    months = ties.CountTable(
        pd.DataFrame({"criterion": ["seen"] * 4}),
        np.array(["1", "2", "3", "4"]),
        {
            "n_patients": np.array([17.0, 18, 19, 14]),
            "denominator": np.array([17.0, 18, 19, 14]),
            "numerator": np.array([1.0, 3, 3, 1]),
        },
    )
    hidden = ties.suppress({"chart": months}, 10)["chart"]
    assert (hidden.rows | hidden.values).all()


@pytest.mark.parametrize(
    ("four_quarters", "total", "is_withheld"),
    [
        ([20, 6, 9, 3, 7], 25, True),  # 25 less the 6, 9 and 7 of their own reports is the 3
        ([3, 6, 9, 8, 7], 30, True),  # 33, less 26 and the 7 of this report, in the year before it
        ([20, 6, 2, 4, 7], 19, False),  # 2 and 4 together are 6, and which is which cannot be told
        ([20, 6, 1, 2, 7], 16, True),  # 1 and 2 together are few
        ([20, 6, 9, 8, 7], 30, False),
        ([3, 0, 9, 8, 7], 24, True),  # the quarter of none may be the year's first
        ([3, 0, 0, 0, 0], 0, False),  # none is shown
    ],
)
def test_a_year_is_withheld_where_the_reports_of_its_quarters_give_one_back(
    four_quarters, total, is_withheld
):
    """Quarters by hand; the last four make the year."""
    history = ties.CountTable(
        pd.DataFrame({"criterion": ["seen"] * 5}),
        np.array(["1", "2", "3", "4", "5"]),
        {"n_patients": np.array(four_quarters, dtype=float)},
        np.arange(1.0, 6.0),
    )
    year = ties.CountTable(
        pd.DataFrame({"criterion": ["seen"]}),
        np.array([""]),
        {"n_patients": np.array([total], dtype=float)},
        np.array([np.nan]),
    )
    hidden = ties.suppress({"history": history, "year": year}, 5)
    assert hidden["year"].rows.tolist() == [is_withheld]


def test_zero_is_shown():
    frame = pd.DataFrame({"zone": ["crown", "frontal"], "n": [0, 40]})
    assert disclosure.protect_frame(frame, "public")["n"].tolist() == [0, 40]


@pytest.mark.parametrize(
    ("name", "threshold", "source"),
    [
        ("shared", 5, "2011"),
        ("public", 10, "Washington"),
        ("cms", 11, "26 January 2024"),
        ("england", 8, "2018"),
    ],
)
def test_thresholds_are_those_of_the_published_rules(name, threshold, source):
    """CMS cell size suppression policy: 1 to 10 withheld, 11 shown; England: 1 to 7; Washington: under 10."""
    rule = disclosure.rule(name)
    assert rule.threshold == threshold
    assert source in rule.source
    at = pd.DataFrame({"n": [threshold - 1, threshold, 10 * threshold, 10 * threshold], "g": list("abcd")})
    hidden = disclosure.protect_frame(at, name)["n"].isna()
    assert hidden.iloc[0]
    assert not hidden.iloc[2:].any()


def test_a_local_rule_may_be_stricter_and_never_looser():
    assert disclosure.rule("shared", threshold=8).threshold == 8
    with pytest.raises(ParameterError, match="stricter, not looser"):
        disclosure.rule("public", threshold=3)
    with pytest.raises(ParameterError, match="unknown audience"):
        disclosure.rule("friends")


def test_a_share_without_its_counts_is_refused():
    with pytest.raises(ParameterError, match="declares its numerator and denominator"):
        line("seen", 75.0, "%", basis="share", numerator=3)
    table = pd.DataFrame({"term": ["seen"], "estimate": [75.0], "unit": ["%"], "basis": ["share"]})
    for audience in ("internal", "shared"):
        with pytest.raises(ParameterError, match="a share is handed over without its numerator"):
            _protected(_result(table, ()), audience)
        with pytest.raises(ParameterError, match="a share is handed over without its numerator"):
            _protected(_result(table.assign(basis="model"), (), extra={"more": table}), audience)


@pytest.mark.parametrize("audience", ["shared", "public"])
def test_renaming_a_unit_or_a_term_changes_nothing_of_what_is_withheld(audience):
    chart = _p_chart()
    renamed = replace(
        chart,
        estimates=chart.estimates.replace(
            {"unit": {"%": "parts of a hundred"}, "term": {"seen": "difference"}}
        ),
        path=chart.path.replace({"unit": {"%": "parts"}, "term": {"upper limit": "A", "lower limit": "B"}}),
    )
    one, other = _protected(chart, audience), _protected(renamed, audience)
    names = ["term", "unit"]
    pd.testing.assert_frame_equal(one.table().drop(columns=names), other.table().drop(columns=names))
    pd.testing.assert_frame_equal(one.path.drop(columns=names), other.path.drop(columns=names))


def test_internal_is_left_as_it_is():
    table = pd.DataFrame(
        {"zone": ["crown"], "term": ["x"], "estimate": [1.23456], "unit": ["%"], "n_patients": [1]}
    )
    result = _result(table, ("zone",))
    assert _protected(result, "internal") is result


def test_public_pages_have_no_breakdown_by_staff():
    table = pd.DataFrame(
        {
            "surgeon_id": ["S1", "S2"],
            "term": "x",
            "estimate": [80.0, 82.0],
            "unit": "%",
            "n_patients": [60, 70],
        }
    )
    result = _result(table, ("surgeon_id",), extra={"points": table})
    assert _protected(result, "public").table().empty
    assert _protected(result, "public").extra["points"].empty
    assert len(_protected(result, "shared").table()) == 2


def test_rows_of_persons_never_leave():
    table = pd.DataFrame(
        {"zone": ["crown"], "term": ["x"], "estimate": [80.0], "unit": ["%"], "n_patients": [60]}
    )
    rows = pd.DataFrame(
        {"patient_id": [f"p{i}" for i in range(60)], "yield_pct": np.arange(60.0), "reason": ""}
    )
    result = Result(table, rows, "m", by=("zone",), extra={"cases": rows})
    shown = _protected(result, "shared")
    assert list(shown.rows().columns) == ["patient_id", "reason"]
    assert set(shown.rows()["patient_id"]) == set(range(1, 61))
    assert shown.extra["cases"].empty
    assert disclosure.protect_frame(rows, "shared").empty


@pytest.mark.parametrize("audience", ["shared", "public"])
def test_a_count_written_as_text_stays_as_it_is_and_stops_nothing(audience):
    rows = pd.DataFrame(
        {"role": ["primary", "secondary"], "n_patients": ["1,204", "not available"], "p_value": [0.2, 0.3]}
    )
    shown = disclosure.protect_frame(rows, audience)
    assert shown["n_patients"].tolist() == ["1,204", "not available"]


def test_one_persons_result_is_not_shown_outside():
    table = pd.DataFrame({"term": ["density at 12 months"], "estimate": [81.0], "unit": ["hairs/cm2"]})
    assert _protected(_result(table, (), persons=1), "shared").table().empty


def test_a_quantile_of_few_is_a_single_persons_value():
    """Quantiles from 10 persons on, whatever the threshold of counts."""
    table = pd.DataFrame(
        {
            "term": ["mean", "first", "second"],
            "estimate": [80.0, 12.0, 79.0],
            "unit": "%",
            "basis": ["model", "quantile", "quantile"],
            "n_patients": [8, 8, 10],
        }
    )
    shown = _protected(_result(table, ()), "shared").table().set_index("term")["estimate"]
    assert shown.isna().to_dict() == {"mean": False, "first": True, "second": False}


def test_a_curve_stops_where_few_are_at_risk_and_its_steps_are_coarse():
    months = np.arange(0, 25)
    at_risk = np.maximum(0, 40 - np.arange(25) * 2)
    path = pd.DataFrame(
        {
            "term": "below 80 %",
            "x": months,
            "estimate": at_risk / 40 * 100.0,
            "unit": "%",
            "n_patients": at_risk,
        }
    )
    curve = Curve(path.iloc[:1], pd.DataFrame({"patient_id": range(40), "reason": ""}), "km", path=path)
    for audience, threshold in (("shared", 5), ("public", 10)):
        shown = _protected(curve, audience).path
        true = path.set_index("x").loc[shown["x"], "n_patients"].to_numpy()
        assert true.min() >= threshold
        left = -np.diff(true)
        assert ((left == 0) | (left >= threshold)).all()


def test_a_chart_of_single_cases_is_not_shown_outside():
    path = pd.DataFrame({"term": "score", "x": range(50), "estimate": np.linspace(0, 1, 50), "unit": ""})
    curve = Curve(
        path, pd.DataFrame({"patient_id": range(50), "reason": ""}), "m", path=path, x_name="case number"
    )
    shown = _protected(curve, "shared")
    assert shown.path.empty
    assert shown.table().empty  # so that a page says it is withheld rather than draw nothing


def _p_chart() -> Curve:
    """Twelve months of a share; centre and limits as Shewhart's p chart has them, 3 sqrt(p (1 - p) / n)."""
    n = np.array([40.0, 60, 3, 50, 45, 70, 52, 2, 61, 48, 39, 44])
    k = np.array([20.0, 30, 2, 25, 21, 36, 26, 1, 30, 24, 19, 22])
    p = k.sum() / n.sum()
    points = pd.DataFrame(
        {"criterion": "seen", "term": "seen", "x": np.arange(1, 13), "estimate": 100 * k / n, "unit": "%"}
    ).assign(n_patients=n, n_rows=n, basis="share", numerator=k, denominator=n, flag="")
    spread = 3 * np.sqrt(p * (1 - p) / n)
    path = pd.concat(
        [
            points[["criterion", "x", "unit", "numerator", "denominator"]].assign(
                term=term, estimate=100 * values, basis="counts"
            )
            for term, values in (("centre", p), ("lower limit", p - spread), ("upper limit", p + spread))
        ],
        ignore_index=True,
    )
    used = pd.DataFrame({"patient_id": range(600), "reason": ""})
    return Curve(
        points, used, "p", by=("criterion",), path=path, x_name="register_month", picture="run_charts"
    )


def test_the_limits_of_a_withheld_point_do_not_give_its_count_back():
    """n = 9 p (1 - p) / (limit - p)^2 wins on the whole chart, and finds nothing small on what is shown."""

    def found(chart: Curve) -> list[float]:
        lines = chart.path.pivot_table(index="x", columns="term", values="estimate") / 100
        if "upper limit" not in lines:
            return []
        centre = lines["centre"]
        return (9 * centre * (1 - centre) / (lines["upper limit"] - centre) ** 2).dropna().tolist()

    chart = _p_chart()
    assert min(found(chart)) == pytest.approx(2)
    for audience, threshold in (("shared", 5), ("public", 10)):
        shown = _protected(chart, audience)
        assert set(shown.path["term"]) >= {"centre"}
        assert all(n > threshold - 0.5 for n in found(shown))


def test_a_difference_does_not_give_the_withheld_share_back():
    table = pd.DataFrame(
        {
            "action": ["calls"] * 3 + ["lamp"] * 3,
            "term": ["when set", "now", "difference"] * 2,
            "estimate": [100 * 2 / 20, 100 * 30 / 40, 65.0, 100 * 50 / 90, 100 * 66 / 100, 10.4],
            "unit": ["%", "%", "points"] * 2,
            "n_patients": [20, 40, 20, 90, 100, 90],
        }
    )
    table = _shares(table)
    shown = _protected(_result(table, ("action",)), "shared").table().set_index(["action", "term"])
    assert np.isnan(shown.loc[("calls", "when set"), "estimate"])
    assert np.isnan(shown.loc[("calls", "difference"), "estimate"])
    assert shown.loc[("lamp", "difference"), "estimate"] == 10.4
    public = _protected(_result(table, ("action",)), "public").table().set_index(["action", "term"])
    assert np.isnan(
        public.loc[("lamp", "difference"), "estimate"]
    )  # it would give the counts before rounding


def test_an_audit_shows_no_more_than_the_rows_it_is_read_from():
    """One incomplete note of 115 in four quarters: 99.1 % is withheld in the table, and so in the audit."""
    terms = ["this quarter", "last quarter", "last four quarters", "difference to last quarter"]
    table = pd.DataFrame({"criterion": "complete", "term": terms, "unit": ["%", "%", "%", "points"]}).assign(
        outcome="met",
        estimate=[100.0, 100.0, 100 * 114 / 115, 0.0],
        ci_low=80.0,
        ci_high=100.0,
        n_patients=[25, 35, 115, 25],
    )
    audit = pd.DataFrame(
        {"criterion": ["complete"], "unit": "%", "outcome": "met", "estimate": [100.0]}
    ).assign(basis="share", numerator=25.0, denominator=25.0, n_unknown=0)
    declared = pd.DataFrame(
        {"criterion": ["complete"], "name": ["Complete notes"], "standard": 90.0, "places": 1}
    )
    extra = {"audit": audit, "declared": declared}
    result = _result(_shares(table), ("criterion", "outcome"), 115, extra=extra)
    shown = tables_review.audit(_protected(result, "shared")).iloc[0]
    assert shown[["year_estimate", "year_low", "year_high", "change"]].isna().all()
    assert (shown["outcome"], shown["year_outcome"]) == ("met", "withheld")
    assert (shown["estimate"], shown["last_estimate"]) == (100.0, 100.0)


def test_a_chart_of_gaps_between_few_events_does_not_give_their_number():
    charts = [
        pd.DataFrame({"criterion": name, "term": "gap", "x": range(1, n), "estimate": 4.0, "numerator": n})
        for name, n in (("effluvium", 8), ("folliculitis", 22))
    ]
    points = pd.concat(charts, ignore_index=True).assign(
        basis="counts", denominator=np.nan, unit="sessions between", flag=""
    )
    signals = pd.DataFrame(
        {"criterion": ["effluvium", "folliculitis", "infection"], "chart": ["g", "g", "none"]}
    ).assign(points=[7, 21, 0], signal=["no signal", "no signal", "fewer than 4 events"], basis="counts")
    signals["numerator"] = [8, 22, 2]
    used = pd.DataFrame({"patient_id": range(100), "reason": ""})
    chart = Curve(points, used, "g", by=("criterion",), path=points, x_name="register_month")
    shown = _protected(replace(chart, extra={"signals": signals}), "public")
    assert set(shown.table()["criterion"]) == set(shown.path["criterion"]) == {"folliculitis"}
    assert shown.table()["numerator"].isna().all()
    said = shown.extra["signals"].set_index("criterion")
    assert said["points"].fillna(-1).to_dict() == {"effluvium": -1, "folliculitis": 21, "infection": -1}
    assert said["signal"].to_dict() == {
        "effluvium": "withheld", "folliculitis": "no signal", "infection": "withheld"
    }  # fmt: skip


def test_shares_side_by_side_rest_on_their_counts_and_name_no_staff():
    """Of 180 seen and 100 absent: 3 by the combined method, so that neither method is shown."""
    rows = [
        ("sex", "sex: female", 30, 20, False),
        ("method", "method: FUE", 60, 40, False),
        ("method", "method: combined", 3, 0, False),
        ("surgeon_id", "surgeon: S2", 72, 30, True),
    ]
    sides = pd.DataFrame(
        [
            {
                "variable": v,
                "characteristic": name,
                "side": side,
                "numerator": k,
                "denominator": n,
                "is_staff": staff,
            }
            for v, name, *ks, staff in rows
            for side, k, n in zip(("seen", "absent"), ks, (180, 100), strict=True)
        ]
    ).assign(basis="share", unit="%", standardised_difference=0.1)
    sides = sides.assign(
        estimate=100 * sides["numerator"] / sides["denominator"], n_rows=sides["denominator"]
    )
    table = pd.DataFrame({"term": ["x"], "estimate": [80.0], "unit": ["%"], "n_patients": [280]})
    result = _result(table, (), 280, extra={"differences": sides})
    read = {
        audience: tables_review.differences_table(_protected(result, audience)).set_index("characteristic")
        for audience in ("internal", "shared", "public")
    }
    assert list(read["internal"].columns) == ["seen (n 180)", "absent (n 100)", "standardised_difference"]
    assert read["shared"]["seen (n 180)"].tolist() == ["16.7\u202f%", "withheld", "withheld", "40.0\u202f%"]
    assert read["shared"]["standardised_difference"].tolist() == ["0.10", "withheld", "withheld", "0.10"]
    assert "surgeon: S2" not in read["public"].index
    assert read["public"].loc["sex: female", "seen (n 180)"] == "16.7\u202f%"


def test_a_table_of_many_texts_and_charts_of_many_months_are_protected_in_seconds():
    """Margins double with each dimension, and equal months are tied: either could take minutes."""
    rng = np.random.default_rng(7)
    texts = pd.DataFrame({f"text_{i}": [f"{i}-{k}" for k in rng.integers(0, 9, 20)] for i in range(12)})
    months = pd.DataFrame(
        {
            "criterion": np.repeat([f"c{i}" for i in range(12)], 36),
            "term": "share",
            "x": np.tile(np.arange(36), 12),
            "unit": "%",
            "n_patients": rng.integers(1, 12, 432),
            "n_rows": rng.integers(1, 14, 432),
        }
    )
    months["estimate"] = (
        100.0 * rng.integers(0, 12, 432).clip(max=months["n_patients"]) / months["n_patients"]
    )
    months = _shares(months)
    result = _result(months, ("criterion",), extra={"audit": texts.assign(n=rng.integers(0, 40, 20))})
    start = time.process_time()
    shown = _protected(result, "shared")
    assert time.process_time() - start < 30
    counts = shown.table()["n_patients"].dropna()
    assert not counts.between(1, 4).any()


def test_counts_marked_in_a_method_a_note_and_a_flag_are_said_as_they_may_be():
    """1 to 4 persons are withheld when shared, 1 to 9 in public; what is left of a whole is a count too."""
    table = pd.DataFrame({"term": ["x"], "estimate": [80.0], "unit": ["points"], "n_patients": [60]}).assign(
        flag=f"without {counted(2)} patients; worth {counted(171, of=173)}; fewer than 5 of 100 draws"
    )
    used = pd.DataFrame({"patient_id": range(100), "reason": ""})
    note = (
        f"{counted(2)} patients withdrew; {counted(62)} stayed; F on 2 and {counted(104)} df, 1,317 elsewhere"
    )
    result = Result(table, used, f"risks from {counted(1318)} rows", notes=(note,))
    said = {}
    for audience in ("internal", "shared", "public"):
        shown = _protected(result, audience)
        said[audience] = (plain(shown.method), plain(shown.notes[0]), shown.table()["flag"].iloc[0])
    assert said["internal"] == (
        "risks from 1,318 rows",
        "2 patients withdrew; 62 stayed; F on 2 and 104 df, 1,317 elsewhere",
        "without 2 patients; worth 171 of 173; fewer than 5 of 100 draws",
    )
    assert said["shared"] == (
        "risks from 1,318 rows",
        "fewer than 5 patients withdrew; 62 stayed; F on 2 and 104 df, 1,317 elsewhere",
        "without fewer than 5 patients; worth more than 168 of 173; fewer than 5 of 100 draws",
    )
    assert said["public"] == (
        "risks from 1,320 rows",
        "fewer than 10 patients withdrew; 60 stayed; F on 2 and 105 df, 1,317 elsewhere",
        "without fewer than 10 patients; worth more than 165 of 175; fewer than 5 of 100 draws",
    )
    assert result.facts()["method"].iloc[0] == "risks from 1,318 rows"
    assert result.table()["flag"].iloc[0].startswith("without 2 patients; worth 171 of 173")


def test_totals_of_facts_are_said_to_the_nearest_ten():
    facts = disclosure.protect_facts(
        pd.DataFrame({"method": ["m"], "n_rows": [98], "n_patients": [60], "n_left_out": [3]}), "public"
    )
    assert facts.iloc[0].tolist() == ["m", "about 100", "about 60", "fewer than 10"]


def test_a_withheld_number_stands_nowhere_in_a_rendered_page(tmp_path):
    """Its estimate and limits are looked for in the page, its figures' data, its results and its workbook."""
    begin = sample_page.BEGIN.replace("[89.25, 80.5, np.nan]", "[89.25, 80.5, 61.37]")
    begin = begin.replace("[86.3, 74.6, np.nan]", "[86.3, 74.6, 51.73]")
    begin = begin.replace("[92.2, 86.4, np.nan]", "[92.2, 86.4, 71.19]")
    notebook = sample_page.write(tmp_path / "sample.ipynb", begin, sample_page.WRITE, sample_page.FINISH)
    report = render.page(
        str(notebook), ROOT / "data_demo", tmp_path / "out", formats=("html", "xlsx"), audience="shared"
    )
    files = {p.name: p.read_bytes() for p in report.files.values() if p.suffix != ".xlsx"}
    with zipfile.ZipFile(report.files["xlsx"]) as book:
        files |= {name: book.read(name) for name in book.namelist()}
    secret = re.compile(rb"(?<![\d.])(?:61\.37|61\.4|51\.73|51\.7|71\.19|71\.2)(?!\d)")
    assert not [name for name, content in files.items() if secret.search(content)]
    assert disclosure.WITHHELD.encode() in files["results.json"]


def test_the_verdict_on_a_withheld_number_is_withheld_with_it():
    """Met, of a share of 40 with a standard of 10 %, says that at most one of them had the event."""
    table = pd.DataFrame(
        {
            "criterion": ["infection", "seen"],
            "outcome": ["met", "not met"],
            "term": "this quarter",
            "estimate": [100 * 1 / 40, 100 * 20 / 40],
            "unit": "%",
            "n_patients": 40,
        }
    )
    shown = _protected(_result(_shares(table), ("criterion", "outcome")), "shared").table()
    assert shown["outcome"].tolist() == ["withheld", "not met"]


def test_a_reason_that_is_withheld_alone_does_not_come_back_from_the_total():
    """Reasons name no group, so that nothing tied them together: 118 left out less those shown gave the 3."""
    reasons = pd.DataFrame({"reason": ["late", "dark", "planted before"], "n_rows": [100, 15, 3]})
    shown = disclosure.protect_frame(reasons, "shared")
    assert shown["n_rows"].isna().sum() == 2
    facts = pd.DataFrame({"method": ["m"], "n_rows": [209], "n_patients": [108], "n_left_out": [118]})
    assert disclosure.protect_facts(facts, "shared")["n_left_out"].iloc[0] == "about 120"


def test_the_rows_left_out_of_one_result_do_not_come_back_from_the_total_of_another():
    """Used and left out add up to the same register: 2284 + 800 - 3081 = 3."""
    one, other = (
        disclosure.protect_facts(
            pd.DataFrame({"method": ["m"], "n_rows": [used], "n_patients": [225], "n_left_out": [out]}),
            "shared",
        ).iloc[0]
        for used, out in ((2284, 800), (3081, 3))
    )
    assert other["n_left_out"] == "fewer than 5"
    low, high = (_reach(one["n_rows"], s) + _reach(one["n_left_out"], s) for s in (-1, 1))
    lowest, highest = low - _reach(other["n_rows"], 1), high - _reach(other["n_rows"], -1)
    assert lowest < 1
    assert highest > 4


def _reach(about: str, side: int) -> float:
    """Return the least or most that a number said to the nearest ten can be."""
    return float(about.removeprefix("about ").replace(",", "")) + side * 5


def test_a_flow_does_not_give_those_away_who_were_left_out_between_two_stages():
    flow = pd.DataFrame(
        {"stage": ["register", "population", "reached", "analysed"], "n_patients": [240, 236, 149, 146]}
    )
    for audience, threshold in (("shared", 5), ("public", 10)):
        shown = disclosure.protect_frame(flow, audience)["n_patients"].dropna().to_numpy()
        lost = -np.diff(shown)
        assert ((lost == 0) | (lost >= threshold)).all()
        assert shown[-1] in (145, 146)


def test_no_pair_of_counts_comes_back_from_the_interval_of_a_rounded_share():
    """25 pairs round to 25 of 45 and look alike; Wilson's limits (Newcombe 1998) tell one from another."""
    pairs = [(k, n) for k in range(23, 28) for n in range(43, 48)]
    limits = {pair: 100 * np.array(proportion_confint(*pair, method="wilson")) for pair in pairs}
    assert len({tuple(ends.round()) for ends in limits.values()}) > 15
    shown = set()
    for (k, n), ends in limits.items():
        table = pd.DataFrame({"term": ["seen"], "estimate": [100 * k / n], "unit": "%", "n_patients": [n]})
        table = table.assign(ci_low=ends[0], ci_high=ends[1], level=0.95)
        columns = ["estimate", "ci_low", "ci_high", "n_patients"]
        shown.add(tuple(_protected(_result(_shares(table), ()), "public").table().iloc[0][columns]))
    assert shown == {(55.6, 41.2, 69.1, 45.0)}  # 25 of 45: 55.56 %, 41.18 to 69.06 by Wilson's formula


def test_what_a_report_rests_on_gives_no_number_of_rows_and_no_hash_of_a_table():
    """The hash of a table of three events is found by trying all tables of three events."""
    rests_on = {
        "sources": [{"table": "events", "file": "events.csv", "sha256": "ab" * 32, "n_rows": 3}],
        "balance": [
            {"table": "events", "read": 83, "used": 81, "left_out": 2, "reason": "2 rows are copies"}
        ],
        "n_warnings": 1,
    }
    shown = disclosure.protect_provenance(rests_on, "shared")
    assert shown["sources"] == [
        {"table": "events", "file": "events.csv", "sha256": "not shown", "n_rows": "fewer than 5"}
    ]
    assert shown["balance"] == [
        {"table": "events", "read": 80, "used": 80, "left_out": 0, "reason": "rows are copies"}
    ]
    assert disclosure.protect_provenance(rests_on, "internal") == rests_on


def _curve_by_zone(n: np.ndarray) -> Curve:
    """Fitted curves of six zones, each month with the zone's counts, some zones followed for longer."""
    zones = ["hairline", "frontal", "midscalp", "crown", "temples", "other"]
    path = pd.DataFrame(
        [
            {
                "zone": z,
                "term": term,
                "x": float(x),
                "estimate": 80.0 + x / 7,
                "unit": "hairs/cm2",
                "n_patients": k,
            }
            for i, (z, k) in enumerate(zip(zones, n, strict=True))
            for term in ("mean", "observed")
            for x in range(50 - 3 * i)
        ]
    ).assign(n_rows=lambda rows: 3 * rows["n_patients"])
    used = pd.DataFrame({"patient_id": range(int(n.sum())), "reason": ""})
    points = path[path["x"].eq(12)].assign(flag="")
    return Curve(points, used, "m", by=("zone",), path=path, x_name="month")


def test_a_small_clinics_curves_are_protected_together_in_seconds():
    """Every month repeats its zone's counts; hidden one by one, the next smallest took minutes to find."""
    n = np.array([28, 33, 18, 15, 9, 40])
    page = {f"r{i}": _curve_by_zone(n + (np.arange(6) == i)) for i in range(4)}
    start = time.process_time()
    shown = disclosure.protect_all(page, "public")
    assert time.process_time() - start < 15
    for result in shown.values():
        seen = result.path.loc[result.path["n_patients"].notna(), "zone"].unique()
        assert "temples" not in seen  # the only small zone
        assert 1 <= len(seen) <= 4  # with the next smallest, or it would be the total less the others
