"""How a file writes numbers, dates, missing cells and marks: told from its cells, or left as a question.

A habit is stated only where the cells leave no other reading: one date with a first number above 12 makes
day first, one with a second number above 12 month first, both or neither make a question.
"""

import datetime
import re
from collections import Counter
from collections.abc import Iterable

from analytics.mapping.plan import QUESTION
from analytics.mapping.sources import SPACES
from analytics.mapping.values import ABOUT, CODE_MARKS, MISSING, RANGE

DATE = re.compile(r"(\d{1,2}) ?[-/. ] ?(\d{1,2}) ?[-/. ] ?(\d{4}|\d{2})\b")
ISO = re.compile(r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}")
NUMBER = re.compile(r"[+-]?\d[\d.,'’  ]*")
MARKS = re.compile(r"^[+-]?\d[\d.,]*(?: ?[^\d\s]+[²2]?)??\s*([*!#†‡°§+x]+)$")


def decimal(texts: Iterable[str]) -> tuple[str, str]:
    """Return the decimal mark (comma, point or ?) and why.

    >>> decimal(["42,5", "7,25"])[0], decimal(["1.5"])[0], decimal(["1,5", "1.5"])[0], decimal(["1,234"])[0]
    ('comma', 'point', '?', '?')
    """
    comma = point = unclear = 0
    for text, n in Counter(texts).items():
        match = NUMBER.match(text.strip(SPACES))
        digits = match.group(0).strip() if match else ""
        comma += n * bool(
            re.fullmatch(r"[+-]?\d+,(?:\d{1,2}|\d{4,})|[+-]?\d{1,3}(?:[. '’]\d{3})+,\d+", digits)
        )
        point += n * bool(
            re.fullmatch(r"[+-]?\d+\.(?:\d{1,2}|\d{4,})|[+-]?\d{1,3}(?:[, '’]\d{3})+\.\d+", digits)
        )
        unclear += n * bool(re.fullmatch(r"[+-]?\d{1,3}[.,]\d{3}", digits))
    if comma and point:
        return (
            QUESTION,
            f"{comma} numbers have a comma, {point} a point: mend the fewer, or map their sheet alone",
        )
    if comma or point:
        return ("comma", f"{comma} numbers say so") if comma else ("point", f"{point} numbers say so")
    if unclear:
        return QUESTION, f"{unclear} numbers have a mark before three digits, which says nothing"
    return "point", "no number has a mark"


def thousands(texts: Iterable[str], mark: str) -> tuple[str, str]:
    """Return what stands between thousands, and why; none where no number has it.

    >>> thousands(["1.234,5"], "comma")[0], thousands(["1 234"], "comma")[0], thousands(["1.234"], "comma")[0]
    ('point', 'space', '?')
    """
    counts: Counter[str] = Counter()
    for text, n in Counter(texts).items():
        match = NUMBER.match(text.strip(SPACES))
        digits = match.group(0).strip() if match else ""
        for name, sign in (("point", r"\."), ("comma", ","), ("space", "[  ]"), ("apostrophe", "['’]")):
            other = r"\." if mark == "point" else ","
            sure = name in ("space", "apostrophe")
            many = re.fullmatch(rf"\d{{1,3}}(?:{sign}\d{{3}})+(?:{other}\d+)", digits)
            many = many or re.fullmatch(rf"\d{{1,3}}(?:{sign}\d{{3}}){{2,}}", digits)
            once = re.fullmatch(rf"\d{{1,3}}{sign}\d{{3}}", digits)
            if sign != other and (many or (once and sure)):
                counts[name] += n
            elif sign != other and once:
                counts[QUESTION] += n
    if len(counts) == 2 and QUESTION in counts:
        del counts[QUESTION]  # the sure ones tell how the others are meant
    if len(counts) > 1:
        return QUESTION, "several marks stand between thousands"
    name, count = counts.most_common(1)[0] if counts else ("none", 0)
    return name, f"{count} numbers have a mark before three digits" if count else "no number has one"


