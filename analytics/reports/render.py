"""From a page and a clinic's records to a published report.

A run goes: settings checked -> run file -> the notebook in a process and kernel of its own -> its last
cell's mark and the hash of its numbers hold -> the formats asked for -> one rename into `out`. Nothing
half made ever lies at the final place; a run that fails leaves its remains and one plain sentence under
`out/failed`.
"""

import datetime
import json
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from analytics import files
from analytics.errors import ParameterError
from analytics.files import children, warm
from analytics.reports import parameters, publish
from analytics.reports.cache import CACHE_VARIABLE, OFF
from analytics.reports.publish import FORMATS, Report
from analytics.reports.record import (
    CORES_VARIABLE,
    LOG_FILE,
    OUTCOME_FILE,
    PLAN_FILE,
    RUN_VARIABLE,
    STEP_FILE,
)

TIMEOUT_SECONDS = 1800
PARTIAL = ".partial"
FOR_OTHERS = ("shared", "public")
POLL_SECONDS = 0.2
EXIT_SIGNAL = 128  # exit codes above it tell of a signal
STALE_SECONDS = 2 * 86_400
START = f"""
import sys
{warm.FIRST}
from {warm.RUN} import main
raise SystemExit(main(sys.argv[1]))
"""
SEED = 20_260_101  # recorded; every random step takes its own seed argument with a default


def page(
    page: str,
    data: str | Path,
    out: str | Path,
    *,
    formats: Sequence[str] = ("html",),
    label: str = "",
    timeout: int = TIMEOUT_SECONDS,
    cores: int = 0,
    as_text: bool = False,
    progress: Callable[[int, int], None] | None = None,
    **settings: Any,
) -> Report:
    """Make the report of a page.

    Parameters
    ----------
    page
        Name of a page (`parameters.pages()`), its number, or the path of the clinic's own notebook.
    data
        The records: folder, workbook, DuckDB file; empty for a page that reads none. Of a page that reads
        another folder in their place (`parameters.FOLDERS`): that folder.
    out
        Folder of reports; the report becomes `out/<page>_<label>_<as_of>/`.
    formats
        Of html, ipynb, xlsx, tex (the tables), pdf. Numbers (`results.json`) and run (`run.json`) are always
        written.
    label
        Letters, digits, points, dashes, underscores; tells reports of one page apart.
    timeout
        Longest time, seconds, for one step of the notebook.
    cores
        Cores the page may use; 0 for all there are.
    as_text
        Whether the settings are text from a command line.
    progress
        Called with the step that begins and the number of steps.
    settings
        Settings of the page, by name.

    Returns
    -------
    Report
        Its folder and files, its answer, what needs attention.

    Raises
    ------
    ParameterError
        When page, format, label or a setting is unknown or out of range; nothing is started.
    AnalyticsError
        When the run fails: the sentence says why, and the remains lie in `out/failed`.

    Examples
    --------
    As `regrowth report 01 data_demo` does, which makes a folder of files in some 20 seconds.
    """
    asked: dict[str, Any] = {"formats": formats, "label": label, "timeout": timeout, "cores": cores}
    run = check(page, data, as_text=as_text, **asked, **settings)
    return _made(run, Path(out).resolve(), progress)


def check(
    page: str,
    data: str | Path,
    *,
    formats: Sequence[str] = ("html",),
    label: str = "",
    timeout: int = TIMEOUT_SECONDS,
    cores: int = 0,
    as_text: bool = False,
    **settings: Any,
) -> dict[str, Any]:
    """Return the run that `page` would make, with every setting checked; nothing is started."""
    known = parameters.model(page).model_fields
    folders = {name: settings[name] for name in parameters.FOLDERS if name in known and name in settings}
    if "data" not in known:
        given = {name: str(data) for name in parameters.FOLDERS if name in known and str(data)}
        folders = given | folders
        data = ""
    # The name of the clinic's folder may say whose it is: it stands in no report for others.
    shown = "records" if settings.get("audience") in FOR_OTHERS else Path(data).name
    named = {**settings, "data": shown} if str(data) else dict(settings)
    named |= {name: Path(place).name for name, place in folders.items()}
    checked = parameters.settled(page, data, parameters.checked(page, named, as_text=as_text))
    run = _planned(page, data, label, formats, checked)
    run["folders"] = {name: _folder(name, place) for name, place in folders.items()}
    return {**run, "called_from": str(Path.cwd()), "timeout": int(timeout), "cores": int(cores)}


