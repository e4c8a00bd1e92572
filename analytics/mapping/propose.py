"""Propose what each column of a clinic's own file means: by its header and the shape of its cells.

The result is text for a person to read and correct. Each line says on what it rests; what the cells leave
open is a question mark, which `mapping.apply` refuses until it is answered.
"""

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from rapidfuzz import fuzz, process

from analytics.dictionary import TABLES
from analytics.identifiers import class_of_header, in_words
from analytics.mapping import values
from analytics.mapping.find import LIKELY, SURE, VISIT, ZONES_BY_WORD, FoundTable, best_target, is_unit
from analytics.mapping.habits import DATE, ISO
from analytics.mapping.plan import QUESTION, ColumnPlan
from analytics.mapping.sources import SPACES, Sheet, letter
from analytics.mapping.values import (
    ABOUT,
    CHOICE_WORDS,
    FORMULA_ERRORS,
    MISSING,
    NOT_HAIR_UNITS,
    RANGE,
    SET_ASIDE,
    UNITS,
)

# Share of cells whose shape must fit a target: with a header that says so, and with one that may. Assumed.
ENOUGH_IF_SURE, ENOUGH = 0.3, 0.7
_OPERATION = "op|session|surgery|procedure|sitzung|seance|sesion"
SESSION = re.compile(
    rf"(?<!\w)(?:{_OPERATION}) ?([1-9])(?!\w)|(?<!\w)([1-9])(?:st|nd|rd|th|e|er|a|o)? (?:{_OPERATION})(?!\w)"
)
MOST_WORDS = 12  # distinct words of a column of zones whose words are not known
WORDS_OF_A_ZONE = 3  # a heading of more words may hold a zone's word by chance
DATE_WORDS = re.compile(
    rf"(?<!\w)(?:date|datum|fecha|data|dato|day|tag|dt|tarih|tarihi|{values.key('날짜')}|{values.key('방문일')})(?!\w)"
)
COUNT_WORDS = re.compile(
    r"(?<!\w)(?:count|counts|density|hairs?|dichte|haare?|densite|cheveux|densidad|pelos|densidade|fios|densita|"
    rf"capelli|yogunluk|sac|sayim|zahlung|comptage|telling|{values.key('모발')}|{values.key('밀도')})(?!\w)"
)
BESIDE_COUNTS = re.compile(r"(?<!\w)(?:mean|average|per|pro|par|por|cm2|at|of|the)(?!\w)")
# Without brackets a word is a unit only where it can be nothing else: 6 months, 1 hair are none.
UNIT_ALONE = re.compile(r"[/%²2€$µμ]|^(?:kg|lbs?|mmhg|um|qcm|cmq|qmm|mmq|eur|usd)$", re.IGNORECASE)
LONGEST_HEADER = 200  # letters of a heading that are looked at
CLEARLY = 5  # of 100
MOST_HAIRS_CM2 = 400
GROUP_WORDS = re.compile(
    r"(?<!\w)(?:follow up|followup|visits?|results?|after|nach|kontrolle|controles?)(?!\w)"
)
NOT_SECRET = ("record", "date", "other")  # the code, the dates turned to months, remarks


@dataclass(frozen=True, slots=True)
class Guess:
    """A column's proposed meaning, how sure (0 to 100), and on what it rests."""

    plan: ColumnPlan
    score: float
    why: str


def columns(sheet: Sheet, table: FoundTable) -> list[Guess]:
    """Return a guess for each column of a table, each target given once for one zone, session and visit."""
    guesses = [
        _guess(letter(at), own, above, cells_of(sheet, table, at))
        for at, (own, above) in table.headers.items()
    ]
    if any(target.endswith(".zone") for g in guesses for target in g.plan.to):
        guesses = [replace(g, plan=replace(g.plan, zone="")) for g in guesses]
    return _once_each(_units_without_hairs(guesses))


def _once_each(guesses: list[Guess]) -> list[Guess]:
    """Return guesses in which two columns that would say the same fact are both a question."""
    said: dict[tuple, list[Guess]] = {}
    for guess in guesses:
        said.setdefault(_fact(guess.plan), []).append(guess)
    return [_or_question(guess, said[_fact(guess.plan)]) for guess in guesses]


