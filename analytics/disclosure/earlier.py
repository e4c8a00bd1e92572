"""Would two reports, made at different times, give away the few patients in whom they differ?

Who holds a report of last month and one of today can subtract one from the other. Where the records of a few
patients are all that changed, what is left are those patients. A report for others is therefore not made
where the register differs from that of any earlier one, of whatever page and audience, in the records of one
to `threshold` - 1 patients. Published advice is the same in other words: fixed reporting periods; a complete
new quarter changes more patients than that in a clinic of sixty. Groups within a page can still differ by few
from one period to the next; only a rounded (public) report hides that.

What left is noted in two places, so that neither another folder of reports nor a copy of the register passes
it: with the register (its state folder) and in the folder of reports. There `.left/key` is a key,
`.left/<page>-<audience>/<hash>.json` the keyed marks of the patients of one register that was reported. The
marks say nothing without the key, and neither is ever part of a report.

A page that sees the register as it stood at the end of a quarter is also held against others of its kind, in
`.left/quarters`: two quarters of one and the same register may differ in few patients.
"""

import contextlib
import hashlib
import hmac
import json
import secrets
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from analytics import files
from analytics.disclosure.rules import rule
from analytics.errors import ParameterError
from analytics.records import Records, as_of

FOLDER, QUARTERS = ".left", "quarters"
KEY_BYTES = 32
MARK_LETTERS = 24
TABLES = (
    "patients",
    "sessions",
    "placements",
    "measurements",
    "visits",
    "therapies",
    "events",
    "ratings",
    "grades",
    "photographs",
)


def refuse_few(
    records: Records, places: Sequence[Path], page: str, audience: str, *, through: int = 0
) -> dict:
    """Return what to note once a report is published; refuse one that differs in few patients.

    It is page, audience and, by place, the marks to note there.

    Parameters
    ----------
    records
        What the report is made from.
    places
        Where it is noted what left: the folder of reports, and the register's state folder.
    page, audience
        Its name, and who will read it.
    through
        The last register month that the page sees; 0 where it sees all.

    Raises
    ------
    ParameterError
        When any earlier report for others differs in fewer patients than the audience's threshold.
    """
    if rule(audience).threshold <= 1:
        return {}
    noted = {str(place): marks(records, ledger_key(place)) for place in places}
    if through and through >= records.sessions["register_month"].min():
        then = as_of(records, through)
        for place in (place / FOLDER / QUARTERS for place in places):
            noted[str(place)] = marks(then, ledger_key(place))
    found = {"page": page, "audience": audience, "marks": noted}
    _hold_against_earlier(found)
    return found


def _hold_against_earlier(found: Mapping[str, Any]) -> None:
    threshold = rule(found["audience"]).threshold
    for name, now in found["marks"].items():
        place = Path(name)
        for before in earlier(place):
            changed = sum(now.get(patient) != before.get(patient) for patient in now.keys() | before.keys())
            if 0 < changed < threshold:
                called = place.parents[1] if place.parts[-2:] == (FOLDER, QUARTERS) else place
                raise ParameterError(
                    f"{found['page']}, for {found['audience']}: fewer than {threshold} patients differ from "
                    "an earlier report for others; who holds both could subtract one from the other; make it "
                    f"when the reporting period has ended, or take its note out of {FOLDER} in {called.name} "
                    "if the earlier one never left the clinic"
                )


def marks(records: Records, key: bytes) -> dict[str, str]:
    """Return a keyed mark of each patient's code to one of all rows of that patient."""
    of_session = records.sessions.set_index("session_id")["patient_id"]
    lines: dict[str, list[str]] = {}
    for name in TABLES:
        frame: pd.DataFrame = getattr(records, name)
        if frame.empty:
            continue
        who = frame["patient_id"] if "patient_id" in frame else frame["session_id"].map(of_session)
        rows = frame.to_csv(index=False, header=False, lineterminator="\n").splitlines()
        for patient, row in zip(who.astype(str), rows, strict=True):
            lines.setdefault(patient, []).append(f"{name} {row}")
    return {_mark(key, patient): _mark(key, "\n".join(sorted(rows))) for patient, rows in lines.items()}


def _mark(key: bytes, text: str) -> str:
    return hmac.new(key, text.encode(), hashlib.sha256).hexdigest()[:MARK_LETTERS]


def ledger_key(reports: Path) -> bytes:
    """Return the key of a folder of reports, made where there is none.

    Raises
    ------
    ParameterError
        When the key is broken.
    """
    place = reports / FOLDER / "key"
    with contextlib.suppress(FileExistsError):
        if not place.exists():
            files.write(place, secrets.token_bytes(KEY_BYTES), is_new=True)
    found = place.read_bytes()
    if len(found) != KEY_BYTES:
        raise ParameterError(f"{FOLDER}/key: the file is broken; put back a copy of the folder")
    return found


def earlier(place: Path) -> list[dict[str, str]]:
    """Return the marks of every register reported to others, as noted in a place.

    Raises
    ------
    ParameterError
        When a file is broken.
    """
    found = []
    for note_of_one in sorted((place / FOLDER).glob("*/*.json")):
        try:
            marks = json.loads(note_of_one.read_text(encoding="utf-8"))
        except ValueError:
            marks = None
        if not isinstance(marks, dict):
            raise ParameterError(
                f"{FOLDER}/{note_of_one.parent.name}/{note_of_one.name}: the file is broken; put back a copy"
            )
        found.append(marks)
    return found


def note(found: Mapping[str, Any]) -> None:
    """Note in each place that a register was reported; the same one is noted once.

    Parameters
    ----------
    found
        From `refuse_few`. What left since then counts too: of two reports begun at the same moment, the one
        that is noted later is refused.

    Raises
    ------
    ParameterError
        As `refuse_few`; nothing is noted then.
    """
    with contextlib.ExitStack() as held:
        for place in sorted(found["marks"]):
            held.enter_context(files.state.alone(Path(place) / FOLDER, "left"))
        _hold_against_earlier(found)
        for place, of_place in found["marks"].items():
            text = json.dumps(of_place, sort_keys=True)
            name = f"{hashlib.sha256(text.encode()).hexdigest()[:16]}.json"
            files.put_file(
                Path(place) / FOLDER / f"{found['page']}-{found['audience']}" / name, text, by="left"
            )
