"""How many invented identifiers of many countries are found, and how many clean columns accused?

    python tests/bench/identifier_scan.py [EACH] [SEED]

Identifiers come from Faker in 24 locales: EACH of every class and locale, put alone into a clean column of 40
cells, and 40 together as a column, both under a header that says nothing. Places in degrees and minutes, days
in words (Babel), handles and other messy forms are made from them. Clean columns are drawn from the forms in
which clinics write measures, grades, doses and codes. Printed: the share found by class, and those accused.
"""

# ruff: noqa: E501  tables of forms, one a line
import random
import sys
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator

import pyarrow as pa
from babel.dates import format_date
from faker import Faker
from faker.config import AVAILABLE_LOCALES

from analytics.dictionary import RawTable
from analytics.identifiers import tables as privacy

LOCALES = (
    "en_US en_GB en_IN en_CA en_AU de_DE de_AT de_CH fr_FR es_ES es_MX it_IT pt_BR pt_PT nl_NL sv_SE no_NO da_DK"
    " fi_FI pl_PL cs_CZ tr_TR hu_HU ro_RO"
).split()
N_ROWS = 40
DATE_FORMS = ("long", "medium", "EEEE d MMMM y", "d MMM y", "MMMM y", "d. MMMM y", "dd MMM yy")


def _degrees(fake: Faker) -> str:
    """Return a place in degrees and minutes, in one of the ways people write it."""
    lat, lon = float(fake.latitude()), float(fake.longitude())
    sides = "NS"[lat < 0], "EW"[lon < 0]
    parts = [(int(abs(x)), abs(x) % 1 * 60) for x in (lat, lon)]
    form = fake.random_element(
        (
            "{d}°{m:.3f}'{s}",
            "{s} {d}° {m:.2f}'",
            "{d} {m:.3f} {s}",
            "{d}°{w:02d}′{c:04.1f}″{s}",
            "{d}°{m:.1f}{s}",
        )
    )
    return " ".join(
        form.format(d=d, m=m, w=int(m), c=m % 1 * 60, s=s) for (d, m), s in zip(parts, sides, strict=True)
    )


def _day_in_words(fake: Faker, locale: str) -> str:
    day = fake.date_between("-60y", "-1y")
    form = fake.random_element(DATE_FORMS)
    return format_date(day, form, locale=locale.replace("no_", "nb_"))


def _spaced(fake: Faker, number: str) -> str:
    """Return a number with its marks left out, doubled or changed, as people type it."""
    mark = fake.random_element((" ", "-", ".", "/", "", " - "))
    plain = "".join(c if c.isalnum() or c == "+" else " " for c in number)
    return mark.join(plain.split())


MAKERS: dict[str, Callable[[Faker, str], str]] = {
    "name": lambda f, _: f.name(),
    "name, surname first": lambda f, _: f"{f.last_name()}, {f.first_name()}",
    "name in a remark": lambda f, _: f"asked for {f.first_name()} {f.last_name()}",
    "address": lambda f, _: f.address().replace("\n", ", "),
    "street": lambda f, _: f.street_address().replace("\n", ", "),
    "degrees and minutes": lambda f, _: _degrees(f),
    "day": lambda f, _: f.date(f.random_element(("%d.%m.%Y", "%m/%d/%y", "%Y-%m-%d", "%d-%m-%Y", "%Y%m%d", "%d/%m/%Y %H:%M"))),
    "day in words": _day_in_words,
    "phone": lambda f, _: f.phone_number(),
    "phone, typed": lambda f, _: _spaced(f, f.phone_number()),
    "e-mail": lambda f, _: f.email(),
    "national number": lambda f, _: f.ssn(),
    "national number, typed": lambda f, _: _spaced(f, f.ssn()),
    "IBAN": lambda f, _: f.iban(),
    "card": lambda f, _: f.credit_card_number(),
    "plate": lambda f, _: f.license_plate(),
    "vehicle number": lambda f, _: f.vin(),
    "web address": lambda f, _: f.url(),
    "handle": lambda f, _: f.random_element(("@", "insta: ", "IG @", "t.me/")) + f.user_name(),
    "internet address": lambda f, _: f.random_element((f.ipv4(), f.ipv6())),
    "device": lambda f, _: f.mac_address(),
    "hash": lambda f, _: f.sha1(),
    "file": lambda f, _: f.file_path(extension=f.random_element(("jpg", "png", "heic", "dcm"))),
}  # fmt: skip


def identifiers(each: int, seed: int) -> Iterator[tuple[str, str, list[str]]]:
    """Yield class, locale and N_ROWS values, EACH of which are also tried alone."""
    for locale in LOCALES:
        assert locale in AVAILABLE_LOCALES
        fake = Faker(locale)
        fake.seed_instance(seed)
        for kind, make in MAKERS.items():
            try:
                yield kind, locale, [make(fake, locale) for _ in range(max(N_ROWS, each))]
            except AttributeError:
                continue  # that country's plates are not in Faker


WORDS = (
    "mild moderate severe none left right both front crown hairline temple strip motor manual sharp blunt saline"
    " cooled room good fair poor yes no partly daily weekly stopped started same better worse red dry moist light"
    " dark brown black grey straight wavy curly fine medium coarse leicht mittel schwer keine links rechts vorne"
    " täglich gut schlecht léger modéré aucun gauche droite leve moderado ninguno lieve nessuno sinistra destra"
).split()


