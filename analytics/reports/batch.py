"""Many reports in one go: by surgeon, by quarter, by study; on this computer or on a cluster.

A plan is a TOML file. A report that fails never stops the others and never looks finished. A report that
was already made from the same data, settings, notebook and code is kept as it is, so that a batch that
was broken off goes on where it stopped.

    data = "register"                  # beside the plan
    out = "reports/2026-Q1"
    formats = ["html", "xlsx"]
    [settings]                         # of every report
    as_of = "2026-03-31"
    [[report]]
    page = "01_surgeon_audit"
    each = { surgeon = "all" }         # one report a surgeon; or a list of codes
    [[report]]
    page = "02_quarterly_review"

Each report runs in a process and kernel of its own, so a worker here is a thread that waits. With
`scheduler` (the address of a Dask scheduler) the workers are the cluster's; data and out must then lie
where all of them reach.
"""

import itertools
import re
import time
import tomllib
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import joblib
import pydantic

from analytics import files
from analytics.errors import AnalyticsError, ParameterError, meant, of_system, without_address
from analytics.reports.overview import write
from analytics.reports.publish import without_answer
from analytics.reports.render import TIMEOUT_SECONDS, check, planned_name, unless_made

ALL = "all"
# Setting whose "all" means every value found in the records: (table, column).
FOUND_IN = {"surgeon": ("sessions", "surgeon_id"), "team": ("sessions", "team_id")}
MONTHS_A_QUARTER = 3
CONNECT_SECONDS = 20


class _Entry(pydantic.BaseModel):
    """One entry of a plan: a page, and what it is repeated over."""

    model_config = pydantic.ConfigDict(extra="forbid", strict=True)

    page: str
    label: str = ""
    data: str = ""
    formats: list[str] = []
    settings: dict[str, Any] = {}
    each: dict[str, str | list] = {}


class _Plan(pydantic.BaseModel):
    """A plan file."""

    model_config = pydantic.ConfigDict(extra="forbid", strict=True)

    data: str = ""
    out: str = "reports"
    formats: list[str] = ["html"]
    workers: int = pydantic.Field(0, ge=0, le=512)
    scheduler: str = ""
    timeout: int = pydantic.Field(TIMEOUT_SECONDS, ge=1)
    settings: dict[str, Any] = {}
    report: list[_Entry]


@dataclass(frozen=True, slots=True)
class Job:
    """One report to make."""

    page: str
    data: str
    out: str
    label: str
    formats: tuple[str, ...]
    settings: dict[str, Any]
    timeout: int
    again: bool = False
    cores: int = 0


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one report went: made, kept (nothing had changed) or failed, why, and notes for the screen."""

    name: str
    state: Literal["made", "kept", "failed"]
    seconds: float
    message: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan, read and checked: its jobs, where they go, and by how many workers."""

    jobs: tuple[Job, ...]
    out: Path
    workers: int
    scheduler: str = ""


def read(path: str | Path, *, again: bool = False) -> Plan:
    """Read a plan file into its jobs.

    Parameters
    ----------
    path
        TOML file; `data` and `out` in it are taken from its folder.
    again
        Make every report again, changed or not.

    Raises
    ------
    ParameterError
        When the file is no plan, or a page, setting or label is wrong; nothing is started.
    """
    path = Path(path)
    plan = _parsed(path)
    jobs: list[Job] = []
    faults: list[str] = []
    for number, entry in enumerate(plan.report, 1):
        try:
            jobs += _jobs(entry, plan, path.resolve().parent, again)
        except AnalyticsError as error:
            faults += [f"{path.name}, report {number}: {line}" for line in _told(error)]
    if faults:
        raise ParameterError("\n".join(dict.fromkeys(faults)))
    names = [planned_name(job.page, job.label, job.settings) for job in jobs]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ParameterError(
            f"{path.name}: {len(twice)} reports would take the same name, first {twice[0]}; give each a label"
        )
    out = path.resolve().parent / plan.out
    return Plan(tuple(jobs), out, plan.workers or joblib.cpu_count(), plan.scheduler)


def run(plan: Plan, *, done: Callable[[Outcome], None] = lambda _: None) -> tuple[Outcome, ...]:
    """Make every report of a plan, tell of each as it ends, and write the front page.

    Parameters
    ----------
    plan
        As `read` returns it.
    done
        Called with each outcome, in the order in which they end.
    """
    files.made(plan.out)
    outcomes = []
    runner = _on_cluster(plan) if plan.scheduler else _here(plan)
    for outcome in runner:
        outcomes.append(outcome)
        done(outcome)
    write(plan.out)
    return tuple(outcomes)


def one(job: Job) -> Outcome:
    """Make one report; a failure of its data, settings or calculation becomes an outcome."""
    start = time.monotonic()
    name = f"{job.page} {job.label}".strip()
    try:
        name = planned_name(job.page, job.label, job.settings)
        report, was_kept = unless_made(job.page, job.data, job.out, again=job.again, **_keywords(job))
    except AnalyticsError as error:
        return Outcome(name, "failed", time.monotonic() - start, without_address(str(error)))
    except OSError as fault:
        return Outcome(name, "failed", time.monotonic() - start, of_system(fault))
    except KeyboardInterrupt:
        return Outcome(name, "failed", time.monotonic() - start, "stopped")
    state: Literal["kept", "made"] = "kept" if was_kept else "made"
    gaps = [f"{without_answer(len(report.unanswered))}."] if report.unanswered else []
    return Outcome(report.name, state, time.monotonic() - start, report.answer, (*report.notes, *gaps))


