"""What in a cell could identify a person: shapes with check digits, one value at a time.

Each pattern names a class of `privacy_words.CLASSES`. All patterns are tried at once by one quick
expression over the distinct values of a column; only what it catches is looked at closely. Check digits are
computed by python-stdnum (IBAN: ISO 13616; cards and IMEI: Luhn; national numbers by country) and here for
vehicle numbers (ISO 3779). Numbers of nine digits and more are taken as identifying whatever their check
digits say.
"""

import ipaddress
import re
from collections.abc import Callable
from dataclasses import dataclass

import stdnum.be.nn
import stdnum.br.cpf
import stdnum.ca.sin
import stdnum.ch.ssn
import stdnum.cz.rc
import stdnum.de.idnr
import stdnum.dk.cpr
import stdnum.es.dni
import stdnum.es.nie
import stdnum.fi.hetu
import stdnum.fr.nir
import stdnum.gb.nhs
import stdnum.imei
import stdnum.in_.aadhaar
import stdnum.iso7064.mod_97_10
import stdnum.it.codicefiscale
import stdnum.kr.rrn
import stdnum.luhn
import stdnum.nl.bsn
import stdnum.no.fodselsnummer
import stdnum.pl.pesel
import stdnum.se.personnummer
import stdnum.tr.tckimlik
import stdnum.us.ssn
import stdnum.za.idnr

from analytics.identifiers.lexicon import GIVEN, MONTHS, SURNAMES, TITLES, plain

GIVEN_NAMES = frozenset(GIVEN.split())
# Endings of surnames in several languages that no word of the trade has.
ENDINGS = tuple(
    "wski wska lski lska nski nska cki cka czyk ovic ovich escu oglu ova eva enko dottir sson quist "
    "strom mann meyer hofer vics berger auer".split()
)
KNOWN_NAMES = GIVEN_NAMES | frozenset(SURNAMES.split())
LONG_NUMBER = 9  # digits
PHONE_DIGITS = (7, 15)  # ITU-T E.164: at most 15
MONTH = "|".join(sorted(MONTHS.split(), key=len, reverse=True))
CAPITAL, SMALL = "[A-ZÀ-ÖØ-Þ]", "[a-zß-öø-ÿ'’-]"


NATIONAL = (
    stdnum.be.nn,
    stdnum.br.cpf,
    stdnum.ca.sin,
    stdnum.ch.ssn,
    stdnum.cz.rc,
    stdnum.de.idnr,
    stdnum.dk.cpr,
    stdnum.fr.nir,
    stdnum.gb.nhs,
    stdnum.in_.aadhaar,
    stdnum.kr.rrn,
    stdnum.nl.bsn,
    stdnum.no.fodselsnummer,
    stdnum.pl.pesel,
    stdnum.se.personnummer,
    stdnum.tr.tckimlik,
    stdnum.za.idnr,
)
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
        for pattern, compiled in _COMPILED:
            for match in compiled.finditer(value, begin, begin + WINDOW + LONGEST_IDENTIFIER):
                if pattern.holds is None or pattern.holds(match.group(0)):
                    return pattern.kind
    return None


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
    checks = (stdnum.es.dni, stdnum.es.nie, stdnum.fi.hetu, stdnum.it.codicefiscale)
    return any(module.is_valid(text) for module in checks)


def _is_national(text: str) -> bool:
    """Return whether the check digits of some country's personal number hold; only names the class."""
    return any(module.is_valid(text) for module in NATIONAL)


def _is_phone(text: str) -> bool:
    return PHONE_DIGITS[0] <= len(_digits(text)) <= PHONE_DIGITS[1]


def _is_day(text: str) -> bool:
    """Return whether three numbers can be day, month and year in some order."""
    first, second, _ = (int(p) for p in re.findall(r"\d+", text)[:3])
    return 1 <= first <= 31 and 1 <= second <= 31 and min(first, second) <= 12


def _is_long_number(text: str) -> bool:
    return len(_digits(text)) >= LONG_NUMBER


def _has_number(text: str) -> bool:
    return len(_digits(text)) >= 3


def _has_given_name(text: str) -> bool:
    return any(part in KNOWN_NAMES or part.endswith(ENDINGS) for part in re.split(r"[^\w]+", plain(text)))


