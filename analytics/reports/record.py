"""What a report rests on: version, commit, hashes of the tables read, rows read and left out, settings.

Made by one function, printed by every page, and the same for the same input: it holds no time and no
machine's path. Time and machine are execution metadata and stand in `run.json` alone (`crate`).
"""

import hashlib
import platform
import subprocess
from functools import lru_cache
from importlib import metadata
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Any

# The names by which `render`, the run's own process and the notebook know each other's files and marks.
RUN_VARIABLE = "REGROWTH_RUN"
END_TYPE = "application/vnd.regrowth.end+json"
DRAWINGS, FIGURES = "drawings", "figures.zip"  # where a run keeps figures, and the format they become
RESULTS_FILE = "results.json"
OUTCOME_FILE = "outcome.json"
STEP_FILE = "step.txt"
PLAN_FILE = "plan.json"
LOG_FILE = "log.txt"
CORES_VARIABLE = "REGROWTH_CORES"
DETAILS_FILE = "details.txt"  # tracebacks, which may hold values of records: never in a published folder
MARK = "regrowth"  # an output's metadata: where the layout of a report sets it
LEFT_FILE = "left.json"  # what to note of a report for others, once it is published

if TYPE_CHECKING:
    # For the types alone: the command line need not wait for pandas.
    from analytics.records import Records

# What tells a session of the invented clinic from any other.
KNOWN_BY = ("register_month", "grafts_out", "grafts_transected", "grafts_discarded", "out_of_body_min")

ROOT = Path(__file__).parents[2]
PACKAGE = "regrowth-workbook"
LIBRARIES = (
    "numpy",
    "scipy",
    "pandas",
    "statsmodels",
    "lifelines",
    "surpyval",
    "matplotlib",
    "jinja2",
    "papermill",
    "nbconvert",
)


def sources(page: str, records: "Records | None", settings: dict[str, Any]) -> dict[str, Any]:
    """Return what the report of a page rests on.

    Parameters
    ----------
    page
        Name of the page.
    records
        The records as loaded, or None.
    settings
        Of the page, by name.

    Returns
    -------
    dict
        page, notebook_sha256, version, commit, code_sha256, python, libraries, settings, sources (table,
        file, sha256, n_rows), balance (table, read, used, left_out, reason), n_warnings.
    """
    return {
        "page": page,
        "version": metadata.version(PACKAGE),
        "commit": commit(),
        "code_sha256": code_sha256(),
        "python": platform.python_version(),
        "libraries": {name: metadata.version(name) for name in LIBRARIES},
        "settings": {k: _without_place(v, is_place=k == "data") for k, v in settings.items()},
        "sources": _rows(records.sources) if records is not None else [],
        "balance": _rows(records.balance) if records is not None else [],
        "n_warnings": len(records.warnings) if records is not None else 0,
    }


def _without_place(value: Any, *, is_place: bool) -> Any:
    """Return a setting as a report may show it: of a file or folder its name, not where it lies."""
    if not isinstance(value, str):
        return value
    of_windows = PureWindowsPath(value)
    is_path = is_place or of_windows.is_absolute() or PurePosixPath(value).is_absolute()
    return of_windows.name if is_path else value


def is_invented(records: "Records") -> bool:
    """Return whether most sessions read are the invented clinic's (`data_demo`), whatever file holds them.

    Sessions are known by numbers alone, so that a copy saved again, with other codes or with a few rows
    changed, is still known. A clinic's own session would have to agree in its month, three counts of grafts
    and a time in minutes; a session that lacks one of them is never taken for an invented one.

    Returns
    -------
    bool
        True for the demo.
    """
    import pandas as pd

    table = ROOT / "data_demo" / "sessions.csv"
    if not table.is_file():
        return False
    invented = pd.read_csv(table, usecols=list(KNOWN_BY)).dropna().astype(float)
    known = set(invented[list(KNOWN_BY)].itertuples(index=False, name=None))
    own = records.sessions.reindex(columns=list(KNOWN_BY)).astype(float)
    found = sum(row in known for row in own.itertuples(index=False, name=None))
    return 2 * found > len(own)


@lru_cache(maxsize=1)
def commit() -> str:
    """Return the commit of the code, with `+` where files differ from it; `not recorded` without git."""
    try:
        head = _git("rev-parse", "--short=12", "HEAD")
        changed = _git("status", "--porcelain", "--", "analytics", "notebooks")
    except (OSError, subprocess.SubprocessError):
        return "not recorded"
    return f"{head}+" if changed else head


@lru_cache(maxsize=1)
def code_sha256() -> str:
    """Return one hash over every source file of the package: the same hash is the same code."""
    digest = hashlib.sha256()
    for path in sorted((ROOT / "analytics").rglob("*.py")):
        digest.update(str(path.relative_to(ROOT)).encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()


def data_sha256(records: "Records") -> str:
    """Return one hash over the tables that were read, whatever their order.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    lines = sorted(f"{row.table} {row.sha256}" for row in records.sources.itertuples())
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def _git(*arguments: str) -> str:
    return subprocess.run(
        ["git", *arguments], cwd=ROOT, capture_output=True, text=True, check=True, timeout=20
    ).stdout.strip()


def _rows(frame) -> list[dict[str, Any]]:
    return [
        {
            str(k): (None if v is None or v != v else (int(v) if hasattr(v, "dtype") else v))
            for k, v in row.items()
        }
        for row in frame.to_dict("records")
    ]