def _folder(name: str, place: str) -> str:
    if not Path(place).is_dir():
        raise ParameterError(f"{name}: there is no such folder; give the folder that holds the files")
    return str(Path(place).resolve())


def planned_name(page: str, label: str, settings: dict[str, Any]) -> str:
    """Return the name a report will take."""
    return report_name(parameters.notebook(page).stem, label, settings)


def unless_made(
    page: str, data: str | Path, out: str | Path, *, again: bool = False, **keywords: Any
) -> tuple[Report, bool]:
    """Make a report unless the same was made before; return it, and whether it was kept.

    The same means: data, settings, formats, notebook and code have the hashes of the published run, and its
    files those it lists.
    """
    run = check(page, data, **keywords)
    for place in publish.made_before(Path(out).resolve(), run["name"]):
        if not again and publish.is_unchanged(run, place):
            return publish.described(run["name"], place), True
    return _made(run, Path(out).resolve()), False


def _made(run: dict[str, Any], out: Path, progress: Callable[[int, int], None] | None = None) -> Report:
    """Run in a staging folder; publish what ended well, put aside what did not."""
    staging = _staging(out, run["name"])
    try:
        # Sockets lie on a short path, because one may hold about 100 characters; gone with the run.
        with tempfile.TemporaryDirectory(prefix="rw-", ignore_cleanup_errors=True) as sockets:
            run.update(staging=str(staging), clock=time.time(), sockets=sockets)
            files.write_json(staging / PLAN_FILE, run)
            outcome = _in_own_process(run, progress, attempts=2)
        if outcome.get("state") != "complete":
            raise publish.put_aside(out, staging, run["name"], outcome)
        report = publish.publish(out, staging, run, outcome, _now())
    except BaseException:
        # Stopped by a person, a full disk, or another report for others that left first: nothing stays.
        shutil.rmtree(staging, ignore_errors=True)
        raise
    return _noted(report, run)


def _noted(report: Report, run: dict[str, Any]) -> Report:
    """Note in the clinic's look-log that its records were looked at; say where that cannot be."""
    if not run.get("data"):
        return report
    try:
        files.state.append(files.state.folder(run["data"]), "looks", {"what": run["name"], "title": ""})
    except ParameterError as error:
        return replace(report, notes=(*report.notes, f"This look was not noted: {error}"))
    return report


def report_name(page: str, label: str, settings: dict[str, Any]) -> str:
    """Return the name of a report's folder and files; one that has a quarter is named by it.

    Parameters
    ----------
    label
        A word of one's own, may be empty.
    settings
        Of the page, by name.

    Returns
    -------
    str
        Letters, digits and underscores.

    Examples
    --------
    >>> report_name("01_surgeon_audit", "S1", {"as_of": "2026-03-31"})
    '01_surgeon_audit_S1_20260331'
    >>> report_name("02_quarterly_review", "", {"quarter": 12})
    '02_quarterly_review_q12'
    """
    as_of, quarter = str(settings.get("as_of", "")), int(settings.get(parameters.QUARTER, 0) or 0)
    parts = [files.safe_name(page, what="page")]
    parts += [f"q{quarter:02d}"] if quarter else []
    parts += [files.safe_name(label)] if label else []
    parts += [as_of.replace("-", "")] if as_of else []
    return "_".join(parts)


def _planned(
    page: str, data: str | Path, label: str, formats: Sequence[str], settings: dict[str, Any]
) -> dict[str, Any]:
    """Return the run file: everything the child needs, fixed before it starts."""
    unknown = [f for f in formats if f not in FORMATS]
    if unknown:
        raise ParameterError(f"formats: {len(unknown)} unknown; use any of {', '.join(FORMATS)}")
    notebook = parameters.notebook(page)
    is_plain = parameters.is_plain(notebook)
    if is_plain and settings.get("audience") in FOR_OTHERS:
        raise ParameterError(
            "audience: what this notebook shows is protected by nothing; hand its results over by "
            "pages.results and write them by pages.table and pages.figure, or keep it internal"
        )
    place = Path(data).resolve() if str(data) else None
    if place is not None and not place.exists():
        raise ParameterError(
            "data: there is no such folder or file; give the folder of tables, a workbook or a DuckDB file"
        )
    return {
        "name": report_name(notebook.stem, label, settings),
        "page": notebook.stem,
        "notebook": str(notebook),
        "notebook_sha256": files.sha256(notebook),
        "is_plain": is_plain,
        "data": str(place) if place else "",
        "formats": [f for f in FORMATS if f in formats],
        "label": label,
        "parameters": settings,
        "changed": _changed(page, settings),
        "seed": SEED,
        "started": _now(),
    }


