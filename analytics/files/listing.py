"""The list of what was written into a folder: which of its files are the program's own, and unchanged.

`LIST` has one line for each version of each file: SHA-256, name, who wrote it. Lines are only ever added, and
are on the disk before the file is, so that a crash between the two leaves a line too many and never a file
without one. A folder that is written whole brings its own list.
"""

import hashlib
import json
import os
from collections.abc import Collection, Iterable, Mapping
from pathlib import Path

from analytics.errors import ParameterError

LIST = ".regrowth-written.jsonl"
HEADER = '{"list": "files written by regrowth", "version": 1}'
ARRIVING = ".regrowth-arriving"  # the new files of a folder that is being changed (`files.atomic`)
MOST_NAMES = 8

Listed = dict[str, set[tuple[str, str]]]  # by name: digest and writer of every version written


def is_own(folder: Path, name: str, by: str) -> bool:
    """Tell whether a file has the bytes of a version that a writer wrote there."""
    path = folder / name
    if path.is_symlink() or not path.is_file() or any((folder / part).is_symlink() for part in above(name)):
        return False
    versions = {d for d, who in listed(folder).get(name, ()) if who == by}
    return bool(versions) and digest(path) in versions


def is_list(path: Path) -> bool:
    """Tell whether a file is such a list, and no link to one."""
    if path.is_symlink() or not os.path.isfile(path):  # noqa: PTH113  False where it may not be read
        return False
    with path.open("rb") as content:
        return content.readline().rstrip() == HEADER.encode()


def listed(folder: Path) -> Listed:
    """Return what a folder's list says; a line that was torn by a crash, or leads elsewhere, says nothing."""
    found: Listed = {}
    if not is_list(folder / LIST):
        return found
    for line in (folder / LIST).read_text(encoding="utf-8", errors="replace").splitlines()[1:]:
        try:
            sha256, name, by = map(str, json.loads(line))
            is_inside = not Path(name).is_absolute() and ".." not in Path(name).parts
        except (ValueError, TypeError):
            continue
        if is_inside:
            found.setdefault(name, set()).add((sha256, by))
    return found


def lines(digests: Mapping[str, str], by: str, *, header: bool) -> str:
    """Return the lines of files, by name their SHA-256, that `by` wrote."""
    said = [json.dumps([sha256, name, by]) for name, sha256 in sorted(digests.items())]
    return "\n".join([*([HEADER] if header else []), *said, ""])


def others(place: Path) -> list[str]:
    """Return the names in a folder that no command wrote, or that were changed since; a folder as `name/`."""
    if not place.is_dir():
        return []
    own = {
        name for name, versions in listed(place).items() if any(is_own(place, name, by) for _, by in versions)
    }
    own |= {part for name in own for part in above(name)} | {LIST, ARRIVING}
    return [f"{p.name}/" if p.is_dir() else p.name for p in sorted(place.iterdir()) if p.name not in own]


def left_as_they_are(place: Path) -> str:
    """Return a sentence that names what else is in a folder, nothing where there is nothing else."""
    found = others(place)
    why = "not written by this program, or changed since"
    return f"Left as they are in {place}: {named(found)} ({why})." if found else ""


def named(names: Iterable[str]) -> str:
    r"""Return names as words; marks that would steer a terminal are shown as `?`.

    >>> named(["a.csv", "b\x1b.csv"])
    'a.csv, b?.csv'
    """
    plain = ["".join(c if c.isprintable() else "?" for c in name) for name in names]
    more = len(plain) - MOST_NAMES
    return ", ".join(plain[:MOST_NAMES]) + (f" and {more} others" if more > 0 else "")


def foreign(names: Collection[str], *, folder: Path | None = None) -> ParameterError:
    """Return the refusal to write over files that are not the writer's own and unchanged."""
    where = f"{folder.name}: " if folder is not None else ""
    return ParameterError(
        f"{where}{named(names)}: not written by this command, or changed since; nothing was written over it; "
        f"move it away, or name another {'folder' if folder is not None else 'file'}"
    )


def above(name: str) -> list[str]:
    """Return the folders a name goes through.

    >>> above("a/b/c.txt")
    ['a/b', 'a']
    """
    return [p.as_posix() for p in Path(name).parents][:-1]


def digest(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    with path.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()
