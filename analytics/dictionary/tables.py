"""Every table and column a clinic may hand in: type, unit, limits, allowed words, meaning, default, and why.

The one source for all checks, the data dictionary page, the Table Schema and the template workbook. Hard
limits (`low`, `high`) are errors, soft limits warnings. The basis of each limit is *published* (the source
named), *assumed* (usual practice, no source) or *definition*. Limits leave room on both sides of what was
published: they catch slips of the pen, they do not judge results.
"""

import json
from pathlib import Path

from analytics.dictionary.followup import (
    EVENTS,
    GRADES,
    MEASUREMENTS,
    PHOTOGRAPHS,
    RATINGS,
    THERAPIES,
    VISITS,
)
from analytics.dictionary.operations import PATIENTS, PLACEMENTS, SESSIONS
from analytics.dictionary.pages import table_schema
from analytics.dictionary.schema import Table

TABLES: dict[str, Table] = {
    t.name: t
    for t in (
        PATIENTS,
        SESSIONS,
        PLACEMENTS,
        MEASUREMENTS,
        VISITS,
        THERAPIES,
        EVENTS,
        RATINGS,
        GRADES,
        PHOTOGRAPHS,
    )
}
SCHEMA_FILE = Path(__file__).with_name("table_schema.json")


def schema_text() -> str:
    """Return the dictionary as a Data Package with one Table Schema per table, as the text of its file.

    Returns
    -------
    str
        JSON.

    Examples
    --------
    >>> '"name": "patients"' in schema_text()
    True
    """
    return json.dumps(table_schema(tuple(TABLES.values())), indent=1, ensure_ascii=False) + "\n"
