"""Can a reader of a page for others work out a withheld count from everything printed on it?

    nice python tests/bench/subtraction_attack.py [PAGE ...] [--audience shared] [--data FOLDER] [--formats]
        [--without N]

Each page is rendered on the records for the clinic itself (the truth) and for the audience; at the end the
algebra is tried on all pages together. Pages about one patient are made for nobody else. The attacker sees
all of its `results.json`, which holds every table and every figure's data, and is told more than a reader
could know: every sum of groups to their `all` that holds in the truth, and every equal population. It tries
 1. linear algebra: the smallest and the largest value of each withheld count under all that is printed;
 2. control limits: n from a limit of a share chart and its centre, or the middle of both limits,
    n = 9 p (1 - p) / (limit - p)^2;
 3. differences: a withheld share from a printed one and the printed difference, or computed as it stands;
 4. lengths: the number of points of a chart of gaps between events;
 5. words: a percentage in a table of words that stands there for the clinic too and is a withheld one.
Printed: withheld counts, tries and finds; a find ends with 1.

With `--formats` each page is rendered in every format but PDF, and its texts (alternative ones too), cells
and tables in links are searched for numbers of the truth in five digits: readers outside are shown three, so
that one with more has passed the protection by.

With `--without N` the register and itself less one patient, for N patients by seed: does any report of one
(pages 01 and 02, two quarters, both audiences) leave after any of the other? And the pages of the register
without that patient are attacked as they stand (numbers alone, not rendered).
"""

import argparse
import base64
import contextlib
import json
import re
import sys
import tempfile
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pandas as pd
from scipy.optimize import linprog
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

sys.path.insert(0, str(Path(__file__).parents[1]))
from pinned import pages as unrendered

from analytics import disclosure, records
from analytics.disclosure import earlier
from analytics.errors import ParameterError
from analytics.records import Records
from analytics.reports import render

DATA = Path(__file__).parents[2] / "data_demo"
PAGES = ("01_surgeon_audit", "02_quarterly_review", "03_hypothesis_study")
COUNTS = ("n_patients", "n_rows")
QUARTERS, SEED = (11, 12), 20261130
EXACT_DIGITS = 5
DECLARED = "Sources of the standards"
GEOMETRY = re.compile(
    r"\b(?:d|points|[xyr]|[xyr][12xy]|c[xy]|width|height|transform|viewBox|style)=\\?\"[^\"]*\""
)


@dataclass
class Page:
    """The tables of one results file, a frame a result and part."""

    tables: dict[tuple[str, str], pd.DataFrame]
    by: dict[str, list[str]]
    words: dict[str, list[list]]


@dataclass
class Known:
    """What the attacker knows of the counts: their names, bounds and equations."""

    names: dict[tuple, int] = field(default_factory=dict)
    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)
    equations: list[dict[int, float]] = field(default_factory=list)

    def count(self, key: tuple) -> int:
        """Return the number of an unknown."""
        if key not in self.names:
            self.names[key] = len(self.names)
            self.low.append(0.0)
            self.high.append(np.inf)
        return self.names[key]


def read(path: Path) -> Page:
    """Read a results file."""
    return page_of(json.loads(path.read_text(encoding="utf-8")))


def page_of(whole: dict) -> Page:
    """Return the tables of a results file's content."""
    content = whole["results"]
    words = {s["title"]: s["frame"]["rows"] for s in whole["shown"] if "frame" in s}
    tables = {
        (name, part): pd.DataFrame(result[part]["rows"], columns=result[part]["columns"])
        for name, result in content.items()
        for part in ("table", "path")
        if part in result
    }
    return Page(tables, {name: list(result["by"]) for name, result in content.items()}, words)