def _or_question(guess: Guess, alike: list[Guess]) -> Guess:
    """Return a guess, or a question where others say the same; of a patient's fact one may be best."""
    others = [g for g in alike if g is not guess]
    if guess.plan.is_set_aside or guess.plan.to == (QUESTION,) or not others:
        return guess
    names = ", ".join(g.plan.letter for g in others)
    if guess.plan.to[0].startswith("patients."):
        if all(guess.score - g.score >= CLEARLY for g in others):
            return guess
        if max(g.score for g in others) - guess.score >= CLEARLY:
            return Guess(
                replace(guess.plan, to=(SET_ASIDE,), reason=f"column {names} says it"), 0, "less like it"
            )
    why = f"{' or '.join(guess.plan.to)}, like column {names}: keep one, write set aside for the other"
    return Guess(replace(guess.plan, to=(QUESTION,), split=""), 0, why)


def _fact(plan: ColumnPlan) -> tuple:
    return plan.to, plan.zone, plan.site, plan.session, plan.visit if plan.month is None else plan.month


def _units_without_hairs(guesses: list[Guess]) -> list[Guess]:
    """Make counts of follicular units a question where no column holds the hairs of the same visit."""
    hairs = {_fact(g.plan)[1:] for g in guesses if "measurements.density_hairs_cm2" in g.plan.to}
    why = "follicular units without hairs of that visit: hairs cannot be told from them"
    return [
        Guess(replace(g.plan, to=(QUESTION,)), 50, why)
        if g.plan.to == ("measurements.density_fu_cm2",) and _fact(g.plan)[1:] not in hairs
        else g
        for g in guesses
    ]


def cells_of(sheet: Sheet, table: FoundTable, at: int) -> Counter:
    """Return the filled cells of a column, each with how often it stands there.

    Words for missing and a repeated header are left out.
    """
    rows = np.arange(table.first_row, table.last_row + 1)
    cells = Counter(sheet.cells[rows[~np.isin(rows, table.aside)], at])
    words = {"", *(m.casefold() for m in (*MISSING, *FORMULA_ERRORS)), table.headers[at][0].casefold()}
    return Counter(
        {c: n for c, n in cells.items() if not (isinstance(c, str) and c.strip(SPACES).casefold() in words)}
    )


def _guess(at: str, own: str, above: str, cells: Counter) -> Guess:
    """Return the guess for one column."""
    header = f"{above} / {own}" if above else own
    own, above = own[:LONGEST_HEADER], above[:LONGEST_HEADER]
    if is_unit(own) and above and best_target(values.key(own))[1] < SURE:
        own, above = f"{above} ({own})", ""
    bare, unit = _without_unit(own)
    blank = ColumnPlan(at, header, (SET_ASIDE,))
    secret = _identifying(own)
    if secret:
        return Guess(replace(blank, reason=f"identifier: {secret}"), 100, "by its header")
    two = _two_facts(blank, cells)
    if two is not None:
        return two
    about, rest = _about(values.key(bare), values.key(above))
    if _share(cells, _is_number) >= ENOUGH and values.unit_key(unit) in NOT_HAIR_UNITS:
        return Guess(
            replace(blank, reason="its unit is none of this workbook"), 0, "by the unit in its header"
        )
    target, score, why = _target(rest, values.key(above), about, cells, unit)
    if not target:
        reason = "free text" if _is_remarks(own, cells) else "not understood"
        return Guess(replace(blank, reason=reason), 0, why)
    if target == QUESTION:
        return Guess(replace(blank, to=(QUESTION,), **about), score, why)
    if target == "patients.patient_id" and _width(cells):
        why = f"numbers among texts of {_width(cells)} digits: a spreadsheet program took their zeros"
        return Guess(replace(blank, to=(target,), width=_width(cells), **about), score, why)
    return Guess(replace(blank, to=(target,), unit=_foreign(unit, target), **about), score, why)


def _width(cells: Counter) -> int:
    """Return the digits of codes where some are texts with zeros in front and others numbers; else 0."""
    digits = [c.strip(SPACES) for c in cells if isinstance(c, str) and c.strip(SPACES).isdigit()]
    sizes = {len(d) for d in digits}
    is_mixed = any(isinstance(c, float) for c in cells) and any(d[0] == "0" for d in digits)
    return sizes.pop() if is_mixed and len(sizes) == 1 else 0


def _identifying(own: str) -> str:
    """Return the class of identifier a header speaks of, unless it is a known word for a table's column."""
    if best_target(values.key(own))[1] >= SURE:
        return ""
    kind = class_of_header(own)
    return in_words(kind) if kind and kind not in NOT_SECRET else ""


