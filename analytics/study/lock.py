"""Was the plan fixed before the outcomes were looked at, and have plan and records stayed as they were?

Freezing writes a small file beside the plan: the hash of what the plan says, its content, the time, the size
of the register, and what had been looked at before. It also locks the records: of every row a keyed digest
goes to the clinic's state folder (`files.state`), so that *rows added* and *rows changed* can be told later,
table by table, without a value being kept. The state folder holds a second record of every freeze, and a log
of looks: every report and every study command on the register.

The first freeze stays the reference. What changed later does not stop a study; it makes it exploratory, and
is named. Rows that were added are no change: registers grow. Files can be forged by whoever has both folders:
a freeze binds those who want to be bound.
"""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from analytics.dictionary import TABLES
from analytics.errors import ParameterError
from analytics.files import file, state
from analytics.records import Records
from analytics.study.lint import refuse
from analytics.study.plan import digest, read

ENDING = ".frozen.json"
RUN_FILE = "run.json"
# A report has seen the outcomes when it read one of these tables in the same state.
OUTCOME_TABLES = ("measurements", "events", "ratings")
NOT_FROZEN = "not frozen: exploratory"
CHANGED = "changed after freezing: exploratory"
ROWS_CHANGED = "frozen, rows changed since: exploratory"
OTHER_REGISTER = "frozen on another register: exploratory"
NOT_COMPARABLE = "frozen, but its rows cannot be compared with those frozen: exploratory"
FORGED = "frozen, the record of freezing was changed: exploratory"
AS_FROZEN = "as frozen"
FREEZES, LOOKS = "freezes", "looks"
SAME_REGISTER = 0.5  # of the patients frozen; fewer are another register (assumed)


@dataclass(frozen=True, slots=True)
class Seen:
    """A look at the same data: a report or a command, when, and its question."""

    page: str
    finished: str
    title: str


@dataclass(frozen=True, slots=True)
class Frozen:
    """One freeze: hash and content of the plan, time, rows per table, hashes of the tables, looks before.

    `lock` names the file of digests in the state folder with its own digest, empty where rows were not
    locked; `searched` says where looks were searched for.
    """

    plan_sha256: str
    plan: dict[str, Any]
    frozen_at: str
    register_size: dict[str, int]
    tables: dict[str, str]
    reports_before: tuple[Seen, ...]
    lock: str = ""
    searched: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Moved:
    """What became of the rows since: numbers added, changed and gone, by table, none of them where none."""

    added: dict[str, int] = field(default_factory=dict)
    changed: dict[str, int] = field(default_factory=dict)
    gone: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Status:
    """Where a plan stands, in words, and why.

    `frozen` the first freeze (None), `changed` entries of the plan, `grown` rows per table now less then,
    `moved` the rows by their digests, `faults` what does not fit in the records of freezing.
    """

    word: str
    frozen: Frozen | None
    changed: tuple[str, ...]
    grown: dict[str, int]
    n_freezes: int
    moved: Moved = field(default_factory=Moved)
    faults: tuple[str, ...] = ()

    @property
    def is_confirmatory(self) -> bool:
        """Whether plan and records are as they were frozen."""
        return self.word == AS_FROZEN


def place_of(plan: str | Path) -> Path:
    """Return where the freezes of a plan are kept."""
    path = Path(plan)
    return path.with_name(path.stem + ENDING)


