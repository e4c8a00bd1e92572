"""Files written whole or not at all, readable by their owner alone.

Files and folders written whole or not at all, for their owner alone: never half of one.

A file is written beside its place, flushed to the disk and moved there. A folder is written beside its place
and changed for the old one in two moves; a writer killed between them leaves the old one aside, under a name
that begins with a point, and `restore` puts it back.

This is the only code that changes a file or folder for another. Source of what a move promises: rename() of
POSIX.1-2017.
"""

import hashlib
import json
import os
import re
import shutil
import tempfile
from pathlib import Path
from typing import Any

from analytics.errors import ParameterError

OWNER_ONLY = 0o600
OWNER_ONLY_FOLDER = 0o700
BEFORE = ".before"  # the end of the name of a folder that stepped aside


def write(path: Path, content: str | bytes) -> Path:
    """Write one file whole and return its path; the old one stays until the new one is on the disk."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=OWNER_ONLY_FOLDER)
    data = content.encode("utf-8") if isinstance(content, str) else content
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    half = Path(name)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        half.chmod(OWNER_ONLY)
        half.replace(path)
    finally:
        half.unlink(missing_ok=True)
    return path


def put_in_place(new: Path, place: Path) -> None:
    """Put a whole folder in the place of another: the old one steps aside before, and goes after."""
    restore(place)
    if place.exists():
        place.replace(_aside(place))
    try:
        new.replace(place)
    except BaseException:
        restore(place)
        raise
    shutil.rmtree(_aside(place), ignore_errors=True)


def restore(place: Path) -> None:
    """Put back a folder whose writer was killed between the two moves; take away one left behind after."""
    aside = _aside(place)
    if not aside.is_dir():
        return
    if place.exists():
        shutil.rmtree(aside, ignore_errors=True)
    else:
        aside.replace(place)


def restore_inside(folder: Path) -> None:
    """Put back or take away every folder that stepped aside inside a folder."""
    for aside in folder.glob(f".*{BEFORE}"):
        restore(folder / aside.name[1 : -len(BEFORE)])


def _aside(place: Path) -> Path:
    return place.parent / f".{place.name}{BEFORE}"


def write_json(path: Path, content: Any) -> Path:
    """Write JSON with sorted keys, so that the same content is the same bytes; a missing number is null."""
    return write(
        path, json.dumps(content, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"
    )


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def safe_name(text: str, *, what: str = "label") -> str:
    """Return the text if it can be part of a file name on any system.

    Raises
    ------
    ParameterError
        When it holds anything but letters, digits, point, dash and underscore.

    Examples
    --------
    >>> safe_name("S1-2026Q1")
    'S1-2026Q1'
    """
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,80}", text):
        raise ParameterError(
            f"{what}: use 1 to 81 letters, digits, points, dashes, underscores, the first a letter or digit"
        )
    return text
