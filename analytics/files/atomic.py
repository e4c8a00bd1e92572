"""Files and folders written whole or not at all, and over nothing but the program's own unchanged files.

A file is written beside its place, flushed to the disk and moved there. What a command hands to a person is
noted in a list in the same folder (`files.listing`), and may be replaced by the same writer while its bytes
are those that were noted. Anything else belongs to somebody and stays as it is.

A folder is changed in place. The new files and their list arrive together, by one move, as a folder inside
the folder (`ARRIVING`): from that move on the change is decided, and is finished by whoever comes next if its
writer was killed. Whatever else is in the folder is never touched, nor is the folder itself moved.

This is the only code that changes a file or folder for another. Source of what a move promises: rename() and
link() of POSIX.1-2017.
"""

import contextlib
import hashlib
import itertools
import json
import os
import re
import shutil
import tempfile
import time
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any

from analytics.errors import ParameterError
from analytics.files import listing
from analytics.files.listing import ARRIVING, LIST, digest

OWNER_ONLY = 0o600
OWNER_ONLY_FOLDER = 0o700
BEFORE = ".before"  # the end of the name of a folder that stepped aside for a writer of an earlier version
RECORD = "run.json"  # what a report of an earlier version is known by, which kept no list
LIVE_SECONDS = 0.5  # a writer that lives finishes a change in less, a few moves; assumed
ATTEMPTS = 5
MOST_EDITIONS = 999


def made(folder: Path) -> Path:
    """Return a folder, made for its owner alone where there is none.

    Raises
    ------
    ParameterError
        When a file has its name, or that of a folder above it.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=OWNER_ONLY_FOLDER)
    except (FileExistsError, NotADirectoryError):
        raise ParameterError(
            f"{folder.name}: a file of this name stands where a folder would be made; move it away, or name "
            "another folder"
        ) from None
    return folder


def write(path: Path, content: str | bytes, *, is_new: bool = False) -> Path:
    """Write one file whole and return its path; the old one stays until the new one is on the disk.

    For places of the program's own. What a person may have put there is kept by `put_file`.

    Raises
    ------
    FileExistsError
        When `is_new` and a file of this name is there, also one made in this moment.
    """
    made(path.parent)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    half = Path(name)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(_bytes(content))
            out.flush()
            os.fsync(out.fileno())
        half.chmod(OWNER_ONLY)
        if is_new:
            _move_to_new(half, path)
        else:
            half.replace(path)
    finally:
        half.unlink(missing_ok=True)
    return path


def _move_to_new(half: Path, path: Path) -> None:
    """Move a file to a name that nobody has: a link fails where a move would replace."""
    try:
        path.hardlink_to(half)
    except FileExistsError:
        raise
    except (OSError, NotImplementedError):
        # A disk without links, such as a memory stick: there is a moment in which another could come first.
        if os.path.lexists(path):
            raise FileExistsError(path.name) from None
        half.replace(path)


def put_file(path: Path, content: str | bytes, *, by: str = "", was: bytes | None = None) -> Path:
    """Write one file for a person to find; replace only what the same writer wrote and nobody changed.

    Parameters
    ----------
    by
        Who writes it, such as `template`; the file of another writer is not replaced.
    was
        For a file that was read and grows: the bytes that the new content carries on; no others are
        replaced.

    Raises
    ------
    ParameterError
        When anything else is in the place; nothing is written then.
    """
    data = _bytes(content)
    is_new = not os.path.lexists(path)
    refuse_file(path, by=by, was=was, becomes=data)
    if not is_new and path.read_bytes() == data:
        return path
    note(path.parent, {path.name: hashlib.sha256(data).hexdigest()}, by)
    try:
        return write(path, data, is_new=is_new)
    except FileExistsError:
        raise listing.foreign([path.name]) from None


def refuse_file(path: Path, *, by: str = "", was: bytes | None = None, becomes: bytes | None = None) -> None:
    """Refuse a place where `put_file` may not write, before the work is done.

    Raises
    ------
    ParameterError
        When something else is there.
    """
    refuse_list(path.parent)
    if not os.path.lexists(path):
        return
    if path.is_symlink() or not path.is_file():
        raise listing.foreign([path.name])
    found = path.read_bytes()
    is_own = found == was if was is not None else listing.is_own(path.parent, path.name, by)
    if not is_own and found != becomes:
        raise listing.foreign([path.name])


def refuse_list(folder: Path) -> None:
    """Refuse a folder in which somebody else's file has the name of the list.

    Raises
    ------
    ParameterError
        When it has.
    """
    if os.path.lexists(folder / LIST) and not listing.is_list(folder / LIST):
        raise listing.foreign([LIST])


def put_in_place(new: Path, place: Path, *, by: str = "") -> None:
    """Put the files of a whole folder into a place, over those the same writer put there; leave all others.

    Parameters
    ----------
    new
        A folder on the same disk that is gone afterwards.
    by
        Who writes it; its own files that are not among the new ones go.

    Raises
    ------
    ParameterError
        When a file that the writer did not write, or that was changed since, has the name of a new one.
        Nothing is changed then.
    """
    restore(place)
    clash = clashes(new, place, by=by)
    if clash:
        raise listing.foreign(clash, folder=place)
    names = _files(new)
    write(new / LIST, listing.lines({n: listing.digest(new / n) for n in names}, by, header=True))
    if not place.exists():
        new.replace(place)
        return
    _arrive(new, place)
    try:
        _finish(place)
    except BaseException:
        # The change is decided: what stopped it once may let it pass now, else the next to come finishes it.
        _finish(place)
        raise


def _arrive(new: Path, place: Path) -> None:
    """Move the new folder into the place, after any other that is about to arrive."""
    for attempt in itertools.count(1):
        try:
            new.replace(place / ARRIVING)
            return
        except OSError:
            if attempt == ATTEMPTS or not (place / ARRIVING).is_dir():
                raise
            restore(place)


def clashes(new: Path, place: Path, *, by: str = "") -> list[str]:
    """Return the names of new files that something in a place has taken: not the writer's, or changed."""
    if not os.path.lexists(place):
        return []
    if place.is_symlink() or not place.is_dir():
        return [place.name]
    taken = [ARRIVING] if os.path.lexists(place / ARRIVING) else []
    if os.path.lexists(place / LIST) and not listing.is_list(place / LIST):
        taken.append(LIST)
    return taken + [
        name for name in _files(new) if not _may_take(place, name, by, listing.digest(new / name))
    ]