def _without_unit(own: str) -> tuple[str, str]:
    """Return a header without its unit, in brackets or as its last words, and the unit."""
    match = re.search(r"[(\[]([^()\[\]]+)[)\]]", own)
    if match and _is_any_unit(match.group(1)):
        return (own[: match.start()] + own[match.end() :]).strip(), match.group(1)
    words = own.split()
    if best_target(values.key(own))[1] >= SURE:
        return own, ""
    for n in (3, 2, 1):
        last = " ".join(words[-n:])
        if len(words) > n and _is_any_unit(last) and UNIT_ALONE.search(last):
            return " ".join(words[:-n]), last
    return own, ""


def _is_any_unit(text: str) -> bool:
    return is_unit(text) or values.unit_key(text) in NOT_HAIR_UNITS


def _foreign(unit: str, target: str) -> str:
    """Return the unit where it is not the dictionary's own."""
    table, name = target.split(".")
    column = next((c for c in TABLES[table].columns if c.name == name), None)
    in_use = UNITS.get(values.unit_key(unit))
    differs = column and in_use and (in_use[0] != column.unit or in_use[1:] != (1.0, 0.0))
    return unit if unit and differs else ""


def _about(own: str, above: str) -> tuple[dict, str]:
    """Return what header words say of zone, session and visit, and the words of its own line that remain."""
    about: dict = {}
    remaining = {"own": own, "above": above}
    for line in ("own", "above"):
        visit = VISIT.search(remaining[line])
        if visit and "visit" not in about:
            about |= {"visit": visit.group(0).strip(), "month": _month(visit)}
            remaining[line] = remaining[line].replace(visit.group(0), " ")
        session = SESSION.search(remaining[line])
        if session and "session" not in about:
            about["session"] = int(session.group(1) or session.group(2))
            remaining[line] = remaining[line].replace(session.group(0), " ")
        zone, word = _zone(remaining[line]) if len(remaining[line].split()) <= WORDS_OF_A_ZONE else ("", "")
        if zone and "zone" not in about and not _is_whole_target(remaining[line]):
            about["zone"] = zone
            remaining[line] = remaining[line].replace(word, " ")
    return about, " ".join(remaining["own"].split())


def _is_whole_target(text: str) -> bool:
    return best_target(text)[1] >= 99


def _month(visit: re.Match) -> float:
    months, after, weeks, years, _ = visit.groups()
    if months or after:
        return float(months or after)
    if weeks:
        return round(int(weeks) * 7 / values.DAYS_A_MONTH, 1)
    return 12.0 * int(years) if years else 0.0


def _zone(text: str) -> tuple[str, str]:
    """Return the zone named in a header and its words; the longest words win."""
    for word in sorted(ZONES_BY_WORD, key=len, reverse=True):
        if len(word) > 2 and re.search(rf"(?<!\w){re.escape(word)}(?!\w)", text):
            return ZONES_BY_WORD[word], word
    return "", ""


def _target(rest: str, above: str, about: dict, cells: Counter, unit: str) -> tuple[str, float, str]:
    """Return the target of a column, how sure, and why; "" where none fits."""
    if UNITS.get(values.unit_key(unit), ("",))[0] == "FU/cm2" and "visit" in about:
        return "measurements.density_fu_cm2", 95, "follicular units at a visit, by its unit"
    if "visit" in about and DATE_WORDS.search(rest):
        return "measurements.date", 95, "a date of that visit"
    tried = [
        (rest, "its header"),
        (f"{above} {rest}".strip(), "both lines of its header"),
        (above, "the line above it"),
    ]
    ranked = sorted(((*best_target(t), how) for t, how in tried if t), key=lambda r: -r[1])
    for target, score, how in ranked:
        fitted = _moved(target, about)
        enough = ENOUGH_IF_SURE if score >= SURE else ENOUGH
        if score >= SURE and fitted.endswith(".zone") and len(cells) <= MOST_WORDS:
            return fitted, score, f"{how} is like a known word ({score:.0f} of 100)"
        if score >= LIKELY and _fits(fitted, cells) >= enough:
            return fitted, score, f"{how} is like a known word ({score:.0f} of 100)"
    if "visit" in about and _share(cells, _is_number) >= ENOUGH_IF_SURE:
        over = "" if COUNT_WORDS.search(above) else _zone_free(above)
        left = BESIDE_COUNTS.sub(" ", COUNT_WORDS.sub(" ", f"{rest} {over}")).strip()
        if left or not _may_be_counts(cells):
            return QUESTION, 50, "numbers at a visit: counts of hairs per cm2, or something else?"
        return "measurements.density_hairs_cm2", 80, "numbers at a visit, and no other word"
    if "zone" in about and not rest and _share(cells, _is_number) >= ENOUGH:
        return QUESTION, 50, "numbers of that zone: grafts, area or a count?"
    return "", 0.0, f"no known word is near ({ranked[0][1]:.0f} of 100)" if ranked else "no header"


