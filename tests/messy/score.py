"""What became of a known register: each count placed right, asked about, set aside with a reason, or wrong.

A sheet is mapped as the README says: the proposal is written, its question marks are answered (the constants
and what the habit's practice would say, never more), the tables are made, and `check` reads them. *Asked*
also
holds a stop with a sentence. A count is wrong without a word where it is not in the tables as it was written
down, with its planting, while nothing in the whole way said anything that is not said of the plain sheet.
"""

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pandas as pd
from messy.clinic import Draft, draft, register
from messy.habits import HABITS
from messy.writing import write

from analytics import mapping, records
from analytics.app import plausible
from analytics.errors import AnalyticsError

STATED = {
    "sessions.grafts_discarded": 0,
    "measurements.roi_area_cm2": 1.0,
    "measurements.n_fields": 1,
    "measurements.roi_marked": "true",
    "measurements.standard_conditions": "true",
    "placements.hairs_per_graft": 2.05,
}
NEAR_MONTHS, NEAR_SHARE = 1.0, 0.02


@dataclass(frozen=True)
class Score:
    """Shares of the counts of one register, and what was said."""

    right: float
    asked: float
    aside: float
    wrong: float
    wrong_said: float
    questions: int
    said: str


def drafted(*names: str, seed: int = 1, n_patients: int = 30) -> Draft:
    """Return the draft of a register with habits, in the order: layout last."""
    out = draft(register(seed, n_patients))
    for name in sorted(names, key=lambda n: HABITS[n][0] in ("layout", "ids")):
        out = HABITS[name][1](out)
    return out


def answered(text: str, answers: dict[str, str]) -> str:
    """Return a proposal with its questions answered as the practice would."""
    for target, value in STATED.items():
        text = re.sub(
            rf'"{target}" = \{{[^}}]*\}}',
            f'"{target}" = {{ value = {value}, because = "it holds for every row of ours" }}',
            text,
        )
    text = text.replace('hold_for_every_row = "?"', 'hold_for_every_row = "yes"')
    for name, value in answers.items():
        if name.startswith("header "):
            head = re.escape(name.removeprefix("header "))
            text = re.sub(
                rf'(header = "(?:[^"\n]* / )?{head}(?: [^"\n]*)?"\n  to = )"\?"', rf'\1"{value}"', text
            )
        elif name == "zones_alone":
            text = re.sub(
                r'to = "\?"(?=(?:\n  [^\n]*)*\n  zone = )', 'to = "measurements.density_hairs_cm2"', text
            )
        else:
            text = re.sub(rf'(?m)^("?{re.escape(name)}"?) = "\?"', rf'\1 = "{value}"', text)
    return text


def score(folder: Path, *names: str, seed: int = 1, n_patients: int = 30) -> Score:
    """Return what became of the counts of a register kept with some habits."""
    one = drafted(*names, seed=seed, n_patients=n_patients)
    path = write(one, folder)
    plan = folder / "m.toml"
    n = sum(len(p.counts) for p in one.plantings)
    try:
        proposal = mapping.propose(path)
        questions = proposal.count('"?"')
        plan.write_text(answered(proposal, one.answers), encoding="utf-8")
        balance = mapping.apply(path, plan, folder / "out")
    except AnalyticsError as stop:
        return Score(0, 1, 0, 0, 0, 0, str(stop))
    found = records.check(folder / "out")
    said = found.text() + "\n".join(balance.notes)
    if found.records is not None:
        said += "\n".join(plausible.implausible(found.records))
    right, wrong = _compared(folder / "out", one)
    new = _new(said, seed, n_patients)
    lost = n - right - wrong
    return Score(right / n, 0, lost / n, 0 if new else wrong / n, wrong / n if new else 0, questions,
                 "\n".join(new) or balance.text())  # fmt: skip


@cache
def _plain_words(seed: int, n_patients: int) -> frozenset[str]:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        one = draft(register(seed, n_patients))
        path = write(one, place)
        (place / "m.toml").write_text(answered(mapping.propose(path), {}), encoding="utf-8")
        balance = mapping.apply(path, place / "m.toml", place / "out")
        said = records.check(place / "out").text() + "\n".join(balance.notes)
        said += "\n".join(plausible.implausible(records.load(place / "out")))
    return frozenset(_bare(line) for line in said.splitlines())


def _bare(line: str) -> str:
    """Return a line without its numbers."""
    return re.sub(r"\d+", "9", line).strip()


def _new(said: str, seed: int, n_patients: int) -> list[str]:
    """Return the lines that are not said of the plain sheet."""
    known = _plain_words(seed, n_patients)
    lines = [x for x in said.splitlines() if not re.match(r"\s*(?:\w+: \d+ read|The records|To |Rows)", x)]
    return [x for x in lines if _bare(x) not in known]


def _compared(out: Path, one: Draft) -> tuple[int, int]:
    """Return how many counts are in the tables as they were written down, and how many otherwise."""
    ids = dict.fromkeys(("patient_id", "session_id"), str)
    counts = pd.read_csv(out / "measurements.csv", dtype=ids)
    plantings = pd.read_csv(out / "placements.csv", dtype=ids)
    plantings["patient_id"] = plantings["session_id"].str.rsplit("-", n=1).str[0]
    strip = "zeros lost" in one.options
    truth, planted = {}, {}
    for p in one.plantings:
        code = p.patient.lstrip("0") if strip else p.patient
        planted[code, p.zone] = (p.area, sum(p.grafts), p.hairs)
        for visit, (day, density) in p.counts.items():
            truth.setdefault((code, p.zone), []).append(((day - p.date).days / 30.4375, density, visit))
    good = {key for key, t in planted.items() if _planted_as(plantings, key, t)}
    right, wrong, used = 0, 0, set()
    for row in counts.itertuples():
        key = (row.patient_id, row.zone)
        hit = next((t for t in truth.get(key, []) if (key, t) not in used
                    and (abs(t[0] - row.month) < 0.06 or row.month == t[2])
                    and abs(t[1] - row.density_hairs_cm2) < 0.051), None)  # fmt: skip
        if hit is not None and key in good:
            right += 1
            used.add((key, hit))
        else:
            wrong += 1
    return right, wrong


def _planted_as(plantings: pd.DataFrame, key: tuple[str, str], truth: tuple[float, int, int]) -> bool:
    rows = plantings[plantings["patient_id"].eq(key[0]) & plantings["zone"].eq(key[1])]
    if len(rows) != 1:
        return False
    row = rows.iloc[0]
    sizes = [row.get(f"grafts_{n}") for n in (1, 2, 3, 4)]
    if all(s is not None and s == s for s in sizes):
        grafts, hairs = sum(sizes), sum(n * s for n, s in enumerate(sizes, 1))
    else:
        grafts, hairs = row["grafts"], row["hairs"]
    return bool(abs(row["area_cm2"] - truth[0]) < 0.01 and grafts == truth[1]
                and abs(hairs - truth[2]) <= NEAR_SHARE * truth[2])  # fmt: skip