def _may_take(place: Path, name: str, by: str, becomes: str = "") -> bool:
    path = place / name
    if any((place / part).is_symlink() or (place / part).is_file() for part in listing.above(name)):
        return False
    if not os.path.lexists(path) or listing.is_own(place, name, by):
        return True
    return not path.is_symlink() and path.is_file() and listing.digest(path) == becomes


def _finish(place: Path) -> None:
    """Finish a change that has arrived; done twice, or by two at once, it comes to the same."""
    arriving = place / ARRIVING
    if not listing.is_list(arriving / LIST):
        with contextlib.suppress(OSError):
            arriving.rmdir()
        return
    coming = listing.listed(arriving)
    writers = {by for versions in coming.values() for _, by in versions}
    for by in writers:
        note(place, {name: d for name, versions in coming.items() for d, w in versions if w == by}, by)
        _remove_own(place, by, keep=coming)
    for name, versions in coming.items():
        target = place / name
        for _, by in versions:
            # A person may have put a file of this name here since the change was decided.
            target = target if _may_take(place, name, by) else free(target)
        with contextlib.suppress(FileNotFoundError):
            target.parent.mkdir(parents=True, exist_ok=True, mode=OWNER_ONLY_FOLDER)
            (arriving / name).replace(target)
    _take_over_list(place, writers)
    for left in arriving.iterdir():
        if left.name != LIST:
            shutil.rmtree(left) if left.is_dir() else left.unlink()
    # The list last: a folder of this name without one is nobody's that this program knows.
    (arriving / LIST).unlink(missing_ok=True)
    with contextlib.suppress(OSError):
        arriving.rmdir()


def _take_over_list(place: Path, writers: Collection[str]) -> None:
    """Let the list be the new one, which tells of no earlier version, with the lines of other writers."""
    new = (place / ARRIVING / LIST).read_text(encoding="utf-8")
    before = [(n, d, by) for n, versions in listing.listed(place).items() for d, by in sorted(versions)]
    kept = [listing.lines({n: d}, by, header=False) for n, d, by in before if by not in writers]
    write(place / ARRIVING / "whole", new + "".join(kept)).replace(place / LIST)


def _remove_own(place: Path, by: str, *, keep: Collection[str] = ()) -> None:
    """Remove the unchanged files of a writer, and the folders that held nothing else."""
    for name in listing.listed(place):
        if name not in keep and listing.is_own(place, name, by):
            (place / name).unlink(missing_ok=True)
            for part in listing.above(name):
                with contextlib.suppress(OSError):
                    (place / part).rmdir()


def clear(place: Path, *, by: str = "") -> None:
    """Remove a writer's unchanged files from a folder, and the folder when it holds nothing else."""
    if place.is_symlink() or not listing.is_list(place / LIST):
        return
    _remove_own(place, by)
    if [p.name for p in place.iterdir()] == [LIST]:
        (place / LIST).unlink()
        place.rmdir()


def adopt(place: Path, digests: Mapping[str, str], *, by: str = "") -> None:
    """Note the files of a folder that was written before there was a list, where there is none yet."""
    if not os.path.lexists(place / LIST):
        note(place, digests, by)


def note(folder: Path, digests: Mapping[str, str], by: str) -> None:
    """Add files to a folder's list, on the disk before they are."""
    known = listing.listed(folder)
    new = {name: d for name, d in digests.items() if (d, by) not in known.get(name, ())}
    place = folder / LIST
    if not os.path.lexists(place):
        with contextlib.suppress(FileExistsError):
            write(place, listing.lines(new, by, header=True), is_new=True)
            return
    if not listing.is_list(place):
        raise listing.foreign([LIST])
    if new:
        # Begun on a line of its own, since the last one may have been torn; one write, since two may append.
        handle = os.open(place, os.O_WRONLY | os.O_APPEND)
        try:
            os.write(handle, b"\n" + listing.lines(new, by, header=False).encode())
            os.fsync(handle)
        finally:
            os.close(handle)


