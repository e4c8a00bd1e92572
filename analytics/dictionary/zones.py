"""The one sheet that holds a register in the shortest form: a row a planted zone, with its counts beside it.

Its columns are those of the four tables, less the codes that are made from them (`records.one_sheet`); counts
stand in pairs of a month and a density.
"""

from collections.abc import Mapping
from dataclasses import replace

from analytics.dictionary.own import with_own
from analytics.dictionary.schema import Column, Table
from analytics.dictionary.tables import TABLES

SHEET, FOUR = "zones", ("patients", "sessions", "placements", "measurements")
SHOWN, MOST = 3, 12  # follow-up counts of a zone: columns in the empty workbook, and that are read
BEFORE, MONTH, DENSITY = "density_before", "month", "density_hairs_cm2"
PAIRS = tuple((f"month_{k}", f"density_{k}") for k in range(1, MOST + 1))  # the columns of each later count
SESSION = ("patient_id", "register_month")
ROW = (*SESSION, "zone", "site")
OF_A_COUNT = ("roi_area_cm2", "n_fields", "roi_marked", "standard_conditions")
# In the order of typing: what differs from row to row, the counts, then what is filled down once for all.
TYPED = (*SESSION, "grafts_out", "zone", "area_cm2", "grafts", "hairs")
FILLED_DOWN = ("surgeon_id", "method", *OF_A_COUNT)
SHORT = (*TYPED, *FILLED_DOWN)
NEVER_EMPTY = (*SESSION, "zone", "area_cm2")
NOT_HERE = {
    "sessions": ("session_id", "patient_month", "session_number", "grafts_discarded"),
    "placements": ("placement_id", "session_id"),
    "measurements": (
        *("session_id", "region_kind", "month", "consultation_month", "count_number"),
        *("density_hairs_cm2", "density_fu_cm2"),
    ),
}


def table(own: Mapping[str, tuple[Column, ...]] | None = None, *, is_short: bool = False) -> Table:
    """Return the sheet as a table of the dictionary: its columns, those of the empty workbook alone if short.

    Parameters
    ----------
    own
        Columns that a clinic declares, by table.
    is_short
        The columns that the empty workbook shows, in the order of typing.

    Examples
    --------
    >>> [c.name for c in table(is_short=True).columns][6:10]
    ['hairs', 'density_before', 'month_1', 'density_1']
    """
    found: dict[str, Column] = {}
    for name in FOUR:
        for column in with_own(own or {}, name).asked():
            if column.name not in NOT_HERE.get(name, ()):
                found.setdefault(column.name, _as_here(column))
    last = FILLED_DOWN if is_short else (*FILLED_DOWN, *(n for n in found if n not in SHORT))
    counts = _of_counts(SHOWN if is_short else MOST)
    columns = (*(found[n] for n in TYPED), *counts, *(found[n] for n in last))
    return Table(SHEET, "one zone planted in one session, with its counts", ROW, columns)


def _as_here(column: Column) -> Column:
    is_always = column.name in SHORT and column.name not in ("grafts", "hairs")
    of_session = column.name in ("surgeon_id", "method", "grafts_out")
    said = "as on another row of the session" if of_session else column.default
    return replace(
        column, required=column.name in NEVER_EMPTY, optional=not is_always, default=said, refers_to=""
    )


def _of_counts(n: int) -> tuple[Column, ...]:
    counts = TABLES["measurements"]
    density = replace(counts.column(DENSITY), required=False, optional=True, default="not counted")
    month = replace(counts.column(MONTH), required=False, optional=True, default="not counted")
    before = "hairs per cm2 before the operation, at most six months; held as a count at month 0"
    out = [replace(density, name=BEFORE, meaning=before)]
    for at, counted in PAIRS[:n]:
        out.append(replace(month, name=at, meaning="months from this row's session to the count"))
        out.append(replace(density, name=counted, meaning=f"hairs per cm2 counted at {at}"))
    return tuple(out)