def _is_no_unit(text: str) -> bool:
    return not text.endswith(" FU")


def _is_code_or_hash(text: str) -> bool:
    return any(c.isdigit() for c in text) and any(c.isalpha() for c in text)


PATTERNS = (
    Pattern("email", r"[^\s@,;<>]+@[^\s@,;<>]+\.[A-Za-z]{2,}"),
    Pattern("photo", r"(?i)\.(?:jpe?g|png|heic|heif|tiff?|bmp|gif|webp|cr2|nef|dcm|mp4|mov|avi|pdf|docx?)\b"),
    Pattern("photo", r"(?i)^[a-z]:[\\/]|^\\\\[^\\]+\\|^~?(?:/[^/\s]+){2,}|^data:image/"),
    Pattern("url", r"(?i)\b(?:https?|ftps?|file)://|\bwww\.[a-z0-9-]+\."),
    Pattern("url", r"(?i)\b[a-z0-9-]{2,}\.(?:com|org|net|info|edu|gov|example)\b"),
    Pattern(
        "url",
        r"(?i)(?:^|[\s:(/])@[a-z0-9_][a-z0-9_.]{2,}"
        r"|\b(?:insta(?:gram)?|ig|fb|facebook|twitter|tiktok|telegram|snap(?:chat)?|skype|line id|wechat)\b"
        r" ?[:@/-] ?@?[a-z0-9_.]{3,}|\b(?:t|wa|fb|m)\.me/\w+",
    ),
    Pattern("device", r"\b(?:[0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2}\b"),
    Pattern("ip", r"\b\d{1,3}(?:\.\d{1,3}){3}\b|(?:[0-9A-Fa-f]{0,4}:){2,7}[0-9A-Fa-f]{0,4}", _is_address),
    Pattern("other", r"\b[0-9A-Fa-f]{8}-(?:[0-9A-Fa-f]{4}-){3}[0-9A-Fa-f]{12}\b"),
    Pattern("biometric", r"\b[0-9A-Fa-f]{32,}\b|\b[A-Za-z0-9+/]{60,}={0,2}", _is_code_or_hash),
    Pattern("account", r"\b[A-Z]{2}\d{2}[ -]?(?:[A-Z0-9]{4}[ -]?){2,7}[A-Z0-9]{0,4}\b", _is_iban),
    Pattern("vehicle", r"\b[A-HJ-NPR-Z0-9]{17}\b", _is_vehicle),
    Pattern("device", r"\b\d{15}\b|\b\d{2}-\d{6}-\d{6}-\d\b", _is_imei),
    Pattern("account", r"\b(?:\d[ -]?){12,18}\d\b", _is_card),
    Pattern("national", r"\b\d{3} ?[-/. ] ?\d{2} ?[-/. ] ?\d{4}\b"),
    Pattern("date", r"\b(?:19|20)\d{2}[-/.](?:0?[1-9]|1[0-2])(?:[-/.][0-3]?\d)?(?:\b|T)"),
    Pattern("date", r"\b[0-3]?\d[-/. ] ?[0-3]?\d[-/. ] ?(?:19|20)?\d{2}\b", _is_day),
    Pattern(
        "date",
        rf"(?i)\b[0-3]?\d(?:st|nd|rd|th|\.|º)?[ -]?(?:de )?(?:{MONTH})(?:[^\w]{{1,2}}de)?[^\w]{{0,2}}"
        r"(?:19|20)?\d{2}\b",
    ),
    Pattern(
        "date",
        rf"(?i)(?:^|[\s,(]|\b)(?:{MONTH})\.? (?:de )?(?:[0-3]?\d(?:st|nd|rd|th)?,? )?(?:19|20)\d{{2}}\b",
    ),
    Pattern("date", rf"(?i)\b(?:19|20)\d{{2}}\.? (?:{MONTH})(?:$|[\s.,])"),
    Pattern("date", r"\b(?:19|20)\d{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])\b"),
    Pattern("date", r"(?i)\b(?:19|20)\d{2}[ -]?[QW][0-5]?\d\b"),
    Pattern(
        "national",
        r"\b[A-Z]{0,6}\d[\dA-Z .-]{6,14}[A-Z]\b|\b\d{6}[-+A]\d{3}[0-9A-Z]\b",
        _is_lettered_national,
    ),
    Pattern("national", r"\b[A-Z]{2} ?[-/.]? ?\d{2} ?[-/.]? ?\d{2} ?[-/.]? ?\d{2} ?[-/.]? ?[A-Z]\b"),
    Pattern("phone", r"\+\d[\d ()./-]{5,}\d|\b00\d[\d ()./-]{6,}\d", _is_phone),
    Pattern("phone", r"\(0?\d{2,5}\) ?\d[\d ./-]{3,}\d|\b0\d{1,5}[ /.-]\d[\d ./-]{3,}\d", _is_phone),
    Pattern("phone", r"\b\d{3} ?[-./ ] ?\d{3} ?[-./ ] ?\d{4}(?:\b|x)"),
    Pattern(
        "place",
        r"[-+]?\d{1,2}\.\d{3,}°? ?[NS]?[,;/ ] ?[-+]?\d{1,3}\.\d{3,}"
        r"|\d{1,3} ?° ?\d{1,2}(?:[.,]\d+)? ?['′’NSEWO]|[NSEWO] ?\d{1,3} ?° ?\d{1,2}"
        r"|\b\d{1,2} \d{1,2}[.,]\d+ ?['′’]? ?[NS]\b",
    ),
    Pattern(
        "place",
        r"(?i)\b\d{1,5}[a-z]?,? +(?:[\w'.-]+ +){1,3}"
        r"(?:streets?|st|road|rd|avenue|ave|lane|ln|drives?|dr|boulevard|blvd|court|ct|square|terrace|close|way"
        r"|trail|place|park|parkway|pkwy|highway|hwy|circles?|crescent|gardens?|grove|mews|walk|crossing|ridge"
        r"|plaza|heights|junction|turnpike|row|hill|view|ville|path)\b"
        r"|\b(?:suite|ste\.|apt\.?|apartment|flat|studio|appt|appartement|stiege|p\.? ?o\.? ?box|postfach) "
        r"?(?:no\.? ?)?\d{1,5}[a-z]?\b",
    ),
    Pattern("place", r"^\d{2,5} (?:[A-Z][a-z']{2,} ){1,3}[A-Z][a-z]{2,}$"),
    Pattern(
        "place",
        r"\b[A-Z]{1,2}\d[A-Z\d]? \d[A-Z]{2}\b|\b(?:[A-Z]{1,2}-)?\d{5},? [A-ZÀ-Þ][a-zß-ÿ]{2,}"
        r"|\b[A-Z]{1,3}-\d{4,5}\b|[a-zß-ÿ], [A-Z]{2} \d{5}|\b\d{3} \d{2},? [A-ZÀ-Þ][a-zß-ÿ]{2,}"
        r"|\b\d{2}-\d{3},? [A-ZÀ-Þ][a-zß-ÿ]{2,}|\b\d{4} ?[A-Z]{2},? [A-ZÀ-Þ][a-zß-ÿ]{2,}",
    ),
    Pattern(
        "place",
        r"(?i)\b(?:bd|boulevard|avenue|av\.|allée|chemin|rue|quai|place|cours|strada|calea|aleea|bulevardul|intrarea"
        r"|ulica|ul\.|aleja|al\.|plac|largo|rua|travessa|avenida|alameda|praça|calle|paseo|pasaje|ronda|camino"
        r"|urbanización|via|viale|vicolo|strada|rotonda|incrocio|contrada|piazza|canale|stretto|borgo|cad\.|sok\.|mah\.)"
        r" [^\d]{2,40} ?\d{1,5}\b",
    ),
    Pattern(
        "place",
        r"(?i)[\w-](?:straße|strasse|str\.|weg|platz|gasse|allee|ring|ufer|damm|chaussee|markt|graben|steig|laan"
        r"|straat|plein|dreef|hof|pad|steeg|singel|kade|gatan|gata|vägen|väg|gränd|gade|vej|veien|vei|veg|stien"
        r"|tie|katu|kuja|polku|utca|út|tér|köz|útja|sokağı|caddesi|nám\.) +\d{1,4}",
    ),
    Pattern(
        "place",
        r"(?i)\b(?:calle|plaza|paseo|avenida|via|viale|piazza|corso|rua|travessa|ulica|ul\.)"
        r" +[\w'. -]+,? *\d{1,4}\b"
        r"|\b\d{1,4}(?: bis| ter)?,? +(?:rue|avenue|boulevard|chemin|allée|impasse)\b",
    ),
    Pattern(
        "place",
        r"^[A-Z]{1,2}\d[A-Z\d]? ?\d[A-Z]{2}$|^[A-Z]\d[A-Z] ?\d[A-Z]\d$|^\d{5}-\d{4}$|^\d{4} [A-Z]{2}$",
        _is_no_unit,
    ),
    Pattern("place", r"\b[A-Z][a-z]+,? [A-Z]{2} \d{5}\b"),
    Pattern("vehicle", r"^[A-Z]{2}\d{2} ?[A-Z]{3}$|^[A-Z]{2}-\d{3}-[A-Z]{2}$|^[A-Z]{2} ?\d{3} ?[A-Z]{2}$"),
    Pattern(
        "vehicle",
        r"^\d{4} ?[BCDFGHJ-NP-TV-Z]{3}$|^[A-ZÄÖÜ]{1,3}-[A-Z]{1,2} ?\d{1,4}[EH]?$|^[A-Z]{3}[ -]\d{4}$",
    ),
    Pattern(
        "vehicle",
        r"^\d{2}-[A-Z]{2,3}-\d{1,2}$|^[A-Z]{2}-\d{3}-[A-Z]$|^[A-Z]-\d{3}-[A-Z]{2}$"
        r"|^\d{2} [A-Z]{1,3} \d{2,4}$",
    ),
    Pattern(
        "record",
        r"(?i)\b(?:mrn|chart|file|case|pat(?:ient)?|hosp(?:ital)?)\b"
        r"[ .:#-]*(?:no|nr|number|id)?[ .:#-]*[a-z]{0,3}\d[\w-]{3,}",
    ),
    Pattern(
        "national",
        r"(?i)\b(?:ssn|nhs|nino|passport|svnr)\b[ .:#-]*(?:no|nr|number)?[ .:#-]*[\w-]{4,}",
        _has_number,
    ),
    Pattern(
        "licence",
        r"(?i)\b(?:npi|dea|licen[cs]e|lic|cert)\b[ .:#-]*(?:no|nr|number)?[ .:#-]*[\w-]{4,}",
        _has_number,
    ),
    Pattern(
        "account",
        r"(?i)\b(?:acct|account|konto|invoice|inv)\b[ .:#-]*(?:no|nr|number)?[ .:#-]*[\w-]{4,}",
        _has_number,
    ),
    Pattern(
        "plan",
        r"(?i)\b(?:policy|member|insurance|ins|kvnr)\b[ .:#-]*(?:no|nr|number|id)?[ .:#-]*[\w-]{4,}",
        _has_number,
    ),
    Pattern(
        "device", r"(?i)\b(?:s/n|sn|serial|imei|udi)\b[ .:#-]*(?:no|nr|number)?[ .:#-]*[\w-]{4,}", _has_number
    ),
    Pattern("plan", r"\b[A-Z]\d{9}\b"),
    Pattern("national", r"\b\d(?:[ .-]?\d){8,14}\b", _is_national),
    Pattern("other", r"\b\d(?:(?: ?[.-] ?| {1,3})?\d){8,}\b", _is_long_number),
    Pattern(
        "name",
        rf"(?i:\b(?:{'|'.join(re.escape(t) for t in TITLES.split() if len(t) > 1)})\b)\.? +{CAPITAL}{SMALL}+",
    ),
    Pattern("name", rf"{CAPITAL}{SMALL}+,? +(?:{CAPITAL}\.? +)?{CAPITAL}{SMALL}+", _has_given_name),
    Pattern("name", rf"\b{CAPITAL}{{2,}},? +{CAPITAL}{{2,}}\b", _has_given_name),
)
_COMPILED = tuple((pattern, re.compile(pattern.shape)) for pattern in PATTERNS)
# One expression for the quick look; each part keeps its own flags.
ANY = "|".join(
    f"(?:{p.shape})" if not p.shape.startswith("(?i)") else f"(?i:{p.shape[4:]})" for p in PATTERNS
)
