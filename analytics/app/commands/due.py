"""`regrowth due DATA`: whose follow-up is due this month, opens soon, or is overdue, measured from today."""

import argparse
import datetime
import sys
from collections.abc import Callable
from pathlib import Path

from analytics import course, early, files, records, regrowth, reports, review
from analytics.app import calendar
from analytics.errors import ParameterError
from analytics.files import begins
from analytics.pages import due as due_words
from analytics.records import Records
from analytics.results import Result

WRITER = "due"
PAGE, SHEET, CALENDAR = "due.html", "due.xlsx", "due.ics"
MORE = """List, page, sheet and calendar hold real months beside codes: with them a patient can be known. They
are written only where --out says, for their owner alone, and belong in no report and no e-mail."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("data", help="folder of tables, workbook or DuckDB file")
    parser.add_argument("--out", type=Path, help="folder for the page, the Excel sheet and the calendar file")
    parser.add_argument("--today", default="", metavar="YYYY-MM-DD", help="another day than today")
    parser.add_argument("--ahead", type=int, default=course.AHEAD_MONTHS, help="months to look ahead (2)")
    parser.add_argument(
        "--error-rate",
        type=float,
        default=course.ERROR_RATE,
        help="share of names to call in that may be false",
    )
    parser.add_argument(
        "--windows-only", action="store_true", help="without whom to call in, which fits the curve"
    )
    parser.add_argument(
        "--register-begins", default="", metavar="YYYY-MM", help="the month that is register month 1; kept"
    )
    parser.add_argument("--key-file", type=Path, help="the clinic's key: the month lies beside it")
    parser.add_argument("--state", default="", help="the state folder (beside the data)")
    parser.add_argument("--schedule", type=Path, help="file of planned visits (criteria.toml in the data)")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Print the list, and write sheet and calendar where asked."""
    today = _day(options.today)
    known = records.load(Path(options.data))
    start = _start(options, say)
    schedule = _schedule(options, say)
    month = begins.register_month(today, start)
    found = course.due(known, schedule, month=month, ahead=options.ahead)
    standing = {} if options.windows_only else _standing(known, options.error_rate)
    told = (due_words.call_in_lines(standing), due_words.worth_lines(found, standing))
    for line in (*due_words.due_lines(found, start), *told[0], *told[1]):
        say(line)
    if options.out is not None:
        page = due_words.due_page(found, standing, start, today=today, invented=reports.is_invented(known))
        out = _written(found, standing, start, today, page, options)
        made = f"{PAGE}, {SHEET} and {CALENDAR} are in {out}"
        say(f"{made}. They hold months beside codes: for this clinic alone.")
    return 0


def _standing(known: Records, error_rate: float) -> dict[str, Result]:
    """Return who is behind or low in this practice, and where nothing has grown; cached as on a page."""
    plateaus = reports.Question(regrowth.fit_plateaus, {"fit": reports.Question(regrowth.fit_emergence, {})})
    asked = {
        "behind": reports.Question(course.call_back, {"plateaus": plateaus, "error_rate": error_rate}),
        "no growth": reports.Question(course.no_growth, {}),
        "later": reports.Question(early.when, {}),
    }
    found = reports.answers(asked, known, reports.data_sha256(known))
    reports.dismiss()
    return found


def _written(
    found: Result,
    standing: dict[str, Result],
    start: tuple[int, int],
    today: datetime.date,
    page: str,
    options: argparse.Namespace,
) -> Path:
    """Write the page, the sheet and the calendar for their owner alone, outside data and reports."""
    out = Path(options.out)
    _refuse_shared(out, options.data)
    secret = files.state.key(files.state.folder(options.data, options.state))
    month = begins.register_month(today, start)
    windows = []
    for row in due_words.due_by_patient(found).itertuples():
        # Who is overdue is asked to come this month.
        opens, closes = (month, month) if row.state == course.OVERDUE else (row.opens_in, row.closes_in)
        days = (begins.first_day(opens, start), begins.first_day(closes + 1, start))
        windows.append(calendar.Window(str(row.patient_id), str(row.visit), *days))
    sheets = {"due": due_words.due_sheet(found, start), **due_words.call_in_sheets(standing)}
    made: dict[str, str | bytes] = {
        PAGE: page,
        SHEET: files.workbook({name: files.rows_of_cells(rows) for name, rows in sheets.items()}),
        CALENDAR: calendar.calendar(windows, today=today, secret=secret),
    }
    return files.folder(out, made, by=WRITER)


def _refuse_shared(out: Path, data: str) -> None:
    """Refuse a place in the data or among reports: both may be handed on."""
    place, register = out.resolve(), Path(data).resolve()
    folder = register if register.is_dir() else register.parent
    if place.is_relative_to(folder) and register.is_dir():
        raise ParameterError("regrowth due --out: it lies in the data, which may be handed on; name another")
    if any(
        (parent / "index.html").exists() or parent.name == "reports" for parent in (place, *place.parents)
    ):
        raise ParameterError(
            "regrowth due --out: it lies among reports, which may be handed on; name another folder"
        )


def _day(text: str) -> datetime.date:
    if not text:
        return datetime.datetime.now().astimezone().date()
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise ParameterError("regrowth due --today: expected a day as 2026-03-31") from None


def _start(options: argparse.Namespace, say: Callable[[str], None]) -> tuple[int, int]:
    """Return the month in which the register began: given, kept, or asked once and then kept."""
    place = begins.place(options.data, folder=options.state, key_file=options.key_file or "")
    given = options.register_begins
    if not given and (kept := begins.read(place)):
        return kept
    if not given and sys.stdin.isatty():
        say("In which month did the register begin (its month 1)? It is kept outside the data.")
        given = input("Year and month, as 2021-01: ")
    if not given:
        raise ParameterError(
            "regrowth due: the month in which the register began is not known; give it once with "
            "--register-begins YYYY-MM, and it is kept outside the data"
        )
    start = begins.parsed(given)
    begins.keep(place, start)
    return start


def _schedule(options: argparse.Namespace, say: Callable[[str], None]) -> tuple:
    """Return the planned visits that the clinic declared, or the usual ones."""
    data = Path(options.data)
    place = options.schedule or (data if data.is_dir() else data.parent) / "criteria.toml"
    if options.schedule is None and not place.exists():
        say("No schedule of this clinic: no criteria.toml beside the data. The usual visits are taken.")
    return review.read(place).schedule if options.schedule else review.schedule(place)
