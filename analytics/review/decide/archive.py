"""What did earlier reviews say, and what stays as they set it?

Each review leaves one entry in the clinic's state folder (`files.state`: sealed, one writer): the quarter,
the digests of criteria and actions, every standard, the window each criterion was judged over, the lines of
every chart, the limits of the case-by-case charts, every signal with the quarter in which it was first
named, and the outcomes. The next review takes windows, lines and limits from it, so that they stay until
the practice declares a new baseline (`new_baseline_in_quarter` of the monitor), and says what is new
against the last review of an earlier quarter. A quarter reviewed again is compared with the same review as
the first time.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analytics.files import state
from analytics.results import Result
from analytics.review.criteria import Criteria
from analytics.review.declared import Action

LOG = "reviews"
CLEARED = "cleared"  # a signal of the last review that is none any more
FEWEST_POINTS = 12  # of a baseline: lines from fewer are trial ones and do not stay (as `control.MIN_POINTS`)


@dataclass(frozen=True, slots=True)
class Remembered:
    """What earlier reviews left: windows, lines and limits that stay; the last review's quarter and signals.

    `quarter` is 0 where this is the first review. `first_named` gives the quarter in which a signal was first
    named; `standards` those of the last review with their direction; `fault` says in words what is wrong with
    the log.
    """

    quarter: int = 0
    windows: tuple[tuple[str, int], ...] = ()
    charts: tuple[tuple, ...] = ()
    limits: tuple[tuple[str, float, int], ...] = ()
    signals: tuple[str, ...] = ()
    first_named: tuple[tuple[str, int], ...] = ()
    standards: tuple[tuple[str, float, str], ...] = ()
    outcomes: tuple[tuple[str, str], ...] = ()
    fault: str = ""


def recall(place: Path, criteria: Criteria, *, quarter: int) -> Remembered:
    """Return what reviews of earlier quarters left in the state folder; reading changes nothing.

    Parameters
    ----------
    place
        Of `files.state.folder`.
    quarter
        The quarter under review; later reviews are not seen.

    Returns
    -------
    Remembered
        Windows, lines and limits as first set, signals, standards and outcomes of the last review.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from analytics.review.criteria import read
    >>> with TemporaryDirectory() as folder:
    ...     recall(Path(folder), read("data_demo/criteria.toml"), quarter=8).quarter
    0
    """
    log = state.read(place, LOG)
    latest = {e["quarter"]: e for e in log.entries if e.get("quarter", quarter) < quarter}
    before = [latest[q] for q in sorted(latest)]
    staying = [e for e in before if e["quarter"] >= criteria.monitor.new_baseline_in_quarter]
    last = before[-1] if before else {}
    return Remembered(
        int(last.get("quarter", 0)),
        _first(staying, "windows", lambda w: (w[0], int(w[1]))),
        _first(staying, "charts", tuple),
        _first(staying, "limits", lambda v: (v[0], float(v[1]), int(v[2]))),
        tuple(last.get("signals", ())),
        tuple(sorted(_first_named(before).items())),
        tuple((c, float(s), d) for c, s, d in last.get("standards", ())),
        tuple((c, o) for c, o in last.get("outcomes", ())),
        log.fault,
    )


def _first(entries: list[dict[str, Any]], name: str, as_kept) -> tuple:
    """Return what was kept of each criterion by the first review that did."""
    found: dict[str, Any] = {}
    for entry in entries:
        for one in entry.get(name, ()):
            found.setdefault(one[0], as_kept(one))
    return tuple(found.values())


def _first_named(entries: list[dict[str, Any]]) -> dict[str, int]:
    found: dict[str, int] = {}
    for entry in entries:
        for key in entry.get("signals", ()):
            found.setdefault(key, int(entry["quarter"]))
    return found


def keep(
    place: Path,
    criteria: Criteria,
    log: tuple[Action, ...],
    panels: Mapping[str, Result],
    *,
    quarter: int,
) -> bool:
    """Leave this review's entry; return whether one was added, for the same review again adds none.

    A review without an answer of its indicators or its charts is not remembered: what it lacks would look
    cleared.

    Parameters
    ----------
    place
        The register's state folder, of `files.state.folder`.
    log
        From `review.read_actions`.
    panels
        Results as computed, before anything is withheld from them: indicators, all_charts, agenda, and any
        case-by-case charts.
    quarter
        The quarter under review.

    Returns
    -------
    bool
        Whether an entry was added.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import mkdtemp
    >>> from analytics import results, review
    >>> criteria = review.read("data_demo/criteria.toml")
    >>> none = results.unanswered(results.Gap("No session is in the quarter."))
    >>> panels = dict.fromkeys(("indicators", "all_charts", "agenda"), none)
    >>> review.keep(Path(mkdtemp()), criteria, (), panels, quarter=12)
    False
    """
    indicators, charts, agenda = (panels[name] for name in ("indicators", "all_charts", "agenda"))
    if any(each.gap is not None for each in (indicators, charts)):
        return False
    signals = agenda.extra["signals"]
    audit = indicators.extra["audit"]
    lines = charts.extra["limits"]
    entry: dict[str, Any] = {
        "quarter": quarter,
        "criteria": _digests(place, {c.id: c.model_dump(mode="json") for c in criteria.criterion}),
        "actions": _digests(place, {a.id: a.model_dump(mode="json") for a in log}),
        "standards": [[c.id, c.standard, c.direction] for c in criteria.criterion],
        "windows": [[c, int(k)] for c, k in zip(audit["criterion"], audit["over_quarters"], strict=True)],
        "charts": [
            list(row)
            for row in lines[lines["n_baseline_points"] >= FEWEST_POINTS].itertuples(index=False, name=None)
        ],
        "limits": [
            list(row)
            for result in panels.values()
            if result.picture == "cases"
            for row in result.extra["limits"].itertuples(index=False, name=None)
        ],
        "signals": sorted(signals.loc[signals["status"].ne(CLEARED), "key"]),
        "outcomes": [[c, o] for c, o in zip(audit["criterion"], audit["outcome"], strict=True)],
    }
    entry = json.loads(json.dumps(entry, default=float))
    same = [e for e in state.read(place, LOG).entries if e.get("quarter") == quarter]
    if same and all(same[-1].get(name) == value for name, value in entry.items()):
        return False
    state.append(place, LOG, entry)
    return True


def _digests(place: Path, declared: Mapping[str, Any]) -> dict[str, str]:
    texts = [json.dumps(value, sort_keys=True) for value in declared.values()]
    return dict(zip(declared, state.digests(state.key(place), texts), strict=True))
