"""Find the tables at a path and read every cell as text: CSV folder, workbook, Parquet folder, DuckDB, SQL.

Nothing is executed: formulas are read as the values last stored, no macro, no pickle. Whatever the form,
the same records give the same text.
"""

from pathlib import Path

from analytics.errors import RecordError
from analytics.records import readers_csv
from analytics.records.messages import Problem
from analytics.records.raw import Raw, RawTable


def read(path: str | Path) -> Raw:
    """Return the tables found at a path, every cell as text.

    Parameters
    ----------
    path
        A folder of CSV files named after the tables.

    Raises
    ------
    RecordError
        When there is nothing to read at the path.
    """
    place = Path(path)
    if place.is_dir():
        return readers_csv.read_folder(place)
    raise RecordError("records.load(path): nothing to read there; give a folder of CSV files")


__all__ = ["Problem", "Raw", "RawTable", "read"]