def keyed(frame: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return the rows under the groups, term and x that name them; a result without an answer has none."""
    if frame.empty:
        return frame.assign(key="", running=0).set_index(["key", "running"])
    groups = [c for c in (*by, "term", "x") if c in frame.columns and c != "outcome"]
    key = frame[groups].astype(object).where(frame[groups].notna(), "").astype(str).agg("|".join, axis=1)
    return frame.assign(key=key, running=key.groupby(key).cumcount()).set_index(["key", "running"])


def small(n: float, threshold: int) -> bool:
    """Tell whether a count must not be known."""
    return bool(1 <= n < threshold)


def attack_by_algebra(truth: Page, shown: Page, applied: disclosure.Rule) -> tuple[int, list[str]]:
    """Bound every withheld small count by all that is printed; return tries and finds."""
    known, targets = Known(), []
    for place, rows in truth.tables.items():
        true, out = keyed(rows, truth.by[place[0]]), shown.tables.get(place)
        out = None if out is None or out.empty else keyed(out, truth.by[place[0]])
        for column in [c for c in (*COUNTS, "numerator") if c in rows]:
            printed = {} if out is None else _counts(out, column)
            for key, n in _counts(true, column).items():
                here = known.count((*place, column, key))
                if np.isfinite(said := printed.get(key, np.nan)):
                    half = (applied.round_to - 1) / 2
                    known.low[here], known.high[here] = said - half, said + half
                elif small(n, applied.threshold):
                    targets.append((here, n, (*place, column, key)))
        _sums(known, place, true, truth.by[place[0]])
    _equal(known, truth)
    return len(targets), _bounded(known, targets)


def _counts(rows: pd.DataFrame, column: str) -> dict:
    """Return the counts of a column; of a share also the numerator that its percentage gives back."""
    own = rows[column].dropna().astype(float).to_dict() if column in rows else {}
    if column != "numerator" or not {"estimate", "denominator"} <= set(rows.columns):
        return own
    worked_out = rows["estimate"].astype(float) * rows["denominator"].astype(float) / 100
    shares = rows["basis"].eq("share") if "basis" in rows else pd.Series(False, index=rows.index)
    return {**worked_out[shares].dropna().round().to_dict(), **own}


def _sums(known: Known, place: tuple[str, str], true: pd.DataFrame, by: list[str]) -> None:
    """Tell the attacker every sum over a grouping that holds in the truth."""
    for group in by:
        if not true[group].astype(str).eq("all").any():
            continue
        others = [c for c in (*by, "term", "x") if c in true.columns and c not in (group, "outcome")]
        for column in (c for c in COUNTS if c in true):
            for _, rows in true.groupby(others, dropna=False) if others else [((), true)]:
                whole = rows[rows[group].astype(str).eq("all")]
                parts = rows[~rows[group].astype(str).eq("all")]
                if len(whole) == 1 and len(parts) and parts[column].sum() == whole[column].iloc[0]:
                    one = {known.count((*place, column, key)): 1.0 for key in parts.index}
                    one[known.count((*place, column, whole.index[0]))] = -1.0
                    known.equations.append(one)


def _equal(known: Known, truth: Page) -> None:
    """Tell the attacker which counts of one group in different results are equal."""
    seen: dict[tuple, list[tuple[tuple, float]]] = {}
    for place, rows in truth.tables.items():
        by = truth.by[place[0]]
        true = keyed(rows, by)
        for column in (c for c in COUNTS if c in rows):
            for key, n in _counts(true, column).items():
                group = key[0].split("|")[: len([b for b in by if b != "outcome"])]
                seen.setdefault((tuple(by), tuple(group), column), []).append(((*place, column, key), n))
    for same in seen.values():
        for (one, n), (other, m) in pairwise(same):
            if n == m:
                known.equations.append({known.count(one): 1.0, known.count(other): -1.0})


def _bounded(known: Known, targets: list) -> list[str]:
    """Bound each target within the counts that equations tie it to; one that nothing ties has no bound."""
    rows = [i for i, equation in enumerate(known.equations) for _ in equation]
    columns = [j for equation in known.equations for j in equation]
    signs = [value for equation in known.equations for value in equation.values()]
    shape = (len(known.equations), len(known.names))
    matrix = csr_array((signs, (rows, columns)), shape=shape)
    _, component = connected_components(abs(matrix).T @ abs(matrix), directed=False)
    finds = []
    for number in {component[at] for at, _, _ in targets}:
        inside = np.flatnonzero(component == number)
        equations = matrix[:, inside]
        equations = equations[np.diff(equations.indptr) > 0]
        bounds = [(known.low[j], None if np.isinf(known.high[j]) else known.high[j]) for j in inside]
        for at, n, name in (t for t in targets if component[t[0]] == number):
            if not equations.shape[0]:
                continue
            cost = (inside == at).astype(float)
            right = np.zeros(equations.shape[0])
            low = linprog(cost, A_eq=equations, b_eq=right, bounds=bounds, method="highs")
            high = linprog(-cost, A_eq=equations, b_eq=right, bounds=bounds, method="highs")
            if low.status == 0 and high.status == 0 and -high.fun - low.fun < 0.5:
                finds.append(f"algebra: {name} is {low.fun:.1f}, truly {n:g}")
    return finds


def attack_by_limits(truth: Page, shown: Page, applied: disclosure.Rule) -> tuple[int, list[str]]:
    """Work out n from control limits; return tries and finds."""
    tries, finds = 0, []
    for (name, part), path in shown.tables.items():
        if (
            part != "path"
            or "term" not in path
            or not path["term"].isin(["upper limit", "lower limit"]).any()
        ):
            continue
        by = truth.by[name]
        true = truth.tables[name, "table"]
        for key, lines in path[path["unit"].eq("%")].groupby([*by, "x"]):
            values = lines.set_index("term")["estimate"] / 100
            points = true[(true[[*by, "x"]].astype(str) == [str(k) for k in key]).all(axis=1)]
            limits = values.drop("centre", errors="ignore")
            if points.empty or limits.empty:
                continue
            tries += 1
            # The middle of the limits is the chart's own mean, where neither is cut off at 0 or 100 %.
            middles = {limits.mean(), *values.reindex(["centre"]).dropna()}
            guesses = [9 * p * (1 - p) / (limit - p) ** 2 for p in middles for limit in limits if limit != p]
            finds += [
                f"limits: {name} {key} {column} is {n:.2f}"
                for n in guesses
                for column in COUNTS
                if small(points[column].iloc[0], applied.threshold) and abs(n - points[column].iloc[0]) < 0.5
            ]
    return tries, finds


def attack_by_quarters(
    truth: dict[int, Page], shown: dict[int, Page], applied: disclosure.Rule
) -> tuple[int, list[str]]:
    """Bound the withheld small counts of several quarters' reviews by all of them; return tries and finds.

    Told: four quarters are the sum of the last four, a quarter that of its months. A count that later came
    out otherwise (answers that came late) is taken as the last review has it.
    """
    known, true = Known(), {}
    for quarter, page in truth.items():
        true |= dict(_of_periods(page, quarter))
    for quarter, page in shown.items():
        for key, n in _of_periods(page, quarter):
            here, half = known.count(key), (applied.round_to - 1) / 2
            if true.get(key, n) - half <= n <= true.get(key, n) + half:
                known.low[here] = max(known.low[here], n - half)
                known.high[here] = min(known.high[here], n + half)
    targets = [
        (here, n, key)
        for key, n in true.items()
        if small(n, applied.threshold) and known.high[here := known.count(key)] - known.low[here] > 0.5
    ]
    for criterion, column, period, at in true:
        if period == "month":
            continue
        parts = [("quarter", at - back) for back in range(4)]
        if period == "quarter":
            parts = [("month", 3 * at - back) for back in range(3)]
        keys = [(criterion, column, *part) for part in parts]
        if (
            all(key in true for key in keys)
            and sum(true[key] for key in keys) != true[criterion, column, period, at]
        ):
            continue
        one = {known.count(key): 1.0 for key in keys if period != "quarter" or key in true}
        if one:
            known.equations.append({**one, known.count((criterion, column, period, at)): -1.0})
    return len(targets), _bounded(known, targets)


PERIODS = {"this quarter": ("quarter", 0), "last quarter": ("quarter", -1), "last four quarters": ("year", 0)}


def _of_periods(page: Page, quarter: int) -> Iterator[tuple[tuple, float]]:
    """Yield criterion, column, period and its number, and the count that stands there."""
    for name in ("indicators", "all_charts"):
        rows = page.tables[name, "table"]
        for row in rows[_is(rows, "share")].to_dict("records"):
            period, at = PERIODS.get(row["term"], ("", 0))
            if name == "all_charts":
                period, at = "month", int(row["x"]) - quarter
            counts = {
                c: float(row[c] or np.nan) if row[c] != 0 else 0.0
                for c in ("numerator", "denominator", "n_rows")
            }
            counts["rest"] = counts["denominator"] - counts["numerator"]
            for column, n in counts.items():
                if period and np.isfinite(n):
                    yield (row["criterion"], column, period, quarter + at), n


def _is(rows: pd.DataFrame, basis: str) -> pd.Series:
    return rows["basis"].eq(basis) if "basis" in rows else pd.Series(False, index=rows.index)


def attack_by_differences(truth: Page, shown: Page) -> tuple[int, list[str]]:
    """Work out a withheld share from its sibling and the difference; return tries and finds."""
    tries, finds = 0, []
    for (name, part), rows in shown.tables.items():
        if part != "table" or "term" not in rows or not truth.by[name]:
            continue
        first = truth.by[name][0]
        true = truth.tables[name, part]
        for group, lines in rows.groupby(first):
            computed = _is(lines, "counts") & lines.reindex(columns=["x"])["x"].isna()
            for difference in lines.loc[computed & lines["estimate"].notna(), "estimate"]:
                here = true[true[first].eq(group) & _is(true, "share")]
                hidden = here[~here["term"].isin(lines.loc[lines["estimate"].notna(), "term"])]["estimate"]
                for value in (0.0, *lines.loc[~computed, "estimate"].dropna()):  # 0: it is the share itself
                    tries += 1
                    finds += [
                        f"difference: {name} {group} is {guess:.1f}"
                        for guess in (value - difference, value + difference)
                        if len(hidden) and (hidden - guess).abs().min() < 0.5
                    ]
    return tries, finds


def attack_by_lengths(shown: Page, applied: disclosure.Rule) -> tuple[int, list[str]]:
    """Count the points of charts of gaps between events; return tries and finds."""
    tries, finds = 0, []
    for (name, part), rows in shown.tables.items():
        gaps = (
            rows[_is(rows, "counts") & rows["x"].notna()]
            if "x" in rows and part == "table"
            else rows.iloc[0:0]
        )
        for group, points in gaps.groupby(["criterion", "term"]) if len(gaps) else ():
            tries += 1
            if small(len(points) + 1, applied.threshold):
                finds.append(f"length: {name} {part} {group} has {len(points)} gaps")
    return tries, finds


def attack_by_words(truth: Page, shown: Page, applied: disclosure.Rule) -> tuple[int, list[str]]:
    """Look for withheld percentages in the tables of words; return tries and finds."""
    withheld, printed = set(), set()
    for place, rows in truth.tables.items():
        out = shown.tables.get(place)
        if out is None or out.empty or not {"estimate", "unit"} <= set(rows.columns) or place[1] == "path":
            continue
        true, seen = keyed(rows, truth.by[place[0]]), keyed(out, truth.by[place[0]])
        hidden = true.index.difference(seen.index[seen["estimate"].notna()])
        rows = true.loc[hidden]
        shares = rows[_is(rows, "share")]
        printed |= {f"{value:.1f}" for value in out["estimate"].dropna()}
        if shares.empty:
            continue
        part, rest = shares["numerator"].astype(float), shares["denominator"] - shares["numerator"]
        few = part.between(1, applied.threshold - 1) | rest.between(1, applied.threshold - 1)
        few &= part.gt(0) & rest.gt(0)
        withheld |= {f"{value:.1f}" for value in shares.loc[few, "estimate"]}
    withheld -= printed  # the same percentage of another row, which may be seen
    tries, finds = 0, []
    # What a standard rests on is declared, and none of the clinic's numbers.
    told = {title: rows for title, rows in shown.words.items() if title != DECLARED}
    for title, rows in told.items():  # a mean yield and a share of grafts are no shares of persons
        own = {str(row[0]): row for row in truth.words.get(title, [])}
        for row in (r for r in rows if not str(r[0]).startswith("Yield") and "graft" not in str(r[0])):
            for i, cell in enumerate(row[1:], start=1):
                same = isinstance(cell, str) and cell in own.get(str(row[0]), [])[i : i + 1]
                tries += same
                if (
                    same
                    and not cell.startswith("at ")
                    and set(re.findall(r"\d+\.\d", cell.split("(")[0])) & withheld
                ):
                    finds.append(f"words: {title}, {row[0]}: {cell}")
    return tries, finds


def together(pages: list[tuple[str, Page]]) -> Page:
    """Return several pages as one."""
    tables = {(f"{p}:{k[0]}", k[1]): v for p, page in pages for k, v in page.tables.items()}
    return Page(tables, {f"{p}:{k}": v for p, page in pages for k, v in page.by.items()}, {})


def attack(truth: Page, shown: Page, applied: disclosure.Rule) -> dict[str, tuple[int, list[str]]]:
    """Attack one page in every way; return tries and finds by the way."""
    return {
        "algebra": attack_by_algebra(truth, shown, applied),
        "limits": attack_by_limits(truth, shown, applied),
        "differences": attack_by_differences(truth, shown),
        "lengths": attack_by_lengths(shown, applied),
        "words": attack_by_words(truth, shown, applied),
    }


def main(pages: list[str], audiences: list[str], data: Path, *, formats: bool = False) -> int:
    """Render, attack, print; return the number of finds."""
    found = 0
    seen: dict[str, list[tuple[str, Page]]] = {audience: [] for audience in ("internal", *audiences)}
    with tempfile.TemporaryDirectory() as place:
        for page in pages:
            own = render.page(page, data, Path(place) / "internal", audience="internal")
            truth = read(own.files["results"])
            seen["internal"].append((page, truth))
            for audience in audiences:
                asked = [f for f in render.FORMATS if formats and "pdf" not in f] or ["html"]
                report = render.page(page, data, Path(place) / audience, audience=audience, formats=asked)
                shown, applied = read(report.files["results"]), disclosure.rule(audience)
                seen[audience].append((page, shown))
                done = attack(truth, shown, applied)
                if formats:
                    done["formats"] = attack_by_formats(truth, shown, {f: report.files[f] for f in asked})
                said = ", ".join(
                    f"{name} {tries} tries, {len(finds)} finds" for name, (tries, finds) in done.items()
                )
                print(f"{page}, {audience}: {said}")
                finds = [f for _, some in done.values() for f in some]
                print("\n".join(f"  {f}" for f in finds[:20]), flush=True)
                found += len(finds)
    for audience in audiences:
        tries, finds = attack_by_algebra(
            together(seen["internal"]), together(seen[audience]), disclosure.rule(audience)
        )
        print(f"all pages together, {audience}: {tries} tries, {len(finds)} finds")
        found += len(finds)
    return found


def numbers_in(path: Path) -> set[str]:
    """Return every number of five digits and more in a file: in texts, cells, and tables in links."""
    if path.suffix in (".xlsx", ".zip"):
        with zipfile.ZipFile(path) as whole:
            text = " ".join(whole.read(n).decode() for n in whole.namelist() if n.endswith(("xml", "svg")))
    else:
        text = path.read_text(encoding="utf-8")
    text = re.sub(r"10\.\d{4,}/", "", text)  # of a DOI
    links = re.findall(r"data:text/csv[^,\"']*?(;base64)?,([^\"'\\\\]+)", text)
    inside = [base64.b64decode(d).decode() if is_coded else unquote(d) for is_coded, d in links]
    found = [n for t in (GEOMETRY.sub(" ", text), *inside) for n in re.findall(r"\d+\.\d+", t)]
    return {f"{float(n):.5g}" for n in found if len(n.replace(".", "").lstrip("0")) >= EXACT_DIGITS}


def attack_by_formats(truth: Page, shown: Page, files: dict[str, Path]) -> tuple[int, list[str]]:
    """Search formats for exact numbers of the truth that are no places on an axis; return tries and finds."""
    places = {abs(v) for rows in shown.tables.values() if "x" in rows for v in rows["x"].dropna()}
    axes = {f"{v:.5g}" for place in places for v in (place, round(place, 5))}  # as it is, and as printed
    exact = {
        f"{abs(float(v)):.5g}": (*place, column)
        for place, rows in truth.tables.items()
        for column in ("estimate", "se", "ci_low", "ci_high")
        for v in (rows[column].dropna() if column in rows else ())
    }
    digits = {n: len(n.replace(".", "").strip("0")) for n in exact}
    exact = {n: where for n, where in exact.items() if digits[n] >= EXACT_DIGITS and n not in axes}
    found = {kind: numbers_in(path) & set(exact) for kind, path in files.items()}
    return len(exact) * len(files), [f"{k}: {n} of {exact[n]}" for k, some in found.items() for n in some]


def without_one(n: int, pages: list[str], audiences: list[str], data: Path) -> int:
    """Take one patient away, n times: ask the guard, attack what is left; return the number of finds."""
    whole = records.load(data)
    codes = whole.patients["patient_id"]
    found = 0
    for code in np.random.default_rng(SEED).choice(codes, n, replace=False):
        less = records.subset(whole, codes[codes != code].tolist())
        passed, tried = _past_the_guard(whole, less, audiences)
        finds = [f"the guard: {one} left after the other" for one in passed]
        with tempfile.TemporaryDirectory() as place:
            records.write(less, Path(place) / "data")
            for beside in data.glob("*.toml"):
                (Path(place) / "data" / beside.name).write_bytes(beside.read_bytes())
            for page in pages:
                asked = {"data": str(Path(place) / "data"), **({"state": place} if page[:2] == "02" else {})}
                made = {who: page_of(one.content) for who, one in unrendered.shown(page, asked).items()}
                for audience in audiences:
                    done = attack(made["internal"], made[audience], disclosure.rule(audience))
                    tried += sum(tries for tries, _ in done.values())
                    finds += [f"{page}, {audience}: {f}" for _, some in done.values() for f in some]
        print(f"{code} left out: {tried} tries, {len(finds)} finds")
        print("\n".join(f"  {f}" for f in finds[:20]), flush=True)
        found += len(finds)
    return found


def _past_the_guard(whole: Records, less: Records, audiences: list[str]) -> tuple[list[str], int]:
    """Return what the guard let pass once a report of the other register had left, and how many tries."""
    asked = [
        (page, audience, 3 * quarter)
        for audience in audiences
        for page, quarter in ((PAGES[0], 0), *((PAGES[1], q) for q in QUARTERS))
    ]
    passed, tried = [], 0
    for first, second in ((whole, less), (less, whole)):
        for page, audience, through in asked:
            with tempfile.TemporaryDirectory() as place:
                earlier.note(earlier.refuse_few(first, [Path(place)], page, audience, through=through))
                for other in asked:
                    tried += 1
                    with contextlib.suppress(ParameterError):
                        earlier.refuse_few(second, [Path(place)], *other[:2], through=other[2])
                        passed.append(f"{other} after {page}, {audience}, {through}")
    return passed, tried


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("pages", nargs="*", default=list(PAGES))
    parser.add_argument("--audience", action="append", choices=disclosure.AUDIENCES[1:])
    parser.add_argument("--data", type=Path, default=DATA)
    parser.add_argument("--without", type=int, default=0)
    parser.add_argument("--formats", action="store_true")
    options = parser.parse_args()
    who = options.audience or ["shared", "public"]
    asked = (options.pages, who, options.data)
    n = without_one(options.without, *asked) if options.without else main(*asked, formats=options.formats)
    sys.exit(min(1, n))
