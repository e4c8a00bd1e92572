"""Was the plan fixed before the outcomes were looked at, and has it been changed since?

Freezing writes a small file beside the plan: the hash of what the plan says, its content, the time, the size
of the register, and the reports already made on the same data. The first freeze stays the reference. A
later change does not stop a study; it makes it *changed after freezing: exploratory*, and says which entries
were changed. A file can be forged or made late: it binds those who want to be bound, and says so.
"""

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from analytics.dictionary import TABLES
from analytics.errors import ParameterError
from analytics.files import file
from analytics.records import Records
from analytics.study.plan import digest, read

ENDING = ".frozen.json"
RUN_FILE = "run.json"
# A report has seen the outcomes when it read one of these tables in the same state.
OUTCOME_TABLES = ("measurements", "events", "ratings")
NOT_FROZEN = "not frozen: exploratory"
CHANGED = "changed after freezing: exploratory"
AS_FROZEN = "as frozen"


@dataclass(frozen=True, slots=True)
class Seen:
    """A report made on the same data: page, time it was finished, its question."""

    page: str
    finished: str
    title: str


@dataclass(frozen=True, slots=True)
class Frozen:
    """One freeze: hash and content of the plan, time, rows a table, hashes of the tables, reports before."""

    plan_sha256: str
    plan: dict[str, Any]
    frozen_at: str
    register_size: dict[str, int]
    tables: dict[str, str]
    reports_before: tuple[Seen, ...]


@dataclass(frozen=True, slots=True)
class Status:
    """Where a plan stands: in words, its first freeze (None), the entries changed since, register growth."""

    word: str
    frozen: Frozen | None
    changed: tuple[str, ...]
    grown: dict[str, int]
    n_freezes: int

    @property
    def is_confirmatory(self) -> bool:
        """Whether the plan is as it was frozen."""
        return self.word == AS_FROZEN


def place_of(plan: str | Path) -> Path:
    """Return where the freezes of a plan are kept."""
    path = Path(plan)
    return path.with_name(path.stem + ENDING)


def freeze(
    plan: str | Path, records: Records, *, reports: str | Path = "", now: datetime | None = None
) -> Frozen:
    """Write down the plan as it stands, before its outcomes are looked at.

    Parameters
    ----------
    plan
        The TOML file.
    records
        The register as it is today.
    reports
        Folder of reports, to list those already made on the same data.
    now
        Time of freezing; the clock's if not given.

    Raises
    ------
    ParameterError
        When the plan is incomplete, was frozen before and says the same still, or the file of its freezes was
        changed by hand.
    """
    content = read(plan)
    before = _freezes(plan)
    if before and before[-1].plan_sha256 == digest(content):
        raise ParameterError(f"{Path(plan).name}: was frozen before and says the same still; nothing to do")
    made = Frozen(
        digest(content),
        content.model_dump(mode="json"),
        (now or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds"),
        size(records),
        _hashes(records),
        tuple(reports_on(records, reports)),
    )
    file(place_of(plan), _as_text((*before, made)), by="study freeze", was=_as_text(before).encode())
    return made


def _as_text(freezes: Iterable[Frozen]) -> str:
    listed = [asdict(f) for f in freezes]
    return json.dumps({"freezes": listed}, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def status(plan: str | Path, records: Records) -> Status:
    """Return where the plan stands against its first freeze."""
    content, freezes = read(plan), _freezes(plan)
    if not freezes:
        return Status(NOT_FROZEN, None, (), {}, 0)
    first = freezes[0]
    now = size(records)
    grown = {
        t: now[t] - first.register_size.get(t, 0) for t in now if now[t] != first.register_size.get(t, 0)
    }
    if first.plan_sha256 == digest(content):
        return Status(AS_FROZEN, first, (), grown, len(freezes))
    changed = tuple(sorted(_differences(first.plan, content.model_dump(mode="json"))))
    return Status(CHANGED, first, changed, grown, len(freezes))


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


def reports_on(records: Records, folder: str | Path) -> list[Seen]:
    """Return the reports in a folder that were made on outcome tables in the state they are in now."""
    hashes = _hashes(records)
    outcome = {hashes[t] for t in OUTCOME_TABLES if t in hashes}
    if not folder or not Path(folder).is_dir():
        return []
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
            Frozen(**{**f, "reports_before": tuple(Seen(**s) for s in f["reports_before"])}) for f in listed
        ]
    except (json.JSONDecodeError, UnicodeDecodeError, KeyError, TypeError):
        raise ParameterError(
            f"{path.name}: is no list of freezes; restore it from your backup, or set it aside and freeze "
            "again (the study is then exploratory)"
        ) from None
