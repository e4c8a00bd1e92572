"""Every table and column a clinic may hand in: type, unit, limits, allowed words, meaning, default."""

from analytics.dictionary import zones
from analytics.dictionary.own import FILE as OWN_FILE, as_declared, declared, with_own
from analytics.dictionary.pages import as_page, limits_in_words, must_be, note
from analytics.dictionary.raw import Raw, RawTable, from_rows
from analytics.dictionary.schema import (
    BASELINE_FROM_MONTH, Column, EVENT_KINDS, FRONT, MATURITY_MONTH, MEASURED_ZONES, OLDEST_AGE, SCALES,
    Table, ZONES,
)
from analytics.dictionary.tables import SCHEMA_FILE, TABLES, schema_text
