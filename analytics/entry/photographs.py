"""A folder of pictures read into the table `photographs`, by a declared pattern of their names.

A pattern such as `{patient}_{session}_{zone}_{view}_m{month}` says where in a name stands what. Names hold
codes of the register alone: a picture named otherwise is set aside. Where no month is in the name, the day on
which the picture was taken gives the whole months since the session, if the month in which the register
began is known; nothing else is read from the picture, and nothing of it is copied.
"""

import datetime
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from PIL import Image

from analytics import files
from analytics.dictionary import TABLES
from analytics.entry.case import register
from analytics.entry.changes import Change
from analytics.entry.rows import text_of
from analytics.errors import ParameterError
from analytics.mapping import months_between

PARTS = {
    "patient": r"[A-Za-z0-9]+(?:-[A-Za-z0-9]+)*?",
    "session": r"[A-Za-z0-9]+(?:-[A-Za-z0-9]+)*",
    "zone": "[a-z]+",
    "view": "[a-z]+",
    "month": r"-?[0-9]+(?:\.[0-9])?",
}
ENDINGS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp")
TAKEN = (36867, 306)  # DateTimeOriginal, DateTime: Exif 2.32 (CIPA DC-008), tags of the time
EXIF_BLOCK = 0x8769
MIDDLE_OF_MONTH = 15


@dataclass(frozen=True, slots=True)
class Pictures:
    """What becomes of the pictures of a folder: one row per file (file, fate, reason), and the changes."""

    rows: pd.DataFrame
    changes: tuple[Change, ...]

    def text(self) -> str:
        """Return the account as lines to read."""
        lines = [f"{len(self.rows)} files read:"]
        lines += [f"  {n:>6}  {fate}" for fate, n in self.rows["fate"].value_counts(sort=False).items()]
        told = Counter(r for r in self.rows["reason"] if r)
        return "\n".join([*lines, *(f"  {'':>6}  {n} because: {reason}" for reason, n in told.items())])


def read_folder(
    data: str | Path,
    folder: str | Path,
    pattern: str,
    *,
    begins: files.begins.Month | None = None,
    standard: str = "",
    consent: str = "",
) -> Pictures:
    """Return what becomes of each picture of a folder; nothing is written (`record` writes `changes`).

    Parameters
    ----------
    data
        The register.
    folder
        Of the pictures; folders inside it are not looked at.
    pattern
        Of the names without their endings, with {patient}, {session}, {zone}, {view}, {month}.
    begins
        The month in which the register began, where months come from the day a picture was taken.
    standard, consent
        True or False for all of them; empty where it is not known. A picture without consent is never shown.

    Returns
    -------
    Pictures
        `changes`, and what became of each file.

    Raises
    ------
    ParameterError
        When the pattern cannot tell the patient, or the folder is none.

    Examples
    --------
    As `regrowth import photographs` does; `record` writes what it found.
    """
    place = Path(folder)
    if not place.is_dir():
        raise ParameterError(f"{place.name}: this is no folder; name the folder of the pictures")
    names = _compiled(pattern)
    tables = register(data)
    known = {row["file"] for row in tables["photographs"].to_dict("records")}
    fates, changes = [], []
    for path in sorted(p for p in place.iterdir() if p.is_file() and p.suffix.lower() in ENDINGS):
        row, reason = _row(path, names, tables, begins)
        if not reason and path.stem in known:
            fates.append((path.name, "there already", ""))
            continue
        fates.append((path.name, "set aside" if reason else "added", reason))
        if not reason:
            more = {"standard": standard, "consent": consent}
            changes.append(
                Change(
                    "photographs", None, {**row, **{c: v for c, v in more.items() if v}, "file": path.stem}
                )
            )
    return Pictures(pd.DataFrame(fates, columns=["file", "fate", "reason"]), tuple(changes))


def _compiled(pattern: str) -> re.Pattern:
    """Return a pattern of names as a regular expression."""
    unknown = [p for p in re.findall(r"\{(\w*)\}", pattern) if p not in PARTS]
    if unknown or ("{patient}" not in pattern and "{session}" not in pattern):
        raise ParameterError(
            "pattern: write where the parts of a name stand, with {patient} or {session}, and {zone}, "
            "{view}, {month} where they are there, such as {patient}_{session}_{zone}_{view}_m{month}"
        )
    parts = re.split(r"\{(\w+)\}", pattern)
    said = [f"(?P<{p}>{PARTS[p]})" if i % 2 else re.escape(p) for i, p in enumerate(parts)]
    return re.compile("".join(said))


def _row(path: Path, names: re.Pattern, tables, begins: files.begins.Month | None) -> tuple[dict, str]:
    """Return the row of one picture, or why there is none."""
    found = names.fullmatch(path.stem)
    if found is None:
        return {}, "its name does not follow the pattern"
    part = found.groupdict()
    sessions = tables["sessions"]
    own = sessions
    if "patient" in part:
        own = own[own["patient_id"].eq(part["patient"])]
    if "session" in part:
        own = own[own["session_id"].eq(part["session"]) | own["session_number"].eq(part["session"])]
    if own.empty:
        return {}, "its name holds no patient and session of the register"
    if part.get("zone") and part["zone"] not in TABLES["photographs"].column("zone").allowed:
        return {}, "its name holds no zone of the dictionary"
    session, month = own.iloc[-1], part.get("month", "")
    if not month:
        session, month = _by_day(path, own, begins)
        if not month:
            return {}, "no month is in its name, and none can be told from the day it was taken"
    row = {"session_id": str(session["session_id"]), "month": text_of(float(month))}
    return {**row, **{c: part[c] for c in ("zone", "view") if part.get(c)}}, ""


def _by_day(path: Path, own: pd.DataFrame, begins: files.begins.Month | None) -> tuple[pd.Series, str]:
    """Return the session a picture belongs to and the whole months since it, by the day it was taken."""
    day = _taken(path)
    month = pd.to_numeric(own["register_month"], errors="coerce")
    if day is None or begins is None or month.isna().any():
        return own.iloc[-1], ""
    before = own[month.le(files.begins.register_month(day, begins))]
    if before.empty:
        return own.iloc[-1], ""
    session = before.loc[month[before.index].idxmax()]
    # The day of the session is not known: the middle of its month stands for it, so months are whole.
    start = files.begins.first_day(int(float(session["register_month"])), begins)
    return session, text_of(max(0, round(months_between(start.replace(day=MIDDLE_OF_MONTH), day))))


def _taken(path: Path) -> datetime.date | None:
    """Return the day on which a picture was taken, as the camera noted it."""
    try:
        with Image.open(path) as picture:
            notes = picture.getexif()
            block = notes.get_ifd(EXIF_BLOCK)
            said = next((str(v) for tag in TAKEN if (v := block.get(tag) or notes.get(tag))), "")
        return datetime.datetime.strptime(said[:10], "%Y:%m:%d").date()
    except (OSError, ValueError, SyntaxError):
        return None