def _keywords(job: Job) -> dict[str, Any]:
    asked = {"formats": job.formats, "label": job.label, "timeout": job.timeout, "cores": job.cores}
    return {**asked, **job.settings}


def _parsed(path: Path) -> _Plan:
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ParameterError(f"{path.name}: there is no such plan; give the path of a TOML file") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ParameterError(f"{path.name}: is not TOML ({error}); mend that line") from None
    try:
        return _Plan.model_validate(content)
    except pydantic.ValidationError as error:
        lines = [f"{path.name}, {_where(e['loc'])}: {_wrong(e)}" for e in error.errors()]
        raise ParameterError("\n".join(lines)) from None


def _where(place: tuple[int | str, ...]) -> str:
    """Return where a fault stands, as a person counts: report 2, page.

    >>> _where(("report", 1, "pag"))
    'report 2, pag'
    """
    words = [str(part + 1) if isinstance(part, int) else part for part in place]
    return ", ".join(words).replace("report, ", "report ", 1)


def _wrong(fault: Any) -> str:
    """Return what is wrong with an entry of a plan, with the name that was perhaps meant."""
    known = (_Entry if "report" in fault["loc"][:-1] else _Plan).model_fields
    name = str(fault["loc"][-1])
    if fault["type"] == "extra_forbidden":
        return f"no such name{meant(name, known) or '; use one of ' + ', '.join(known)}"
    if fault["type"] == "missing":
        return "it is missing; add it"
    return f"{fault['msg'][:1].lower()}{fault['msg'][1:]}"


def _told(error: AnalyticsError) -> list[str]:
    return without_address(str(error)).splitlines()


def _jobs(entry: _Entry, plan: _Plan, folder: Path, again: bool) -> Iterator[Job]:
    """Return one job for each combination of what the entry is repeated over."""
    data = entry.data or plan.data
    place = str(folder / data) if data else ""
    axes = {name: _values(name, values, place) for name, values in entry.each.items()}
    for chosen in itertools.product(*axes.values()):
        settings = {**plan.settings, **entry.settings, **dict(zip(axes, chosen, strict=True))}
        parts = (entry.label, *(_spelt(str(value)) for value in chosen))
        label = "-".join(part for part in parts if part)
        formats = tuple(entry.formats or plan.formats)
        check(entry.page, place, label=label, formats=formats, **settings)
        yield Job(entry.page, place, str(folder / plan.out), label, formats, settings, plan.timeout, again)


def _spelt(value: str) -> str:
    """Return a code as part of a file's name; other letters become dashes, and a short sum keeps it apart.

    >>> _spelt("S1"), _spelt("Ö 1")
    ('S1', '1-78787e2e')
    """
    bare = re.sub(r"[^A-Za-z0-9._-]+", "-", value).strip("-._")
    return value if bare == value else f"{bare}-{zlib.crc32(value.encode()):08x}".strip("-")


def _values(name: str, values: str | list, place: str) -> list:
    """Return the values a setting is repeated over: those listed, or all that the records hold."""
    if values != ALL:
        return values if isinstance(values, list) else [values]
    # Imported here: a plan that lists its values need not wait for the readers.
    from analytics import records as door

    read = door.load(place)
    if name == "quarter":
        last = int(read.sessions["register_month"].max())
        return list(range(1, -(-last // MONTHS_A_QUARTER) + 1))
    if name not in FOUND_IN:
        raise ParameterError(
            f"plan, each.{name}: 'all' works for quarter, {', '.join(FOUND_IN)}; list the values instead"
        )
    table, column = FOUND_IN[name]
    return sorted(getattr(read, table)[column].dropna().astype(str).unique())


def _here(plan: Plan) -> Iterator[Outcome]:
    parallel = joblib.Parallel(n_jobs=plan.workers, backend="threading", return_as="generator_unordered")
    # Each report gets its share of the cores, so that reports do not crowd one another out.
    share = max(1, joblib.cpu_count() // plan.workers)
    yield from parallel(joblib.delayed(one)(replace(job, cores=job.cores or share)) for job in plan.jobs)


def _on_cluster(plan: Plan) -> Iterator[Outcome]:
    try:
        from distributed import Client, as_completed
    except ImportError:
        raise ParameterError(
            "plan, scheduler: a cluster needs two more packages; install regrowth-workbook[cluster]"
        ) from None
    try:
        client = Client(plan.scheduler, timeout=f"{CONNECT_SECONDS}s")
    except (OSError, TimeoutError, ValueError):
        raise ParameterError(
            "plan, scheduler: nothing answers at that address; start the scheduler first"
        ) from None
    with client:
        futures = client.map(one, plan.jobs, pure=False)
        for future in as_completed(futures):
            yield future.result()


def with_workers(plan: Plan, workers: int, scheduler: str) -> Plan:
    """Return the plan with other workers, where given."""
    return replace(plan, workers=workers or plan.workers, scheduler=scheduler or plan.scheduler)