def _changed(page: str, settings: dict[str, Any]) -> dict[str, Any]:
    """Return the settings that differ from the page's defaults, which tell its reports apart."""
    defaults = {name: field.default for name, field in parameters.model(page).model_fields.items()}
    places = ("data", *parameters.FOLDERS)
    return {name: value for name, value in settings.items() if name not in places and value != defaults[name]}


def _staging(out: Path, name: str) -> Path:
    files.made(out / PARTIAL)
    files.restore_inside(out)
    for left in (out / PARTIAL).iterdir():
        # Left behind by a run that was killed; a live run is never that old.
        if time.time() - left.lstat().st_mtime > STALE_SECONDS and _is_staging(left):
            shutil.rmtree(left, ignore_errors=True)
    return Path(tempfile.mkdtemp(prefix=f"{name}-", dir=out / PARTIAL))


def _is_staging(folder: Path) -> bool:
    """Tell whether a folder was made for a run, and is nobody's own."""
    try:
        return bool(json.loads((folder / PLAN_FILE).read_bytes())["staging"] == str(folder))
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _environment() -> dict[str, str]:
    """Return the environment of a run, but for what is the run's own."""
    environment = warm.environment()
    if environment.get(CACHE_VARIABLE, OFF) != OFF:
        # From where the command was given, not inside the report's own folder.
        environment[CACHE_VARIABLE] = str(Path(environment[CACHE_VARIABLE]).absolute())
    return environment


def _in_own_process(
    run: dict[str, Any], progress: Callable[[int, int], None] | None, *, attempts: int
) -> dict[str, Any]:
    """Run the notebook in a child; a kernel that did not start is tried once more, nothing else is."""
    staging = Path(run["staging"])
    environment = {**_environment(), RUN_VARIABLE: str(staging / PLAN_FILE)}
    if run["cores"]:
        environment[CORES_VARIABLE] = str(run["cores"])
    warm.begin()
    outcome: dict[str, Any] = {}
    for _ in range(attempts):
        with (staging / LOG_FILE).open("wb") as log:
            places = (staging, Path(run["sockets"]))
            asked: dict[str, Any] = {"folders": places, "env": environment, "log": log}
            child: children.Child | None = children.fork(str(staging / PLAN_FILE), **asked)
            if child is None:
                command = [sys.executable, "-c", START, str(staging / PLAN_FILE)]
                child = children.start(command, **asked)
            try:
                code = _wait(child, staging, progress)
            finally:
                children.ended(child)
        outcome = _outcome(staging, code)
        if outcome.get("state") != "not started":
            break
    return outcome


def _wait(child: children.Child, staging: Path, progress: Callable[[int, int], None] | None) -> int:
    """Wait for the child and tell how far it is; a person who stops the wait stops the child."""
    try:
        while (code := children.code(child, POLL_SECONDS)) is None:
            at = _step(staging)
            if progress is not None and at is not None:
                progress(*at)
        return code
    except KeyboardInterrupt:
        children.end(child)
        raise


def _step(staging: Path) -> tuple[int, int] | None:
    """Return the step the child has begun and how many there are, once it has said so."""
    try:
        step, steps = (staging / STEP_FILE).read_text(encoding="utf-8").split()
    except (OSError, ValueError):
        return None
    return int(step), int(steps)


def _outcome(staging: Path, code: int) -> dict[str, Any]:
    """Return what the child wrote down about itself; a child that died without a word is a failure."""
    path = staging / OUTCOME_FILE
    if path.exists():
        outcome = json.loads(path.read_text(encoding="utf-8"))
        if outcome.get("state") != "complete" or code == 0:
            return outcome
    if code < 0 or code > EXIT_SIGNAL:
        message = (
            f"the process was ended by the system (code {code}), often for too little memory; close other "
            "programs and try again"
        )
    else:
        message = (
            f"the report could not be written; {LOG_FILE} beside this file says more, and may hold values of "
            "records"
        )
    return {"state": "failed", "kind": "died", "message": message}


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