def freeze(
    plan: str | Path, records: Records, *, reports: str | Path = "", memory: Path | None = None,
    now: datetime | None = None,
) -> Frozen:  # fmt: skip
    """Write down the plan as it stands, before its outcomes are looked at, and lock the rows.

    Parameters
    ----------
    plan
        The TOML file.
    records
        The register as it is today.
    reports
        Folder of reports, to list those already made on the same data.
    memory
        The clinic's state folder; without it rows are not locked.
    now
        Time of freezing; the clock's if not given.

    Returns
    -------
    Frozen
        What was written down: hash of the plan, time, register, looks before.

    Raises
    ------
    ParameterError
        When the plan is incomplete or cannot be answered by these records (every mistake is named), was
        frozen before and says the same still, or the file of its freezes was changed by hand.

    Examples
    --------
    As `regrowth study freeze` does; the demo's plan was frozen so (`study_out_of_body.frozen.json`).
    """
    content = read(plan)
    refuse(content, records, name=Path(plan).name)
    before = _freezes(plan)
    if before and before[-1].plan_sha256 == digest(content):
        raise ParameterError(f"{Path(plan).name}: was frozen before and says the same still; nothing to do")
    found = reports_on(records, reports)
    seen, searched = list(found or ()), ["reports"] if found is not None else []
    if memory is not None:
        seen += looks(memory)
        searched.append("look-log")
    made = Frozen(
        digest(content),
        content.said(),
        (now or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds"),
        size(records),
        _hashes(records),
        tuple(sorted(seen, key=lambda s: (s.finished, s.page))),
        _lock(records, f"rows_{len(before) + 1}_{digest(content)[:12]}.txt", memory) if memory else "",
        tuple(searched),
    )
    file(place_of(plan), _as_text((*before, made)), by="study freeze", was=_as_text(before).encode())
    if memory is not None:
        state.append(memory, FREEZES, {"of": Path(plan).name, **_marks(made)}, now=now)
    return made


def _as_text(freezes: Iterable[Frozen]) -> str:
    listed = [_as_first_written(asdict(f)) for f in freezes]
    return json.dumps({"freezes": listed}, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def _as_first_written(freeze_: dict[str, Any]) -> dict[str, Any]:
    """Return a freeze without what versions before the lock did not write, where it is empty."""
    return {k: v for k, v in freeze_.items() if v or k not in ("lock", "searched")}


def _marks(frozen: Frozen) -> dict[str, str]:
    """Return the hash of each part of a freeze, so that a changed part can be named."""
    parts = json.loads(json.dumps(asdict(frozen)))
    return {k: _hash(v) for k, v in parts.items()}


def _hash(content: Any) -> str:
    text = json.dumps(content, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def _lock(records: Records, name: str, memory: Path) -> str:
    """Keep the digests of all rows in the state folder; return the file's name and its own digest."""
    rows = row_digests(records, state.key(memory))
    text = "".join(f"{t} {row} {whole}\n" for t, own in rows.items() for row, whole in own.items())
    return f"{name} {state.keep(memory, name, text)}"


def row_digests(records: Records, secret: bytes) -> dict[str, dict[str, str]]:
    """Return for each table the keyed digest of each row's key and that of the whole row."""
    return {
        name: _of_table(getattr(records, name), name, table.key, secret) for name, table in TABLES.items()
    }


def _of_table(frame: pd.DataFrame, name: str, keys: Iterable[str], secret: bytes) -> dict[str, str]:
    if frame.empty:
        return {}
    words = pd.DataFrame({c: _as_text_cells(frame[c]) for c in sorted(frame.columns)})
    key = words[[k for k in keys if k in words]].agg("|".join, axis=1)
    # Rows of one key are told apart by their order.
    key = name + "|" + key + "|" + key.groupby(key).cumcount().astype(str)
    whole = key + "|" + words.agg("|".join, axis=1)
    return dict(zip(state.digests(secret, key), state.digests(secret, whole), strict=True))


def _as_text_cells(column: pd.Series) -> list[str]:
    """Return cells as text that one value always becomes, whatever the type it was read as."""
    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        return [f"{v:.12g}" for v in column.to_numpy(dtype=float, na_value=float("nan"))]
    return ["" if pd.isna(v) else str(v) for v in column]


def status(plan: str | Path, records: Records, *, memory: Path | None = None) -> Status:
    """Return where the plan and the records stand against the first freeze.

    Parameters
    ----------
    plan
        The TOML file.
    memory
        The clinic's state folder; without it changed rows cannot be told, only changed tables.

    Returns
    -------
    Status
        Where it stands in `word`, the first freeze, what changed since.

    Examples
    --------
    >>> from analytics import records, study
    >>> demo = records.load("data_demo")
    >>> study.status("data_demo/study_out_of_body.toml", demo).word
    'as frozen'
    """
    content, freezes = read(plan), _freezes(plan)
    log = state.read(memory, FREEZES) if memory is not None else state.Log(())
    known = [e for e in log.entries if e.get("of") == Path(plan).name]
    faults = [f"the log of freezes: {log.fault}"] if log.fault else []
    if not freezes:
        faults += [f"frozen on {e['at'][:10]}, and the file of its freezes is gone" for e in known[:1]]
        return Status(NOT_FROZEN, None, (), {}, 0, faults=tuple(faults))
    first = freezes[0]
    faults += _forged(freezes, known)
    now = size(records)
    grown = {
        t: now[t] - first.register_size.get(t, 0) for t in now if now[t] != first.register_size.get(t, 0)
    }
    changed: tuple[str, ...] = ()
    if first.plan_sha256 != digest(content):
        changed = tuple(sorted(_differences(first.plan, content.said())))
    about_rows, moved, more = _rows_since(first, records, memory)
    word = CHANGED if changed or first.plan_sha256 != digest(content) else FORGED if faults else about_rows
    return Status(word, first, changed, grown, len(freezes), moved, (*faults, *more))


def _forged(freezes: list[Frozen], known: list[dict[str, Any]]) -> list[str]:
    """Return what does not fit: a plan without its hash, or parts that the state folder has otherwise."""
    faults = []
    for k, frozen in enumerate(freezes, start=1):
        if _hash(frozen.plan) != frozen.plan_sha256:
            faults.append(f"freeze {k}: the plan it holds is not the one its hash was made of")
    if not known:
        return faults
    if len(freezes) != len(known):
        faults.append(f"the file holds {len(freezes)} freezes, the state folder {len(known)}")
    for k, (frozen, entry) in enumerate(zip(freezes, known, strict=False), start=1):
        marks = _marks(frozen)
        names = [name for name in marks if name in entry and entry[name] != marks[name]]
        faults += [f"freeze {k}: {name.replace('_', ' ')} changed since it was written" for name in names]
    return faults


def _rows_since(first: Frozen, records: Records, memory: Path | None) -> tuple[str, Moved, tuple[str, ...]]:
    """Return where the rows stand, what became of them, and what hinders the comparison."""
    is_same_files = bool(first.tables) and first.tables == _hashes(records)
    if not first.lock or memory is None:
        if is_same_files:
            return AS_FROZEN, Moved(), ()
        why = "no state folder" if first.lock else "rows were not locked when the plan was frozen"
        return NOT_COMPARABLE, Moved(), (why,)
    name, mark = first.lock.split(" ")
    text, now = state.kept(memory, name)
    if not text:
        # Every register has its own state folder; the one of this register never saw the freeze.
        if is_same_files:
            return AS_FROZEN, Moved(), ("the locked rows are not in the state folder",)
        return OTHER_REGISTER, Moved(), ("the state folder holds no locked rows of this freeze",)
    if now != mark:
        return FORGED, Moved(), ("the file of locked rows was changed",)
    moved, is_other = _compared(_locked_rows(text), row_digests(records, state.key(memory)))
    if is_other:
        return OTHER_REGISTER, moved, ()
    return (ROWS_CHANGED if moved.changed or moved.gone else AS_FROZEN), moved, ()


def _locked_rows(text: str) -> dict[str, dict[str, str]]:
    rows: dict[str, dict[str, str]] = {name: {} for name in TABLES}
    for entry in text.splitlines():
        table, key, whole = entry.split(" ")
        rows.setdefault(table, {})[key] = whole
    return rows


def _compared(then: dict[str, dict[str, str]], now: dict[str, dict[str, str]]) -> tuple[Moved, bool]:
    """Return what became of the rows, and whether so few patients are there that it is another register."""
    added, changed, gone = {}, {}, {}
    for table, old in then.items():
        new = now.get(table, {})
        added[table] = len(new.keys() - old.keys())
        gone[table] = len(old.keys() - new.keys())
        changed[table] = sum(old[k] != new[k] for k in old.keys() & new.keys())
    kept = len(then["patients"]) - gone["patients"]
    is_other = kept < SAME_REGISTER * len(then["patients"])
    return Moved(*({t: n for t, n in part.items() if n} for part in (added, changed, gone))), is_other


def note_look(memory: Path, what: str, title: str = "", *, now: datetime | None = None) -> None:
    """Write into the look-log that somebody looked at the register: a report or a study command.

    Parameters
    ----------
    memory
        The clinic's state folder.
    what
        The page or command.
    title
        Of the report.
    now
        Time of the look; the clock's if not given.
    """
    state.append(memory, LOOKS, {"what": what, "title": title}, now=now)


def looks(memory: Path) -> list[Seen]:
    """Return the looks noted so far, oldest first; a log that was changed by hand is one of them, said so.

    Parameters
    ----------
    memory
        The clinic's state folder.

    Returns
    -------
    list of Seen
        What, when, title; oldest first.
    """
    log = state.read(memory, LOOKS)
    found = [Seen(str(e.get("what", "")), str(e.get("at", "")), str(e.get("title", ""))) for e in log.entries]
    return [*found, Seen(f"look-log: {log.fault}", "", "")] if log.fault else found


def _differences(old: Any, new: Any, at: str = "") -> Iterable[str]:
    """Return the entries that differ, as dotted names; values are not named."""
    if isinstance(old, dict) and isinstance(new, dict):
        for name in sorted(set(old) | set(new)):
            yield from _differences(old.get(name), new.get(name), f"{at}.{name}" if at else name)
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for k, (a, b) in enumerate(zip(old, new, strict=True), start=1):
            yield from _differences(a, b, f"{at} {k}")
    elif old != new:
        yield at


def size(records: Records) -> dict[str, int]:
    """Return the rows of each table of the register."""
    return {name: len(getattr(records, name)) for name in TABLES}


def _hashes(records: Records) -> dict[str, str]:
    if records.sources.empty:
        return {}
    return {str(s.table): str(s.sha256) for s in records.sources.itertuples()}


def reports_on(records: Records, folder: str | Path) -> list[Seen] | None:
    """Return the reports in a folder that were made on outcome tables in the state they are in now.

    None says *not searched*: no folder was named, or none is there.
    """
    if not folder or not Path(folder).is_dir():
        return None
    hashes = _hashes(records)
    outcome = {hashes[t] for t in OUTCOME_TABLES if t in hashes}
    found = [_report(path, outcome) for path in sorted(Path(folder).rglob(RUN_FILE))]
    return sorted((f for f in found if f is not None), key=lambda s: (s.finished, s.page))


def _report(path: Path, outcome: set[str]) -> Seen | None:
    """Return what a report's record says of it; None for a file of that name that is no such record."""
    try:
        graph = json.loads(path.read_text(encoding="utf-8")).get("@graph", [])
        entries = {str(e.get("@id", "")): e for e in graph if isinstance(e, dict)}
        read_tables = {str(e.get("sha256")) for name, e in entries.items() if name.startswith("#table-")}
    except (OSError, ValueError, AttributeError, TypeError):
        return None
    run = entries.get("#run")
    if run is None or not (read_tables & outcome):
        return None
    page = str(run.get("instrument", {}).get("@id", "")).removeprefix("#").removesuffix(".ipynb")
    return Seen(page, str(run.get("endTime", "")), str(entries.get("./", {}).get("name", "")))


def _freezes(plan: str | Path) -> list[Frozen]:
    path = place_of(plan)
    if not path.exists():
        return []
    try:
        listed = json.loads(path.read_text(encoding="utf-8"))["freezes"]
        return [
            Frozen(
                **{
                    **f,
                    "reports_before": tuple(Seen(**s) for s in f["reports_before"]),
                    "searched": tuple(f.get("searched", ())),
                }
            )
            for f in listed
        ]
    except (json.JSONDecodeError, UnicodeDecodeError, KeyError, TypeError):
        raise ParameterError(
            f"{path.name}: is no list of freezes; restore it from your backup, or set it aside and freeze "
            "again (the study is then exploratory)"
        ) from None