def _zone_free(above: str) -> str:
    """Return the words of the line above a header without zone, visit, session and grouping words."""
    _, rest = _about(above, "")
    return "" if best_target(rest)[1] >= LIKELY else GROUP_WORDS.sub(" ", rest).strip()


def _may_be_counts(cells: Counter) -> bool:
    """Tell whether numbers can be hairs per cm2 (0 to 400, the dictionary's range) at all."""
    numbers = [c for c in cells if isinstance(c, float)]
    return sum(0 <= c <= MOST_HAIRS_CM2 for c in numbers) >= 0.9 * len(numbers)


def _moved(target: str, about: dict) -> str:
    """Return the target that a visit or a session makes of it: a date at a visit is a visit's."""
    if target == "sessions.date" and "visit" in about:
        return "measurements.date"
    return target


def _fits(target: str, cells: Counter) -> float:
    """Return the share of cells that have the shape the target needs."""
    table, name = target.split(".")
    if name.endswith("date"):
        return _share(cells, _is_date)
    column = next((c for c in TABLES[table].columns if c.name == name), None)
    if name == "hairs_per_graft" or (column and column.kind in ("number", "integer")):
        return _share(cells, _is_number)
    if column and column.kind == "yesno":
        return _share(cells, lambda c: not isinstance(values.yes_or_no(c), values.Fault))
    if column and (column.kind == "choice" or name == "zone"):
        words = choice_words(target)
        return _share(cells, lambda c: nearest(str(c), words)[1] >= LIKELY)
    return 1.0


def choice_words(target: str) -> dict[str, str]:
    """Return the words in use for a target, each with the dictionary's word."""
    if target.endswith(".zone"):
        return ZONES_BY_WORD
    table, name = target.split(".")
    allowed = {values.key(w): w for w in TABLES[table].column(name).allowed}
    common = {values.key(w): meaning for meaning, ws in CHOICE_WORDS.get(target, {}).items() for w in ws}
    return allowed | common


def nearest(text: str, words: dict[str, str]) -> tuple[str, float]:
    """Return the meaning of the known word a text is most like, and how much (0 to 100)."""
    match = process.extractOne(values.key(text), list(words), scorer=fuzz.ratio)
    return (words[match[0]], float(match[1])) if match else ("", 0.0)


def _share(cells: Counter, test: Callable[[object], bool]) -> float:
    """Return the share of cells that pass; each distinct cell is looked at once."""
    return sum(n for cell, n in cells.items() if test(cell)) / cells.total() if cells else 1.0


def _is_number(cell: object) -> bool:
    if not isinstance(cell, str):
        return isinstance(cell, float)
    text = ABOUT.sub("", cell.strip(SPACES))
    is_number = RANGE.match(text) or re.match(r"[+-]?\d[\d.,'’ ]*(?!\d*[/-]\d)", text)
    return bool(is_number) and not _is_date(cell)


def _is_date(cell: object) -> bool:
    if isinstance(cell, float):
        return values.DAY_NUMBERS[0] <= cell <= values.DAY_NUMBERS[1]
    if not isinstance(cell, str):
        return True
    text = cell.strip(SPACES)
    if DATE.match(text) or ISO.match(text):
        return True
    return not isinstance(values.date(text, values.Reading(short_years="2000")), values.Fault)


def _is_remarks(own: str, cells: Counter) -> bool:
    return class_of_header(own) == "other" or _share(cells, lambda c: isinstance(c, str) and " " in c) > 0.5


def _two_facts(blank: ColumnPlan, cells: Counter) -> Guess | None:
    """Return a guess for a column whose cells hold an area and a zone, or a method and a person."""
    texts = Counter({c: n for c, n in cells.items() if isinstance(c, str)})
    if texts.total() < max(3, 0.5 * cells.total()):
        return None
    for split, left, right in (
        ("number and word", "placements.area_cm2", "placements.zone"),
        ("/", "sessions.method", "sessions.surgeon_id"),
        ("-", "sessions.method", "sessions.surgeon_id"),
    ):
        words = choice_words(right if split == "number and word" else left)
        half = 1 if split == "number and word" else 0

        def holds(cell: object, split: str = split, half: int = half, words: dict = words) -> bool:
            pair = values.two(cell, split)
            return not isinstance(pair, values.Fault) and nearest(pair[half], words)[1] >= LIKELY

        if _share(texts, holds) >= ENOUGH:
            plan = replace(blank, to=(left, right), split=split)
            return Guess(plan, 100, f"its cells hold two facts, cut at {split}")
    return None
