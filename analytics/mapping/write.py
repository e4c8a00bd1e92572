"""Write the proposed mapping file: what was found, on what it rests, and what a person must answer."""

import json
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from analytics.dictionary import TABLES
from analytics.errors import RecordError
from analytics.mapping import find, habits, values
from analytics.mapping.doubts import (
    Guessed,
    cells_in,
    date_columns,
    footnotes,
    joining,
    line_of,
    n_errors,
    texts_of,
)
from analytics.mapping.plan import CONFIRMED, EVERY_SHEET, QUESTION, SHEET_NAME, ColumnPlan
from analytics.mapping.propose import Guess, cells_of, choice_words, columns, nearest
from analytics.mapping.sources import EMPTY, Book, Sheet, Unfold, found, read, sheet_of, unfolded
from analytics.mapping.tabs import FEWEST_TABS, TOTAL, headings

# What a register must state, with the question to the clinic where its file does not.
MUST_STATE = (
    "sessions.method",
    "sessions.surgeon_id",
    "sessions.grafts_discarded",
    "placements.area_cm2",
    "placements.hairs_per_graft",
    "measurements.roi_area_cm2",
    "measurements.n_fields",
    "measurements.roi_marked",
    "measurements.standard_conditions",
)
LIKE_A_PERSON = re.compile(r"\d{4}|@|[\w.]+\.[a-z]{2,}$")  # what is not copied from a cell of labels
MOST_WORDS_OF_A_LABEL = 3
# What a practice that keeps no such column may state: the value with the wider error. Asked once.
CAUTIOUS: dict[str, tuple[object, str]] = {
    "sessions.grafts_discarded": (0, "the file keeps planted grafts only"),
    "measurements.roi_area_cm2": (1.0, "not kept; fields of one square centimetre are common (no source)"),
    "measurements.n_fields": (1, "not kept; at least one field was counted"),
    "measurements.roi_marked": (False, "not kept; an unmarked region has the wider error"),
}
HEAD = """\
# How the columns of {name} become the tables of the workbook. Proposed; read every line and correct it.
# Rows and columns are those the spreadsheet program shows. A "?" is a question: it must be answered.
# It holds headings, sheet names and short words of the file: keep it where you keep the file.
# Then: regrowth map FILE --mapping THIS_FILE --out FOLDER
version = 1
"""


def propose(source: str | Path, *, queries: Mapping[str, str] | None = None) -> str:
    """Return a mapping file for a clinic's own file, to be read and corrected by a person.

    Parameters
    ----------
    source
        A workbook, text file, folder, Parquet or DuckDB file, or a SQLAlchemy URL.
    queries
        For a database: name to one reading query.

    Raises
    ------
    RecordError
        When the file cannot be read, or holds no table with a header that says anything.
    """
    book = read(source, queries=queries)
    unfold = found(
        book, lambda h: values.key(h) in values.FACT_NAMES, lambda h: values.key(h) in values.FACT_VALUES
    )
    book = unfolded(book, unfold)
    away = {one.sheet for one in unfold}
    tables: Guessed = []
    for sheet in book.sheets:
        if not sheet.is_hidden and sheet.name not in away:
            tables += [(sheet, table, columns(sheet, table)) for table in find.tables(sheet)]
    tables, n_alike = _alike(tables)
    if not tables:
        raise RecordError(
            f"{book.name}: no table was found; a table has a header of which at least two words say what a "
            "column holds, such as chart no, op date, zone, grafts; write such a header above the table"
        )
    parts = [
        HEAD.format(name=book.name),
        _reading(book, tables),
        joining(tables),
        _zones(tables),
        _words(tables),
        _constants(tables),
        *(_unfold(one) for one in unfold),
        *(_table(*one, n_alike) for one in tables),
        _aside(book, tables, away, n_alike > 0),
    ]
    return "\n".join(part for part in parts if part)


def _alike(guessed: Guessed) -> tuple[Guessed, int]:
    """Return the tables with one for all sheets that are alike, and how many those are (0: none).

    Where such sheets have no column of the patient, the sheet's name is the code.
    """
    groups: dict[tuple, Guessed] = {}
    for one in guessed:
        groups.setdefault(headings(one[1]), []).append(one)
    most = max(groups.values(), key=len, default=[])
    if len(most) < FEWEST_TABS or len({s.name for s, _, _ in most}) < len(most):
        return guessed, 0
    sheet, table, guesses = _together(most)
    who = any("patients.patient_id" in g.plan.to for g in guesses)
    if not who:
        plan = ColumnPlan(SHEET_NAME, "", ("patients.patient_id",))
        guesses = [*guesses, Guess(plan, 100, "one sheet a patient, as it seems")]
        table = replace(table, headers={**table.headers, sheet.cells.shape[1] - 1: ("", "")})
    rest = [one for one in guessed if not any(one is m for m in most)]
    return [(sheet, table, guesses), *rest], len(most)


