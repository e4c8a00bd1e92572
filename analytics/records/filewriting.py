"""Write a file whole or not at all, readable by its owner alone."""

import os
import tempfile
from collections.abc import Callable
from pathlib import Path

OWNER_ONLY = 0o600


def write(path: Path, content: bytes) -> Path:
    """Write bytes beside their place and move them there, so that no reader ever sees half of a file."""
    return write_by(path, lambda beside: beside.write_bytes(content))


def write_by(path: Path, fill: Callable[[Path], object]) -> Path:
    """Let `fill` write a file beside its place, then move it there; a fault leaves the old file."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=path.parent, prefix=f".{path.name}.") as beside:
        made = Path(beside) / path.name
        fill(made)
        with made.open("rb+") as file:
            os.fsync(file.fileno())
        made.chmod(OWNER_ONLY)
        made.replace(path)
    return path
