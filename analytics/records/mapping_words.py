"""Words in common use in clinics' own files, from `mapping_words.toml`: headers, zones, units, months, marks.

They only propose: what a word was taken for stands in the mapping file, for a person to change.
"""

import tomllib
from pathlib import Path

_WORDS = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))

HEADERS: dict[str, list[str]] = _WORDS["headers"]
ZONE_WORDS: dict[str, list[str]] = _WORDS["zones"]
CHOICE_WORDS: dict[str, dict[str, list[str]]] = _WORDS["choices"]
MISSING: list[str] = _WORDS["marks"]["missing"]
TOTAL_WORDS: list[str] = _WORDS["marks"]["totals"]
YES = frozenset(_WORDS["marks"]["yes"])
NO = frozenset(_WORDS["marks"]["no"])
MONTH_NAMES: dict[str, int] = {name: int(m) for m, names in _WORDS["months"].items() for name in names}
UNITS: dict[str, tuple[str, float, float]] = {
    spelling: (unit["unit"], unit["factor"], unit["offset"])
    for unit in _WORDS["units"]
    for spelling in unit["spelled"]
}
FAULTS: dict[str, dict[str, str]] = _WORDS["faults"]

SET_ASIDE = "set aside"
# Facts with a header of their own that are turned into columns of the dictionary.
DERIVED = {
    "patients.birth_date": "patients.age_years",
    "sessions.date": "sessions.register_month",
    "measurements.date": "measurements.month",
    "visits.date": "visits.month",
    "ratings.date": "ratings.month",
    "events.date": "events.month",
    "therapies.start_date": "therapies.start_register_month",
    "therapies.stop_date": "therapies.stop_register_month",
    "placements.hairs_per_graft": "placements.hairs",
}