def _together(alike: Guessed) -> tuple[Sheet, find.FoundTable, list[Guess]]:
    """Return sheets that are alike as one, a guess for each column; the last column is the sheet's name."""
    sheet, table, _ = alike[0]
    parts = [s.cells[t.first_row : t.last_row + 1] for s, t, _ in alike]
    width = max(p.shape[1] for p in parts)
    wide = [
        [*row, *[""] * (width - len(row)), s.name]
        for (s, _, _), p in zip(alike, parts, strict=True)
        for row in p.tolist()
    ]
    head = [[*row, *[""] * (width + 1 - len(row))] for row in sheet.cells[: table.first_row].tolist()]
    whole = replace(sheet_of(EVERY_SHEET, [*head, *wide]), merged=())
    longest = replace(table, last_row=len(head) + len(wide) - 1, aside=())
    return whole, longest, columns(whole, longest)


def _unfold(one: Unfold) -> str:
    lines = ["# This sheet has one row a fact; it is read as a sheet of one column a fact.", "[[unfold]]"]
    facts = (
        ("sheet", one.sheet),
        ("header_row", one.header_row),
        ("names", one.names),
        ("values", one.values),
    )
    return "\n".join([*lines, *(line_of(k, v, "") for k, v in facts), ""])


def _reading(book: Book, guessed: Guessed) -> str:
    dates = texts_of(guessed, of="date")
    other = {*dates, *texts_of(guessed, of="patient_id")}
    every = texts_of(guessed)
    numbers = Counter({t: n for t, n in every.items() if t not in other and _is_numeric(t)})
    counts = texts_of(guessed, of="density_hairs_cm2")
    decimal, why_decimal = habits.decimal(numbers)
    between, why_between = habits.thousands(numbers, decimal)
    order, why_order = habits.date_order(dates)
    short, why_short = habits.short_years(dates)
    mark, why_mark = habits.mark(counts, footnotes(guessed))
    asked = habits.asked(numbers, texts_of(guessed, of="patient_id"), n_errors(guessed))
    lines = [
        "[reading]",
        line_of("decimal", decimal, f"comma or point; {why_decimal}"),
        line_of("thousands", between, f"none, point, comma, space, apostrophe; {why_between}"),
        line_of("date_order", order, f"day-month-year, month-day-year, year-month-day; {why_order}"),
        line_of("short_years", short, why_short) if short else "",
        line_of("missing", habits.missing(every), "words that stand for an empty cell"),
        line_of("mark", mark, f"a count with it was not photographed to standard; {why_mark}")
        if mark
        else "",
        *(line_of(name, QUESTION, why) for name, why in asked.items()),
        line_of("encoding", book.encoding, "how letters were read") if book.encoding else "",
        line_of("separator", book.separator, "what stands between cells") if book.separator else "",
    ]
    swapped = any(values.swapped(cells_in(s, t, at), values.Reading()) for s, t, at in date_columns(guessed))
    if swapped:
        lines.append(
            line_of(
                "swapped", QUESTION, 'stored dates may have day and month turned: "as stored" or "turn back"'
            )
        )
    return "\n".join(line for line in lines if line) + "\n"


def _is_numeric(text: str) -> bool:
    return bool(habits.NUMBER.match(values.ABOUT.sub("", text.strip())))


def _zones(guessed: Guessed) -> str:
    halves = _choice_texts(guessed, "zone")
    return _lexicon("zones", halves, find.ZONES_BY_WORD) if halves else ""


def _words(guessed: Guessed) -> str:
    targets = {
        t
        for _, _, guesses in guessed
        for g in guesses
        for t in g.plan.to
        if "." in t and not t.endswith((".zone", "date")) and _kind(t) == "choice"
    }
    parts = []
    for target in sorted(targets):
        texts = _choice_texts(guessed, target)
        parts.append(_lexicon(f'words."{target}"', texts, choice_words(target)))
    return "\n".join(parts)


def _kind(target: str) -> str:
    table, name = target.split(".")
    return next((c.kind for c in TABLES[table].columns if c.name == name), "")


def _choice_texts(guessed: Guessed, ending: str) -> list[str]:
    """Return the distinct words of columns with a target, the half of a cell where it holds two facts."""
    out: set[str] = set()
    for sheet, table, guesses in guessed:
        for at, one in zip(table.headers, guesses, strict=True):
            for place, target in enumerate(one.plan.to):
                if target == ending or (ending == "zone" and target.endswith(".zone")):
                    out |= _halves(cells_of(sheet, table, at), one.plan, place)
    return sorted(out)


def _halves(cells: Counter, plan: ColumnPlan, place: int) -> set[str]:
    if not plan.split:
        return {str(int(c)) if isinstance(c, float) and c == int(c) else str(values.tidy(c)) for c in cells}
    pairs = [values.two(c, plan.split) for c in cells]
    return {p[place] for p in pairs if not isinstance(p, values.Fault)}


