"""A cell that was typed wrongly: which row, which column, what it is now; read back like any entry."""

from collections.abc import Callable, Sequence

import ipywidgets as widgets

from analytics import entry
from analytics.dictionary import TABLES
from analytics.errors import ParameterError

OF_THE_ROW = ("patient_id", "session_id", "placement_id", "session_number")  # tell which row it is
LONGEST = 140


def fields(
    case: entry.Case, style: dict, guarded: Callable[[Callable[[], None]], None],
    propose: Callable[[Sequence[entry.Change]], None],
) -> list[widgets.DOMWidget]:  # fmt: skip
    """Return the fields of a correction; `propose` takes the change to be read back.

    Parameters
    ----------
    case
        The person's rows.
    style
        Of the fields.
    guarded
        Does something and says what is wrong in the form.
    """
    rows = [(table, row) for table in TABLES for row in case.tables[table].to_dict("records")]
    if not rows:
        raise ParameterError("correct: the register holds no row of this person")
    said = [(_said(table, row), i) for i, (table, row) in enumerate(rows)]
    which = widgets.Dropdown(options=said, description="row", style=style)
    column = widgets.Dropdown(description="column", style=style)
    now = widgets.Text(description="is now", style=style, continuous_update=False)
    check = widgets.Button(description="Read back")

    def of_row(_: object = None) -> None:
        table, row = rows[which.value]
        column.options = [c.name for c in TABLES[table].asked() if c.name in row and c.name not in OF_THE_ROW]
        of_column()

    def of_column(_: object = None) -> None:
        now.value = str(rows[which.value][1].get(column.value, ""))

    def read_back() -> None:
        table, row = rows[which.value]
        propose(entry.correction(case, table, row, {str(column.value): now.value.strip()}))

    which.observe(of_row, names="value")
    column.observe(of_column, names="value")
    check.on_click(lambda _: guarded(read_back))
    of_row()
    return [which, column, now, check]


def _said(table: str, row: dict) -> str:
    told = ", ".join(
        f"{c} {v}" for c, v in row.items() if v and c not in (*OF_THE_ROW, "region_id", "region_kind")
    )
    return f"{TABLES[table].row}: {told}"[:LONGEST]