def clean_column(rng: random.Random) -> tuple[str, list[str]]:
    """Return a form's name and N_ROWS cells of it that say nothing of who a person is."""
    low = rng.choice((0, 1, 10, 100, 1000))
    width = rng.choice((5, 50, 500))
    whole = lambda: low + rng.randrange(width)  # noqa: E731
    forms: dict[str, Callable[[], str]] = {
        "whole": lambda: str(whole()),
        "decimal": lambda: f"{whole() + rng.random():.{rng.randrange(1, 4)}f}",
        "comma": lambda: f"{whole() + rng.random():.1f}".replace(".", ","),
        "percent": lambda: f"{rng.randrange(101)} %",
        "range": lambda: f"{rng.randrange(20)}-{rng.randrange(20, 60)}",
        "time": lambda: f"{rng.randrange(7, 19):02d}:{rng.randrange(60):02d}",
        "span": lambda: f"{rng.randrange(9)}:{rng.randrange(60):02d}:{rng.randrange(60):02d}",
        "thousands": lambda: f"{1 + rng.randrange(9)} {rng.randrange(1000):03d}",
        "of": lambda: f"{rng.randrange(60)}/{rng.randrange(60, 90)}",
        "field": lambda: f"{rng.choice((0.5, 0.65, 1, 2))} x {rng.choice((0.5, 1, 2))} cm",
        "dose": lambda: f"{rng.choice((0.5, 1, 2.5, 5))} mg {rng.choice(('daily', 'bid', 'per week', 'tgl.'))}",
        "grade": lambda: rng.choice(("II", "III", "III vertex", "IIIa", "IV", "IV-V", "V", "Va", "VI")),
        "staff code": lambda: f"{rng.choice('STR')}{rng.randrange(1, 9)}",
        "pair": lambda: f"S{rng.randrange(1, 5)}/T{rng.randrange(1, 4)}",
        "tray": lambda: f"{rng.choice('ABCD')}-{rng.randrange(1, 40)}",
        "own code": lambda: "".join(rng.choices("bcdfghjkmnpqrstvwxz23456789", k=8)),
        "word": lambda: rng.choice(WORDS),
        "two words": lambda: f"{rng.choice(WORDS)} {rng.choice(WORDS)}",
        "word and number": lambda: f"{rng.choice(('day', 'month', 'week', 'visit', 'Monat', 'mois'))} {rng.randrange(1, 25)}",
        "unit": lambda: f"{whole()} {rng.choice(('hairs/cm2', 'µm', 'min', 'FU', 'ml', 'cm²', '°C'))}",
        "year": lambda: str(rng.randrange(2015, 2027)),
        "suture": lambda: f"{rng.randrange(2, 6)}-0 {rng.choice(('running', 'staples', 'nylon'))}",
        "power": lambda: f"{rng.random() * 10:.2f}E+0{rng.randrange(1, 4)}",
        "sign": lambda: rng.choice(("+", "++", "+++", "-", "(+)", "n/k", "?")),
        "size list": lambda: f"{rng.randrange(300)}/{rng.randrange(600)}/{rng.randrange(300)}",
    }  # fmt: skip
    name = rng.choice(sorted(forms))
    return name, [forms[name]() if rng.random() > 0.05 else "" for _ in range(N_ROWS)]


def is_accused(cells: list[str]) -> bool:
    """Tell whether the scan stops at a column of these cells under a header that says nothing."""
    table = RawTable(("x0",), (pa.array(cells, pa.string()),), "t.csv", "")
    return bool(privacy.scan({"sessions": table}))


def main(each: int, seed: int) -> None:
    """Print the rates."""
    alone: dict[str, Counter] = defaultdict(Counter)
    column: dict[str, Counter] = defaultdict(Counter)
    missed: dict[str, list[str]] = defaultdict(list)
    for kind, _, values in identifiers(each, seed):
        for value in values[:each]:
            found = is_accused(["daily"] * 20 + [value] + ["daily"] * 19)
            alone[kind][found] += 1
            if not found:
                missed[kind].append(value)
        column[kind][is_accused(values[:N_ROWS])] += 1
    for kind in MAKERS:
        a, c = alone[kind], column[kind]
        print(
            f"{kind:<24} alone {a[True]:>5} of {sum(a.values()):<6} columns {c[True]:>3} of {sum(c.values()):<4} missed, e.g. {missed[kind][:4]}"
        )
    total, whole = (
        (sum((c[k] for c in alone.values())) for k in (True, False)),
        sum(sum(c.values()) for c in alone.values()),
    )
    print(
        f"alone {next(total)} of {whole}; columns {sum(c[True] for c in column.values())} of {sum(sum(c.values()) for c in column.values())}"
    )
    rng, accused = random.Random(seed), Counter()
    n = 2000
    for _ in range(n):
        name, cells = clean_column(rng)
        accused[name] += is_accused(cells)
    print(
        f"clean columns accused: {sum(accused.values())} of {n}; { ({k: v for k, v in accused.items() if v}) }"
    )


if __name__ == "__main__":
    asked = [int(a) for a in sys.argv[1:]]
    main(*(asked + [20, 1][len(asked) :]))
