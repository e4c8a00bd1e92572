"""Every table and column a clinic may hand in: type, unit, limits, allowed words, meaning, default."""

from analytics.dictionary.cells import (
    LONGEST_CODE, LONGEST_LABEL, Raw, RawTable, as_number, as_text, as_word, as_yes_or_no, from_rows,
    looks_like, not_a_code, tidy,
)
from analytics.dictionary.pages import markdown, rules, zones
from analytics.dictionary.pages import limits_in_words, must_be, note
from analytics.dictionary.schema import (
    BASELINE_FROM_MONTH, Column, EVENT_KINDS, FEWEST_FOR_A_UNIT, FRONT, GRAFTS_TOLERANCE_PCT,
    HAIRS_PER_GRAFT, LIFETIME_GRAFTS, MATURITY_MONTH, MEASURED_ZONES, MOST_TRANSECTED_PCT,
    MOST_YIELD_PCT, OLDEST_AGE, PER_MM2_BELOW, PLANTED_GRAFTS_CM2, REPEAT_HAIRS_CM2, REPEAT_RATIO,
    ROI_OVER_ZONE, SCALES, Table, USUAL_DONOR_HAIRS_PER_FU, USUAL_PLANTED_GRAFTS_CM2,
    USUAL_TRANSECTED_PCT, ZONES,
)
from analytics.dictionary.tables import (
    REQUIRED_TABLES, SCHEMA_FILE, TABLES, as_table_schema, column, is_front,
    schema_text,
)