def date_order(texts: Iterable[str]) -> tuple[str, str]:
    """Return the order of dates (or ?) and why.

    >>> date_order(["13/05/2024"])[0], date_order(["05/13/2024"])[0], date_order(["04/05/2024"])[0]
    ('day-month-year', 'month-day-year', '?')
    """
    day_first = month_first = unclear = 0
    for text, n in Counter(texts).items():
        match = None if ISO.match(text.strip(SPACES)) else DATE.match(text.strip(SPACES))
        if match:
            first, second = int(match.group(1)), int(match.group(2))
            day_first += n * (first > 12)
            month_first += n * (second > 12)
            unclear += n * (first <= 12 and second <= 12)
    if day_first and month_first:
        return QUESTION, f"{day_first} dates have the day first, {month_first} the month: mend the fewer"
    if day_first or month_first:
        order = "day-month-year" if day_first else "month-day-year"
        return order, f"{day_first or month_first} dates can be read no other way, {unclear} either way"
    if unclear:
        return QUESTION, f"{unclear} dates can be read either way"
    return "year-month-day", "no date is written day or month first"


def short_years(texts: Iterable[str]) -> tuple[str, str]:
    """Return the century of years of two digits: a question where there are any."""
    short = sum(
        n
        for text, n in Counter(texts).items()
        if (m := DATE.match(text.strip(SPACES))) and len(m.group(3)) == 2
    )
    return (QUESTION, f"{short} years have two digits: write 2000 or 1900") if short else ("", "")


def missing(texts: Iterable[str]) -> list[str]:
    """Return the words for missing that are in use.

    >>> missing(["12", "n/k", "N/K", "-"])
    ['-', 'n/k']
    """
    words = {m.casefold() for m in MISSING}
    return sorted({t.strip(SPACES).casefold() for t in texts} & words)


def mark(texts: Iterable[str], footnotes: Iterable[str]) -> tuple[str, str]:
    """Return the mark after numbers that says a photograph was not to standard (or ?), and why.

    >>> mark(["42,5*", "40"], ["* = photo not to standard"])[0], mark(["42,5*"], [])[0], mark(["42"], [])[0]
    ('*', '?', '')
    """
    counts: Counter[str] = Counter()
    for text, n in Counter(texts).items():
        if m := MARKS.match(text.strip(SPACES)):
            counts[m.group(1)] += n
    if not counts:
        return "", ""
    if len(counts) == 1:
        sign, count = counts.most_common(1)[0]
        notes = [f for f in footnotes if f.strip(SPACES).startswith(sign)]
        if any(re.search(r"standard|photo|foto|norm", f, re.IGNORECASE) for f in notes):
            return sign, f"{count} counts have it; a footnote says so"
        return (
            QUESTION,
            f"{count} counts end in a mark: if it means a photograph not to standard, write the mark",
        )
    return QUESTION, "counts end in several marks"


def asked(numbers: Iterable[str], codes: Iterable[str], n_errors: int) -> dict[str, str]:
    """Return what the practice must say of numbers, codes and errors of formulas, each with the question.

    >>> list(asked(["~45", "45-50"], ["*0012"], 2))
    ['approximate', 'ranges', 'code_marks', 'errors']
    """
    about = between = marks = 0
    for text, n in Counter(numbers).items():
        bare = text.strip(SPACES)
        about += n * bool(ABOUT.match(bare))
        between += n * bool(RANGE.match(ABOUT.sub("", bare)) and not DATE.match(bare) and not ISO.match(bare))
    for text, n in Counter(codes).items():
        marks += n * (text.strip(SPACES) != text.strip(CODE_MARKS + SPACES))
    questions = {
        "approximate": (about, f'{about} numbers are written as about (~45): "as written", or stop'),
        "ranges": (between, f'{between} cells hold a range (45-50): "midpoint", or stop'),
        "code_marks": (
            marks,
            f'{marks} codes have a mark beside them: "drop" it, or "keep" it as part of the code',
        ),
        "errors": (n_errors, f'{n_errors} cells hold errors of formulas: mend the file, or "set aside"'),
    }
    return {name: why for name, (n, why) in questions.items() if n}


def first_month(dates: Iterable[datetime.date]) -> str:
    """Return the month of the earliest operation as YYYY-MM, or a question.

    >>> first_month([datetime.date(2021, 3, 5), datetime.date(2024, 1, 1)])
    '2021-03'
    """
    days = list(dates)
    return min(days).strftime("%Y-%m") if days else QUESTION
