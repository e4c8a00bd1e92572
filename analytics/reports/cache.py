"""Has this fit been made before? Heavy results shared between pages, without running any code from the store.

An entry is a folder: `tree.json` (the shape of the result), `arrays.npz` (arrays, without pickle), one
Parquet file a frame, and `index.json` with the hash of each file, written last. It appears by one rename,
so that a reader sees a whole entry or none; an entry whose hashes do not hold is thrown away. Only plain
values, arrays, frames and frozen dataclasses of this package are stored; a result that holds anything
else is simply computed again.

The key covers the data read, the question, its arguments, every source file of the package and the
versions of the libraries that compute. Entries hold rows of the records: they lie in `.cache` beside the
package, readable by their owner alone, and `clear()` removes them. `REGROWTH_CACHE` names another folder,
or `off`.
"""

import contextlib
import dataclasses
import functools
import hashlib
import importlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Mapping
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analytics import files
from analytics.reports.record import ROOT, code_sha256

CACHE_VARIABLE = "REGROWTH_CACHE"
OFF = "off"
MAX_ENTRIES = 400  # the oldest go first; a choice of ours
COMPUTING_LIBRARIES = ("numpy", "scipy", "pandas", "statsmodels", "lifelines", "surpyval")


class _NotStorable(TypeError):
    """A value that the store does not know."""


def folder() -> Path | None:
    """Return where entries lie; None when the cache is off.

    Returns
    -------
    Path or None
        Named by `REGROWTH_CACHE`, else beside the package.
    """
    named = os.environ.get(CACHE_VARIABLE, "")
    if named == OFF:
        return None
    return Path(named) if named else ROOT / ".cache" / "fits"


def remembered(
    question: Callable[..., Any], subject: Any, subject_sha256: str, arguments: Mapping[str, Any]
) -> Any:
    """Return `question(subject, **arguments)`, from the store where the same was asked before.

    Parameters
    ----------
    question
        A function of this package; its full name is part of the key.
    subject
        What it is asked about (the records).
    subject_sha256
        Hash of the subject; empty to compute without the store.
    arguments
        Keyword arguments of the question.
    """
    is_there, value = find(question, subject_sha256, arguments)
    if is_there:
        return value
    value = question(subject, **arguments)
    place = folder()
    if place is not None and subject_sha256:
        _write(place / key(question, subject_sha256, arguments), value)
    return value


def find(question: Callable[..., Any], subject_sha256: str, arguments: Mapping[str, Any]) -> tuple[bool, Any]:
    """Return (True, the stored answer), or (False, None) where the question was not asked before."""
    place = folder()
    if place is None or not subject_sha256:
        return False, None
    return _read(place / key(question, subject_sha256, arguments))


def key(question: Callable[..., Any], subject_sha256: str, arguments: Mapping[str, Any]) -> str:
    """Return the name of the entry: the same question on the same data by the same code."""
    parts = {
        "question": f"{question.__module__}:{question.__qualname__}",
        "subject": subject_sha256,
        "arguments": {name: _fingerprint(value) for name, value in sorted(arguments.items())},
        "code": code_sha256(),
        "libraries": _versions(),
    }
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()[:40]


@functools.cache
def _versions() -> dict[str, str]:
    return {name: metadata.version(name) for name in COMPUTING_LIBRARIES}


def clear() -> int:
    """Remove every entry; return how many there were."""
    place = folder()
    if place is None or not place.is_dir():
        return 0
    entries = [p for p in place.iterdir() if p.is_dir()]
    for entry in entries:
        shutil.rmtree(entry, ignore_errors=True)
    return len(entries)


