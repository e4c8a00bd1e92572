"""What is wrong with criteria and actions as written, all of it at once, and what is hardly meant so?

A *fault* stops the review: an entry that is missing, unknown or out of range, or that contradicts another. A
*doubt* does not: 0.8 where 80 percent is likely meant, a yield that should be at most, a statement that names
another number than the standard, windows that overlap, a twin, a standard that these numbers can never tell.
Every block is read for itself, so that one fault hides no other.
"""

import itertools
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pydantic

from analytics.numerics import sequential
from analytics.records import Records
from analytics.review import criteria as written
from analytics.review.declared import Action, Change, DataCut, Monitor, PlannedVisit
from analytics.review.kinds import KINDS, Criterion, measure_of
from analytics.review.periods import quarter_of

NEVER_QUARTERS = 20  # five years
FORMS: dict[str, type[pydantic.BaseModel]] = {
    "monitor": Monitor, "data_cut": DataCut, "schedule": PlannedVisit, "change": Change, "action": Action,
}  # fmt: skip
# On which side a standard of a measure stands; the other is hardly meant.
USUAL_SIDE = {
    "event": "at most", "share": "at most", "poor_growth": "at most", "yield": "at least", "seen": "at least",
    "rating": "at least", "photographs": "at least", "complete": "at least",
}  # fmt: skip
WORDING = ("id", "name", "statement", "standard", "direction", "source", "source_kind", "over_quarters")
NUMBER = re.compile(r"\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True)
class _Block:
    """One block of a file: where it stands in words, as written, and read (None where it has a fault)."""

    where: str
    raw: dict[str, Any]
    read: Any


def check(
    criteria: Path, actions: Path, records: Records | None = None
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return all faults and all doubts of the two files, a sentence each; none where there is no such file.

    Parameters
    ----------
    criteria
        Path of the file of criteria.
    actions
        Path of the action log.
    records
        What they are about, where it can be read: for columns, months and numbers.

    Returns
    -------
    tuple of tuples
        Faults and doubts, a sentence each.

    Examples
    --------
    >>> faults, doubts = check(Path("data_demo/criteria.toml"), Path("data_demo/actions.toml"))
    >>> faults
    ()
    """
    faults: list[str] = []
    doubts: list[str] = []
    content = _content(criteria, faults)
    blocks = _blocks(criteria.name, content, faults) if content else {}
    if content:
        faults += _missing_parts(criteria.name, content)
        faults += _of_file(criteria.name, blocks, records)
        doubts += _of_schedule(blocks) + _of_months(blocks, records)
        doubts += [d for block in blocks.get("criterion", []) for d in _of_criterion(block, records)]
        doubts += _twins(blocks.get("criterion", []))
    log = _content(actions, faults)
    if log:
        read = _blocks(actions.name, log, faults)
        ids = {str(b.raw.get("id")) for b in blocks.get("criterion", [])}
        faults += _of_actions(read.get("action", []), ids, is_known=bool(content))
        doubts += _of_log(read.get("action", []), records)
    return tuple(dict.fromkeys(faults)), tuple(dict.fromkeys(doubts))


def _content(path: Path, faults: list[str]) -> dict[str, Any]:
    if not path.exists():
        return {}
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        place = str(error).rpartition("(at ")[2].rstrip(")") if "(at " in str(error) else "somewhere"
        faults.append(f"{path.name}: is no TOML, first at {place}; see the demo's file")
        return {}


def _blocks(name: str, content: dict[str, Any], faults: list[str]) -> dict[str, list[_Block]]:
    out: dict[str, list[_Block]] = {}
    for part, value in content.items():
        listed = value if isinstance(value, list) else [value]
        if part not in (*FORMS, "criterion"):
            faults.append(f"{name}, {part}: is no known entry; take it out or correct its spelling")
            continue
        out[part] = [
            _block(name, part, i, raw, isinstance(value, list), faults)
            for i, raw in enumerate(listed, start=1)
        ]
    return out


def _block(name: str, part: str, i: int, raw: Any, numbered: bool, faults: list[str]) -> _Block:
    raw = raw if isinstance(raw, dict) else {}
    own = f" ({raw['id']})" if isinstance(raw.get("id"), str) else ""
    where = f"{name}, {part} {i}{own}" if numbered else f"{name}, {part}"
    form: Any = FORMS.get(part)
    if part == "criterion":
        form = {measure_of(kind): kind for kind in KINDS}.get(str(raw.get("measure")))
        if form is None:
            known = ", ".join(measure_of(kind) for kind in KINDS)
            faults.append(f"{where}: measure is missing or unknown; use one of {known}")
            return _Block(where, raw, None)
    try:
        return _Block(where, raw, form.model_validate(raw))
    except pydantic.ValidationError as error:
        for problem in error.errors():
            entry = ".".join(str(p) for p in problem["loc"])
            faults.append(f"{where}{f', {entry}' if entry else ''}: {written.rule_of(problem)}")
        return _Block(where, raw, None)


def _missing_parts(name: str, content: dict[str, Any]) -> list[str]:
    return [
        f"{name}, {part}: is missing; write it down before the numbers are looked at"
        for part in ("criterion", "schedule", "monitor")
        if part not in content
    ]


def _of_file(name: str, blocks: dict[str, list[_Block]], records: Records | None) -> list[str]:
    """Return what contradicts another entry or names what is not there."""
    criteria = blocks.get("criterion", [])
    ids = [str(b.raw.get("id")) for b in criteria]
    schedule = tuple(b.read for b in blocks.get("schedule", []) if b.read is not None)
    faults = [
        f"{b.where}, id: used before; give each its own" for i, b in enumerate(criteria) if ids[i] in ids[:i]
    ]
    for block in criteria:
        if block.read is not None:
            faults += [f"{block.where}, {entry}: {rule}" for entry, rule in block.read.faults(schedule)]
            faults += _unknown_columns(block, records)
    for block in blocks.get("change", []):
        gone = [c for c in block.raw.get("criteria", ()) if c not in ids]
        if gone:
            faults.append(f"{block.where}, criteria: {len(gone)} not declared; use ids of this file")
    months = [b.raw.get("month") for b in blocks.get("schedule", [])]
    for i, block in enumerate(blocks.get("schedule", [])):
        if months[i] in months[:i]:
            faults.append(f"{block.where}, month: planned before; plan each visit once")
        if block.read is not None and block.read.opens < 0:
            faults.append(f"{block.where}, early: the window opens before the operation; make it narrower")
    return faults


def _unknown_columns(block: _Block, records: Records | None) -> list[str]:
    if records is None:
        return []
    named = block.read.columns
    return [
        f"{block.where}, {entry}: {table} has no such column; use one of its own"
        for entry, table, column in named
        if column not in getattr(records, table).columns
    ]


def _of_criterion(block: _Block, records: Records | None) -> list[str]:
    """Return what is hardly meant of one criterion, read or not."""
    never = _never_told(block, records) if block.read is not None else []
    return [*_of_numbers(block), *_of_words(block), *never]


def _of_numbers(block: _Block) -> list[str]:
    raw, measure, out = block.raw, str(block.raw.get("measure")), []
    for entry, example in (("standard", 80), ("threshold_pct", 70)):
        value = raw.get(entry)
        is_percent = measure not in ("mean", "hairs_per_graft", "event")
        if is_percent and isinstance(value, int | float) and 0 < value < 1:
            out.append(f"{block.where}, {entry}: below 1 percent; write {example} for {example} percent")
    return out


def _of_words(block: _Block) -> list[str]:
    raw, measure, out = block.raw, str(block.raw.get("measure")), []
    standard, statement = raw.get("standard"), str(raw.get("statement", ""))
    direction = str(raw.get("direction", ""))
    usual = USUAL_SIDE.get(measure, direction)
    if direction in ("at most", "at least") and direction != usual:
        out.append(f"{block.where}, direction: a standard of {measure} is {usual} as a rule; is it meant so?")
    other = {"at most": "at least", "at least": "at most"}.get(direction, "")
    if other and other in statement.lower() and direction not in statement.lower():
        out.append(f"{block.where}, statement: says {other}, the direction another; make them agree")
    numbers = [float(n) for n in NUMBER.findall(statement)]
    if numbers and isinstance(standard, int | float) and not any(abs(n - standard) <= 0.5 for n in numbers):
        out.append(f"{block.where}, statement: names another number than the standard; make them agree")
    if raw.get("source_kind") == "published" and not re.search(
        r"\d{4}|doi|table|as for", str(raw.get("source", ""))
    ):
        out.append(f"{block.where}, source: published, but no year or doi is given; say where it stands")
    return out


def _never_told(block: _Block, records: Records | None) -> list[str]:
    """Return that not even a record without a fault could meet the standard in five years."""
    criterion: Criterion = block.read
    if not criterion.counts_yes_or_no or not 0 <= criterion.standard <= 100:
        return []
    perfect = sequential.perfect_record(criterion.standard / 100, at_most=criterion.direction == "at most")
    if perfect == float("inf"):
        return [
            f"{block.where}, standard: no record can ever show it met; allow for one fault in some number"
        ]
    if records is None or records.sessions.empty:
        return []
    months = float(records.sessions["register_month"].max())
    a_quarter = 3 * criterion.n_counted(records) / months
    if perfect <= NEVER_QUARTERS * a_quarter:
        return []
    return [
        f"{block.where}, standard: can never be told here: {perfect:.0f} without a fault would be needed, "
        "more than five years bring; a complication has its sequential test, else allow for more"
    ]


def _twins(blocks: list[_Block]) -> list[str]:
    out = []
    for a, b in itertools.combinations(blocks, 2):
        same = [{k: v for k, v in x.raw.items() if k not in WORDING} for x in (a, b)]
        if same[0] == same[1]:
            agrees = all(a.raw.get(k) == b.raw.get(k) for k in ("standard", "direction"))
            what = "is declared before" if agrees else "is declared before with another standard"
            out.append(f"{b.where}: the same {what} ({a.where.rpartition(', ')[2]}); keep one")
    return out


def _of_schedule(blocks: dict[str, list[_Block]]) -> list[str]:
    visits = sorted((b for b in blocks.get("schedule", []) if b.read is not None), key=lambda b: b.read.month)
    out = [
        f"{b.where}: its window overlaps that of the visit before; a visit between would count for both"
        for a, b in itertools.pairwise(visits)
        if b.read.opens < a.read.closes and set(a.read.zones) & set(b.read.zones)
    ]
    for block in blocks.get("criterion", []):
        month = block.raw.get("by_month")
        asked = [
            v for v in visits if isinstance(month, int | float) and month / 2 <= v.read.month <= month + 3
        ]
        if isinstance(month, int | float) and visits and not asked:
            out.append(f"{block.where}, by_month: no visit is planned at which it could be asked; plan one")
    return out


def _of_months(blocks: dict[str, list[_Block]], records: Records | None) -> list[str]:
    """Return what lies past the register, or was declared after it began."""
    changes = [b for b in blocks.get("change", []) if b.read is not None]
    out = [
        f"{b.where}, declared_in_quarter: after the change began; its effect may have been seen"
        for b in changes
        if b.read.declared_in_quarter > quarter_of(b.read.register_month)
    ]
    if records is None or records.sessions.empty:
        return out
    last = int(records.sessions["register_month"].max())
    past = "past the register's last session"
    out += [
        f"{b.where}, baseline_through_month: {past}; set it earlier"
        for b in blocks.get("monitor", [])
        if b.read is not None and b.read.baseline_through_month > last
    ]
    out += [
        f"{b.where}, complete_through_month: half a year {past}; correct it"
        for b in blocks.get("data_cut", [])
        if b.read is not None and (b.read.complete_through_month or 0) > last + 6
    ]
    out += [
        f"{b.where}, register_month: {past}; nothing follows it yet"
        for b in changes
        if b.read.register_month > last
    ]
    return out + _never_reached(blocks.get("criterion", []), records, last)


def _never_reached(blocks: list[_Block], records: Records, last: int) -> list[str]:
    planted = set(records.placements["zone"])
    out = []
    for block in blocks:
        over, zones, by_month = (block.raw.get(k) for k in ("over_quarters", "zones", "by_month"))
        if isinstance(over, int) and over > quarter_of(last):
            out.append(f"{block.where}, over_quarters: longer than the register; judged on what there is")
        if isinstance(zones, list) and zones and not planted & set(map(str, zones)):
            out.append(f"{block.where}, zones: none of them was ever planted here; name others")
        if isinstance(by_month, int | float) and by_month > last:
            out.append(f"{block.where}, by_month: longer than the register; no session has reached it")
    return out


def _of_actions(blocks: list[_Block], ids: set[str], *, is_known: bool) -> list[str]:
    own = [str(b.raw.get("id")) for b in blocks]
    faults = [
        f"{b.where}, id: used before; give each its own" for i, b in enumerate(blocks) if own[i] in own[:i]
    ]
    for block in blocks:
        raw = block.raw
        if is_known and str(raw.get("criterion")) not in ids:
            faults.append(f"{block.where}, criterion: is not declared; use an id of the criteria")
        set_in, due, again = (raw.get(k) for k in ("set_in_quarter", "due_quarter", "re_audit_quarter"))
        if isinstance(due, int) and isinstance(set_in, int) and due < set_in:
            faults.append(f"{block.where}, due_quarter: before it was set; correct one of the two")
        if isinstance(again, int) and isinstance(due, int) and again < due:
            faults.append(f"{block.where}, re_audit_quarter: before due_quarter; audit again once it was due")
    return faults


def _of_log(blocks: list[_Block], records: Records | None) -> list[str]:
    out = []
    for a, b in itertools.combinations(blocks, 2):
        if a.raw.get("what") == b.raw.get("what") and a.raw.get("criterion") == b.raw.get("criterion"):
            out.append(f"{b.where}: the same action is set before; keep one")
    if records is None or records.sessions.empty:
        return out
    last = int(quarter_of(records.sessions["register_month"].max()))
    return out + [
        f"{b.where}, set_in_quarter: past the register's last quarter; correct it"
        for b in blocks
        if isinstance(b.raw.get("set_in_quarter"), int) and b.raw["set_in_quarter"] > last + 1
    ]