def _lexicon(name: str, texts: list[str], words: dict[str, str]) -> str:
    """Return a table of words with their meaning: known exactly, near a known one, or a question."""
    lines, n_hidden = [f"[{name}]"], 0
    for text in {values.key(t): t for t in texts}.values():
        exact = words.get(values.key(text))
        near, score = nearest(text, words)
        if exact:
            lines.append(line_of(text, exact, ""))
        elif score >= find.LIKELY:
            lines.append(line_of(text, near, f"near a known word ({score:.0f} of 100): look"))
        elif LIKE_A_PERSON.search(text) or len(text.split()) > MOST_WORDS_OF_A_LABEL:
            n_hidden += 1
        else:
            lines.append(line_of(text, QUESTION, "which of the dictionary's words?"))
    if n_hidden:
        lines.append(
            f"# {n_hidden} more are like numbers, addresses or sentences and are not copied: mend those cells"
        )
    return "\n".join(lines) + "\n"


def _constants(guessed: Guessed) -> str:
    """Return questions for what a register must state and the file does not."""
    stated = {t for _, _, guesses in guessed for g in guesses for t in g.plan.to}
    tables = {t.split(".")[0] for t in stated if "." in t}
    mark = habits.mark(texts_of(guessed, of="density_hairs_cm2"), footnotes(guessed))[0]
    missing = [
        t
        for t in MUST_STATE
        if t not in stated
        and t.split(".")[0] in tables
        and (t != "placements.hairs_per_graft" or _without_sizes(stated))
        and not (t == "measurements.standard_conditions" and mark)
    ]
    if not missing:
        return ""
    lines = ["# The file does not say these; state them only if they hold for every row.", "[constants]"]
    for target in (t for t in missing if t in CAUTIOUS):
        value, because = CAUTIOUS[target]
        lines.append(f'"{target}" = {{ value = {json.dumps(value)}, because = "{because}" }}')
    for target in (t for t in missing if t not in CAUTIOUS):
        table, name = target.split(".")
        if name == "hairs_per_graft":
            lines.append(
                f'"{target}" = {{ value = "?", because = "?" }}  # mean hairs of a graft in this practice'
            )
            continue
        column = TABLES[table].column(name)
        unit = f", in {column.unit}" if column.unit else ""
        lines.append(f'"{target}" = {{ value = "?", because = "?" }}  # {column.meaning}{unit}')
    if any(t in CAUTIOUS for t in missing):
        lines.append(f'{CONFIRMED} = "?"  # look at the values above, mend them, then write "yes"')
    return "\n".join(lines) + "\n"


def _without_sizes(stated: set[str]) -> bool:
    """Tell whether grafts are counted and neither their sizes nor their hairs."""
    names = ("hairs", "hairs_per_graft", "roi_planted_hairs_cm2", *(f"grafts_{n}" for n in (1, 2, 3, 4)))
    return "placements.grafts" in stated and not any(f"placements.{n}" in stated for n in names)


def _table(sheet: Sheet, table: find.FoundTable, guesses: list[Guess], n_alike: int) -> str:
    is_every = sheet.name == EVERY_SHEET
    lines = [
        "[[table]]",
        line_of("sheet", sheet.name, f"every sheet with these headings: {n_alike}" if is_every else ""),
        line_of("header_rows", [r + 1 for r in table.header_rows], ""),
        line_of("first_row", table.first_row + 1, ""),
        line_of("last_row", 0 if is_every else table.last_row + 1,
              "to the last row of data of each sheet" if is_every else "what stands below is set aside"),
        "",
    ]  # fmt: skip
    for at, one in zip(table.headers, guesses, strict=True):
        filled = sum(c != "" for c in cells_in(sheet, table, at))
        lines += [f"  # {filled} cells; {one.why}", "  [[table.column]]", *_column(one.plan), ""]
    return "\n".join(lines)


def _column(plan: ColumnPlan) -> list[str]:
    to: object = list(plan.to) if len(plan.to) > 1 else plan.to[0]
    facts: dict[str, object] = {"letter": plan.letter, "header": plan.header, "to": to}
    for name in ("split", "reason", "zone", "site", "session", "visit", "month", "unit", "width"):
        value = getattr(plan, name)
        if value not in ("", 0, None) or (name == "month" and value == 0.0):
            facts[name] = value
    return [f"  {line_of(k, v, '')}" for k, v in facts.items()]


def _aside(book: Book, guessed: Guessed, away: set[str], has_tabs: bool) -> str:
    """Return rows and sheets that are not mapped, to be seen."""
    used = {sheet.name for sheet, _, _ in guessed} | away
    lines = []
    for sheet, table, _ in guessed:
        if table.aside:
            rows = [r + 1 for r in table.aside]
            lines += [
                "[[set_aside]]",
                line_of("sheet", sheet.name, ""),
                line_of("rows", rows, ""),
                line_of("reason", TOTAL, "look"),
                "",
            ]
    for sheet in book.sheets:
        if has_tabs and find.tables(sheet):
            continue
        if sheet.name not in used and (sheet.fate != EMPTY).any():
            reason = "hidden sheet" if sheet.is_hidden else "no table was found on it"
            lines += ["[[set_aside]]", line_of("sheet", sheet.name, ""), line_of("reason", reason, ""), ""]
    return "\n".join(lines)
