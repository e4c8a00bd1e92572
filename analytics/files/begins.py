"""In which calendar month did the register begin?

The tables hold months since then and no date. Whoever knows this month can turn them back into dates, so it
stands in a file of its own, mode 0600, outside the data: beside the clinic's key where one is named, else in
the state folder.
"""

import datetime
import os
import re
import stat
from pathlib import Path

from analytics.errors import ParameterError
from analytics.files import atomic, state

FILE = "register_begins"
MONTHS_A_YEAR = 12
Month = tuple[int, int]


def place(data: str | Path, *, folder: str | Path = "", key_file: str | Path = "") -> Path:
    """Return where the start month of a register stands.

    Parameters
    ----------
    data
        Folder, workbook or database file of the register.
    folder
        The state folder, where the clinic has chosen one.
    key_file
        The clinic's key; the start month then lies beside it.

    Examples
    --------
    >>> place("clinic/register").as_posix(), place("clinic/register", key_file="safe/key").as_posix()
    ('clinic/register.state/register_begins', 'safe/key.register.register_begins')
    """
    if str(key_file):
        key = Path(key_file)
        return key.with_name(f"{key.name}.{Path(data).resolve().name}.{FILE}")
    return state.folder(data, folder) / FILE


def parsed(text: str) -> Month:
    """Return year and month of a text such as 2021-01.

    Raises
    ------
    ParameterError
        When it is no year and month.

    Examples
    --------
    >>> parsed("2021-01")
    (2021, 1)
    """
    found = re.fullmatch(r"(\d{4})-(\d{1,2})", text.strip())
    if not found or not 1 <= int(found.group(2)) <= MONTHS_A_YEAR:
        raise ParameterError("register begins: expected the year and month of register month 1, as 2021-01")
    return int(found.group(1)), int(found.group(2))


def read(path: Path) -> Month | None:
    """Return the start month kept in a file; None where there is none.

    Raises
    ------
    ParameterError
        When others than its owner can read the file, or it holds something else.
    """
    if not path.is_file():
        return None
    if os.name == "posix" and path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise ParameterError(
            f"{path.name}: others can read it; with it months turn back into dates; run chmod 600 on it"
        )
    try:
        return parsed(path.read_text(encoding="ascii"))
    except (ParameterError, UnicodeDecodeError):
        raise ParameterError(
            f"{path.name}: holds no year and month; write the month of register month 1 there, as 2021-01"
        ) from None


def keep(path: Path, begins: Month, *, anew: bool = False) -> Path:
    """Write a start month for its owner alone.

    Parameters
    ----------
    path, begins
        Of `place`, and the month.
    anew
        Whether the tables were just written with this month, so that an older one no longer holds.

    Raises
    ------
    ParameterError
        When another month is kept there and the tables are not new: every date made from it would move.
    """
    known = None if anew else read(path)
    if known not in (None, begins):
        raise ParameterError(
            f"{path.name}: another month is kept there; take that file away if it is wrong, and say it again"
        )
    return atomic.write(path, f"{begins[0]:04d}-{begins[1]:02d}\n") if known is None else path


def register_month(day: datetime.date, begins: Month) -> int:
    """Return the register month of a day; the month in which the register begins is 1.

    >>> register_month(datetime.date(2024, 2, 19), (2021, 1))
    38
    """
    return (day.year - begins[0]) * MONTHS_A_YEAR + day.month - begins[1] + 1


def first_day(month: int, begins: Month) -> datetime.date:
    """Return the first day of a register month.

    >>> first_day(38, (2021, 1))
    datetime.date(2024, 2, 1)
    """
    year, zero_based = divmod(begins[0] * MONTHS_A_YEAR + begins[1] - 1 + month - 1, MONTHS_A_YEAR)
    return datetime.date(year, zero_based + 1, 1)
