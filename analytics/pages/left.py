"""What left: of each report for others, keyed marks of the patients behind it, kept in the folder of reports.

`.left/key` is the key; `.left/<page>-<audience>/<hash>.json` one register that was reported. The marks say
nothing without the key, and neither is ever part of a report. Light, because the command line imports it.
"""

import hashlib
import json
import os
import secrets
from pathlib import Path

from analytics import disk
from analytics.errors import ParameterError

FOLDER = ".left"
KEY_BYTES = 32


def key(reports: Path) -> bytes:
    """Return the key of a folder of reports, made where there is none.

    Raises
    ------
    ParameterError
        When the key is broken.
    """
    place = reports / FOLDER / "key"
    place.parent.mkdir(parents=True, exist_ok=True, mode=disk.OWNER_ONLY_FOLDER)
    try:
        handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, disk.OWNER_ONLY)
    except FileExistsError:
        found = place.read_bytes()
        if len(found) != KEY_BYTES:
            raise ParameterError(f"{FOLDER}/key: the file is broken; put back a copy of the folder") from None
        return found
    with os.fdopen(handle, "wb") as file:
        file.write(secrets.token_bytes(KEY_BYTES))
    return place.read_bytes()


def earlier(reports: Path, name: str) -> list[dict[str, str]]:
    """Return the marks of every register reported under a name (page and audience).

    Raises
    ------
    ParameterError
        When a file is broken.
    """
    found = []
    for place in sorted((reports / FOLDER / name).glob("*.json")):
        try:
            marks = json.loads(place.read_text(encoding="utf-8"))
        except ValueError:
            marks = None
        if not isinstance(marks, dict):
            raise ParameterError(f"{FOLDER}/{name}/{place.name}: the file is broken; put back a copy")
        found.append(marks)
    return found


def note(reports: Path, name: str, marks: dict[str, str]) -> None:
    """Note that a register was reported; the same one is noted once."""
    text = json.dumps(marks, sort_keys=True)
    digest = hashlib.sha256(text.encode()).hexdigest()[:16]
    disk.file(reports / FOLDER / name / f"{digest}.json", text)