def _fingerprint(value: Any) -> str:
    """Return a hash of an argument by its content."""
    if isinstance(value, pd.DataFrame):
        content = pd.util.hash_pandas_object(value, index=True).to_numpy().tobytes()
        return hashlib.sha256(repr((list(value.columns), list(value.dtypes))).encode() + content).hexdigest()
    if isinstance(value, np.ndarray):
        return hashlib.sha256(repr((value.dtype, value.shape)).encode() + value.tobytes()).hexdigest()
    if isinstance(value, dict):
        return repr({str(k): _fingerprint(v) for k, v in sorted(value.items())})
    if isinstance(value, list | tuple):
        return repr([_fingerprint(v) for v in value])
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        named = {f.name: _fingerprint(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return repr((type(value).__qualname__, named))
    return repr(value)


def _write(entry: Path, value: Any) -> None:
    """Write an entry beside its place and move it there; a value that cannot be stored is left alone."""
    entry.parent.mkdir(parents=True, exist_ok=True, mode=files.OWNER_ONLY_FOLDER)
    draft = Path(tempfile.mkdtemp(prefix=".draft-", dir=entry.parent))
    try:
        arrays: dict[str, np.ndarray] = {}
        tree = _packed(value, arrays, draft)
        np.savez(draft / "arrays.npz", **arrays)  # type: ignore[arg-type]
        files.write(draft / "tree.json", json.dumps(tree))
        index = {p.name: files.sha256(p) for p in sorted(draft.iterdir())}
        files.write_json(draft / "index.json", index)
        if not entry.exists():
            draft.rename(entry)
    except _NotStorable:
        pass
    except OSError:
        # A full or read-only disk must not stop a report: the result is there, only not remembered.
        pass
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    _forget_oldest(entry.parent)


def _read(entry: Path) -> tuple[bool, Any]:
    """Return (True, value) for a whole entry, (False, None) for none; a damaged one is removed."""
    if not entry.is_dir():
        return False, None
    try:
        index = json.loads((entry / "index.json").read_text(encoding="utf-8"))
        if any(files.sha256(entry / name) != digest for name, digest in index.items()):
            raise ValueError("hashes differ")
        with np.load(entry / "arrays.npz", allow_pickle=False) as stored:
            arrays = {name: stored[name] for name in stored.files}
        value = _unpacked(json.loads((entry / "tree.json").read_text(encoding="utf-8")), arrays, entry)
        os.utime(entry)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, ImportError):
        shutil.rmtree(entry, ignore_errors=True)
        return False, None
    return True, value


def _packed(value: Any, arrays: dict[str, np.ndarray], draft: Path) -> Any:
    """Return the value as JSON; arrays and frames are put aside and referred to."""
    if value is None or isinstance(value, bool | str) or type(value) in (int, float):
        return value
    if isinstance(value, np.generic):
        value = np.asarray(value)
        return {"kind": "scalar", "at": _put_array(value, arrays)}
    if isinstance(value, np.ndarray):
        return {"kind": "array", "at": _put_array(value, arrays)}
    if isinstance(value, pd.DataFrame):
        return {"kind": "frame", "at": _put_frame(value, draft)}
    if isinstance(value, pd.Series):
        return {
            "kind": "series",
            "name": _packed(value.name, arrays, draft),
            "at": _put_frame(value.to_frame("v"), draft),
        }
    if isinstance(value, list | tuple):
        kind = "tuple" if isinstance(value, tuple) else "list"
        return {"kind": kind, "items": [_packed(v, arrays, draft) for v in value]}
    if isinstance(value, dict):
        items = [[_packed(k, arrays, draft), _packed(v, arrays, draft)] for k, v in value.items()]
        return {"kind": "dict", "items": items}
    if _is_ours(type(value)):
        fields = {f.name: _packed(getattr(value, f.name), arrays, draft) for f in dataclasses.fields(value)}
        return {
            "kind": "dataclass",
            "module": type(value).__module__,
            "name": type(value).__qualname__,
            "fields": fields,
        }
    raise _NotStorable(type(value).__name__)


def _put_array(value: np.ndarray, arrays: dict[str, np.ndarray]) -> str:
    if value.dtype.hasobject:
        raise _NotStorable("array of objects")
    name = f"a{len(arrays)}"
    arrays[name] = value
    return name


def _put_frame(value: pd.DataFrame, draft: Path) -> str:
    name = f"f{len(list(draft.glob('*.parquet')))}.parquet"
    try:
        value.to_parquet(draft / name)
    except (ValueError, TypeError, NotImplementedError) as error:
        raise _NotStorable("frame") from error
    return name


def _unpacked(tree: Any, arrays: dict[str, np.ndarray], entry: Path) -> Any:
    """Return the value a tree describes."""
    if not isinstance(tree, dict):
        return tree
    kind = tree["kind"]
    if kind in ("array", "scalar"):
        return arrays[tree["at"]] if kind == "array" else arrays[tree["at"]][()]
    if kind == "frame":
        return pd.read_parquet(entry / Path(tree["at"]).name)
    if kind == "series":
        series = pd.read_parquet(entry / Path(tree["at"]).name)["v"]
        return series.rename(_unpacked(tree["name"], arrays, entry))
    if kind in ("list", "tuple"):
        items = [_unpacked(item, arrays, entry) for item in tree["items"]]
        return tuple(items) if kind == "tuple" else items
    if kind == "dict":
        return {_unpacked(k, arrays, entry): _unpacked(v, arrays, entry) for k, v in tree["items"]}
    found = _our_class(tree["module"], tree["name"])
    return found(**{name: _unpacked(item, arrays, entry) for name, item in tree["fields"].items()})


def _our_class(module: str, name: str) -> type:
    """Return a frozen dataclass of this package by its name; anything else is refused."""
    if not module.startswith("analytics.") or not name.isidentifier():
        raise ValueError("not a class of this package")
    found = getattr(importlib.import_module(module), name)
    if not _is_ours(found):
        raise ValueError("not a frozen dataclass of this package")
    return found


def _is_ours(kind: type) -> bool:
    frozen = dataclasses.is_dataclass(kind) and kind.__dataclass_params__.frozen  # type: ignore[attr-defined]
    return bool(frozen and kind.__module__.startswith("analytics.") and kind.__qualname__.isidentifier())


def _forget_oldest(place: Path) -> None:
    """Forget the oldest entries beyond MAX_ENTRIES; another process may be forgetting them too."""
    made: dict[Path, float] = {}
    for entry in place.iterdir():
        if not entry.name.startswith("."):
            with contextlib.suppress(FileNotFoundError):
                made[entry] = entry.stat().st_mtime
    for entry in sorted(made, key=lambda p: made[p])[: max(0, len(made) - MAX_ENTRIES)]:
        shutil.rmtree(entry, ignore_errors=True)
