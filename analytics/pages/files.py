"""Files written whole or not at all, readable by their owner alone."""

import hashlib
import json
import re
from pathlib import Path
from typing import Any

from analytics import disk
from analytics.errors import ParameterError


def write(path: Path, content: str | bytes) -> Path:
    """Write a file beside its place and move it there, so that no reader ever sees half of it."""
    return disk.file(path, content)


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