def restore(place: Path) -> None:
    """Finish the change of a folder whose writer was killed; put back one that a killed writer set aside.

    Raises
    ------
    ParameterError
        When the change cannot be finished, because the folder may not be written.
    """
    if not place.is_symlink() and os.path.isdir(place / ARRIVING):  # noqa: PTH112  False where it may not be read
        if listing.is_list(place / ARRIVING / LIST):
            _wait_for_its_writer(place / ARRIVING)
        try:
            _finish(place)
        except OSError:
            raise ParameterError(
                f"{place.name}: a change of this folder was broken off and cannot be finished; "
                "make the folder writable and try again"
            ) from None
    aside = _aside(place)
    if not _is_ours(aside):
        return
    if os.path.lexists(place):
        for by in {by for versions in listing.listed(aside).values() for _, by in versions}:
            clear(aside, by=by)
    else:
        aside.replace(place)


def _is_ours(aside: Path) -> bool:
    """Tell whether a folder that stepped aside holds what this program wrote, and is nobody's own."""
    if listing.is_list(aside / LIST):
        return not aside.is_symlink()
    try:
        return "request_sha256" in json.loads((aside / RECORD).read_bytes())
    except (OSError, ValueError, TypeError):
        return False


def _wait_for_its_writer(arriving: Path) -> None:
    end = time.monotonic() + LIVE_SECONDS
    while arriving.is_dir() and time.monotonic() < end:
        time.sleep(0.02)


def restore_inside(folder: Path) -> None:
    """Finish or put back every folder inside a folder whose writer was killed."""
    for aside in folder.glob(f".*{BEFORE}"):
        restore(folder / aside.name[1 : -len(BEFORE)])
    for arriving in folder.glob(f"*/{ARRIVING}"):
        restore(arriving.parent)


def _aside(place: Path) -> Path:
    return place.parent / f".{place.name}{BEFORE}"


def editions(place: Path, *, ending: str = "") -> Iterator[Path]:
    """Give a place and then its further editions, as file managers number them.

    Examples
    --------
    >>> [p.name for p in itertools.islice(editions(Path("index.html"), ending=".html"), 2)]
    ['index.html', 'index (2).html']
    """
    yield place
    for number in range(2, MOST_EDITIONS + 1):
        yield place.with_name(f"{place.name.removesuffix(ending)} ({number}){ending}")
    raise ParameterError(f"{place.name}: {MOST_EDITIONS} editions are there; move some away")


def free(place: Path, *, ending: str | None = None) -> Path:
    """Return the first edition of a place that nothing has taken."""
    named = editions(place, ending=place.suffix if ending is None else ending)
    return next(p for p in named if not os.path.lexists(p))


def refuse_source(source: str | Path, *targets: Path) -> None:
    """Refuse to write over what is read: the same file, or a folder that holds it, under whatever name.

    Names are compared by what they lead to, through links, other spellings and relative paths.

    Raises
    ------
    ParameterError
        When a target is, holds or shares a file with the source. A database by its URL is not looked at.
    """
    if isinstance(source, str) and "://" in source:
        return
    read = Path(source)
    held = {p for path in (Path(os.path.abspath(read)), read.resolve()) for p in (path, *path.parents)}  # noqa: PTH100
    for target in targets:
        is_held = any(_is_same(path, target) for path in held)
        if is_held or _identities(read) & _identities(target):
            raise ParameterError(
                f"{target}: this is the source, or a folder that holds it or a file of it; nothing was "
                "written; name another place, outside the source"
            )


def _is_same(path: Path, other: Path) -> bool:
    try:
        return path.samefile(other)
    except OSError:
        return False


def _identities(place: Path) -> set[tuple[int, int]]:
    """Return what the disk knows a file, or the files of a folder, by: hard links share it."""
    found = set()
    for path in [place, *place.iterdir()] if place.is_dir() else [place]:
        with contextlib.suppress(OSError):
            facts = path.stat()
            found.add((facts.st_dev, facts.st_ino))
    return found


def _bytes(content: str | bytes) -> bytes:
    return content.encode("utf-8") if isinstance(content, str) else content


def _files(folder: Path) -> list[str]:
    """Return the files of a folder and its folders, as names with `/`, without the list."""
    found = (p.relative_to(folder).as_posix() for p in folder.rglob("*") if not p.is_dir() or p.is_symlink())
    return sorted(name for name in found if name != LIST)


def write_json(path: Path, content: Any) -> Path:
    """Write JSON as `as_json` has it, to a place of the program's own."""
    return write(path, as_json(content))


def as_json(content: Any) -> str:
    """Return JSON with sorted keys, so that the same content is the same bytes; a missing number is null."""
    return json.dumps(content, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    return digest(path)


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
