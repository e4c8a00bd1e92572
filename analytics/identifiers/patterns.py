"""What in a cell could identify a person: shapes with check digits, one value at a time.

Each pattern (lexicon.toml) names a class of identifier. All patterns are tried at once by one quick
expression over the distinct values of a column; only what it catches is looked at closely. Check digits are
computed by python-stdnum (IBAN: ISO 13616; cards and IMEI: Luhn; national numbers by country) and here for
vehicle numbers (ISO 3779). Numbers of nine digits and more are taken as identifying whatever their check
digits say.
"""

import importlib
import ipaddress
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from types import ModuleType

import stdnum.imei
import stdnum.iso7064.mod_97_10
import stdnum.luhn

from analytics.identifiers.lexicon import lexicon, plain, words

LONG_NUMBER = 9  # digits
PHONE_DIGITS = (7, 15)  # ITU-T E.164: at most 15
CAPITAL, SMALL = "[A-ZÀ-ÖØ-Þ]", "[a-zß-öø-ÿ'’-]"
WINDOW, LONGEST_IDENTIFIER = 400, 150  # signs


@dataclass(frozen=True, slots=True)
class Pattern:
    """One shape of an identifier; `holds` decides on the matched text where the shape alone does not."""

    kind: str
    shape: str
    holds: Callable[[str], bool] | None = None


def kind_of(value: str) -> str | None:
    """Return the class of the first identifier found in a value, or None.

    >>> [kind_of(v) for v in ("x@example.org", "4111 1111 1111 1111", "19/02/2024", "saline", "III vertex")]
    ['email', 'account', 'date', None, None]
    """
    # A cell as long as a file is looked through in windows: the time of some shapes grows with the square.
    for begin in range(0, max(len(value), 1), WINDOW):
        for pattern, compiled in _compiled():
            for match in compiled.finditer(value, begin, begin + WINDOW + LONGEST_IDENTIFIER):
                if pattern.holds is None or pattern.holds(match.group(0)):
                    return pattern.kind
    return None


@cache
def quick_look() -> str:
    """Return one expression that any identifier matches; each part keeps its own flags."""
    shapes = [pattern.shape for pattern in patterns()]
    return "|".join(f"(?i:{s[4:]})" if s.startswith("(?i)") else f"(?:{s})" for s in shapes)


@cache
def _compiled() -> tuple[tuple[Pattern, re.Pattern[str]], ...]:
    return tuple((pattern, re.compile(pattern.shape)) for pattern in patterns())


@cache
def patterns() -> tuple[Pattern, ...]:
    """Return the patterns in the order in which they are tried."""
    parts = {
        "<<month>>": "|".join(sorted(words("months"), key=len, reverse=True)),
        "<<title>>": "|".join(re.escape(t) for t in words("titles") if len(t) > 1),
        "<<capital>>": CAPITAL,
        "<<small>>": SMALL,
    }
    found = []
    for entry in lexicon()["pattern"]:
        shape = "".join(entry["shape"])
        for gap, text in parts.items():
            shape = shape.replace(gap, text)
        found.append(Pattern(entry["kind"], shape, CHECKS[entry["check"]] if "check" in entry else None))
    return tuple(found)


@cache
def given_names() -> frozenset[str]:
    """Return common given names, without accents, in small letters."""
    return frozenset(words("given_names"))


def _digits(text: str) -> str:
    return re.sub(r"\D", "", text)


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def _is_iban(text: str) -> bool:
    """Return whether the check digits of an account number hold, whatever length its country has."""
    compact = re.sub(r"[ -]", "", text)
    return stdnum.iso7064.mod_97_10.is_valid(compact[4:] + compact[:4])


def _is_vehicle(text: str) -> bool:
    """Return whether the ninth sign is a vehicle number's check digit (ISO 3779, 49 CFR 565)."""
    worth = {
        **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
        **dict(zip("JKLMN", range(1, 6), strict=True)),
        "P": 7,
        "R": 9,
        **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
        **{str(d): d for d in range(10)},
    }
    weights = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
    if not any(c.isdigit() for c in text) or not any(c.isalpha() for c in text):
        return False
    rest = sum(worth[c] * w for c, w in zip(text, weights, strict=True)) % 11
    return text[8] == ("X" if rest == 10 else str(rest))


def _is_imei(text: str) -> bool:
    return len(_digits(text)) == 15 and stdnum.imei.is_valid(_digits(text))


def _is_card(text: str) -> bool:
    digits = _digits(text)
    return 13 <= len(digits) <= 19 and digits[0] in "3456" and stdnum.luhn.is_valid(digits)


def _is_lettered_national(text: str) -> bool:
    return any(module.is_valid(text) for module in _check_digits("with_letters"))


def _is_national(text: str) -> bool:
    """Return whether the check digits of some country's personal number hold; only names the class."""
    return any(module.is_valid(text) for module in _check_digits("of_digits"))


@cache
def _check_digits(numbers: str) -> tuple[ModuleType, ...]:
    """Return the modules that know the check digits of personal numbers of several countries."""
    names = lexicon()["check_digits"][numbers].split()
    return tuple(importlib.import_module(f"stdnum.{name}") for name in names)


def _is_phone(text: str) -> bool:
    return PHONE_DIGITS[0] <= len(_digits(text)) <= PHONE_DIGITS[1]


def _is_day(text: str) -> bool:
    """Return whether three numbers can be day, month and year in some order."""
    first, second, _ = (int(p) for p in re.findall(r"\d+", text)[:3])
    return 1 <= first <= 31 and 1 <= second <= 31 and min(first, second) <= 12


def _has_many_digits(text: str) -> bool:
    return len(_digits(text)) >= LONG_NUMBER


def _has_some_digits(text: str) -> bool:
    return len(_digits(text)) >= 3


def _has_name(text: str) -> bool:
    parts = re.split(r"[^\w]+", plain(text))
    return any(part in _names() or part.endswith(words("surname_endings")) for part in parts)


@cache
def _names() -> frozenset[str]:
    return given_names() | frozenset(words("surnames"))


def _is_no_unit(text: str) -> bool:
    return not text.endswith(" FU")


def _is_code_or_hash(text: str) -> bool:
    return any(c.isdigit() for c in text) and any(c.isalpha() for c in text)


CHECKS: dict[str, Callable[[str], bool]] = {
    "address": _is_address,
    "iban": _is_iban,
    "vehicle": _is_vehicle,
    "imei": _is_imei,
    "card": _is_card,
    "national_with_letters": _is_lettered_national,
    "national": _is_national,
    "phone": _is_phone,
    "day": _is_day,
    "many_digits": _has_many_digits,
    "some_digits": _has_some_digits,
    "name": _has_name,
    "no_unit": _is_no_unit,
    "code_or_hash": _is_code_or_hash,
}
