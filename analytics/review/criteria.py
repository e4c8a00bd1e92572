"""What has the practice declared, and can it be used? Reading of criteria and action log.

All of it stands in two TOML files beside the records, is read here once, and is refused in plain sentences
where it is incomplete. Nothing here looks at an outcome. The forms of a criterion, and how to add a kind,
stand in `review.kinds`; the other forms in `review.declared`.
"""

import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, Union

import pydantic
from pydantic import Field

from analytics.errors import ParameterError
from analytics.records import Records
from analytics.review.declared import (
    USUAL_SCHEDULE,
    Action,
    ActionLog,
    Change,
    DataCut,
    Declared,
    Monitor,
    PlannedVisit,
)
from analytics.review.kinds import KINDS, MEASURES, Criterion, measure_of
from analytics.review.periods import MONTHS, latest, months_since

if TYPE_CHECKING:
    AnyKind = Criterion
else:
    AnyKind = Annotated[Union[KINDS], Field(discriminator="measure")]  # noqa: UP007

# Which criterion a panel is about where the page names none: the first with such a measure.
ROLES = {"grafts": "share", "growth": "yield", "poor": "poor_growth", "answers": "rating"}
DRAWN = ("share", "event", "yield", "seen")  # the first of each is drawn over time where none is named

Form = TypeVar("Form", bound=pydantic.BaseModel)


class Criteria(Declared):
    """Everything declared for the review."""

    criterion: tuple[AnyKind, ...] = Field(min_length=1)
    schedule: tuple[PlannedVisit, ...] = Field(min_length=1)
    change: tuple[Change, ...] = ()
    monitor: Monitor
    data_cut: DataCut = DataCut()

    def named(self, criterion_id: str) -> Criterion:
        """Return the criterion of that id.

        Raises
        ------
        ParameterError
            When there is none.
        """
        for criterion in self.criterion:
            if criterion.id == criterion_id:
                return criterion
        raise ParameterError(
            f"criteria: no criterion has that id; the file has {', '.join(c.id for c in self.criterion)}"
        )


def roles(
    criteria: Criteria, *, change: str = "", charts: tuple[str, ...] = (), **named: str
) -> dict[str, str]:
    """Return the criterion of each panel: the one named, or the first whose measure fits, or an empty text.

    Parameters
    ----------
    change
        A declared change; the first of the file if empty.
    charts
        Criteria drawn over time; the first of each of DRAWN if empty.
    named
        Criterion by role, of ROLES; empty for the first that fits.

    Returns
    -------
    dict
        The roles, `change`, `changed` (the criterion the change is looked at for) and `charts` (ids, parted
        by blanks).

    Raises
    ------
    ParameterError
        When a setting names a criterion or change that is not declared; all of them at once.

    Examples
    --------
    >>> roles(read("data_demo/criteria.toml"))["changed"]
    'yield_all'
    """
    ids, changes = [c.id for c in criteria.criterion], [c.id for c in criteria.change]
    asked = {**named, **{f"charts ({i})": name for i, name in enumerate(charts, start=1)}}
    faults = [
        f"02_quarterly_review, setting {role}: no criterion has that id; the file has {', '.join(ids)}"
        for role, name in asked.items()
        if name and name not in ids
    ]
    if change and change not in changes:
        has = ", ".join(changes) or "no change"
        faults.append(f"02_quarterly_review, setting change: not declared; the file has {has}")
    if faults:
        raise ParameterError("\n".join(faults))
    found = {role: named.get(role, "") or _first_of(criteria, measure) for role, measure in ROLES.items()}
    found["change"] = change or (changes[0] if changes else "")
    acts_on = next((c.criteria for c in criteria.change if c.id == found["change"]), ())
    usable = [name for name in acts_on if criteria.named(name).has_rows_of_its_own]
    found["changed"] = found["growth"] if found["growth"] in usable else (usable[0] if usable else "")
    found["charts"] = " ".join(charts or [i for i in (_first_of(criteria, m) for m in DRAWN) if i])
    return found


def _first_of(criteria: Criteria, measure: str) -> str:
    return next((c.id for c in criteria.criterion if measure_of(type(c)) == measure), "")


def read(path: str | Path) -> Criteria:
    """Read and check a file of criteria.

    Parameters
    ----------
    path
        A TOML file, such as `criteria.toml` of the demo.

    Returns
    -------
    Criteria
        Criteria, planned visits, changes, what is monitored, up to when the records are complete.

    Raises
    ------
    ParameterError
        When the file is missing or is no TOML, or a criterion is incomplete; all problems at once, one a
        line.

    Examples
    --------
    >>> read("data_demo/criteria.toml").criterion[0].id
    'folliculitis'
    """
    criteria = _checked(Criteria, Path(path))
    if faults := _faults(criteria, Path(path).name):
        raise ParameterError("\n".join(faults))
    return criteria


def schedule(path: str | Path) -> tuple[PlannedVisit, ...]:
    """Return the planned visits declared in a file of criteria; the usual ones where there is no file.

    Parameters
    ----------
    path
        A TOML file of criteria, which need not be there.

    Returns
    -------
    tuple of PlannedVisit
        Month, window and zones of each.

    Raises
    ------
    ParameterError
        As `read`.

    Examples
    --------
    >>> [visit.month for visit in schedule("no_such_file.toml")][:4]
    [3.0, 6.0, 9.0, 12.0]
    """
    return read(path).schedule if Path(path).exists() else USUAL_SCHEDULE


def read_actions(path: str | Path, criteria: Criteria) -> tuple[Action, ...]:
    """Read and check the action log; an empty log where the file does not exist.

    Parameters
    ----------
    path
        A TOML file, such as `actions.toml` of the demo.
    criteria
        Of `read`.

    Returns
    -------
    tuple of Action
        In the order of the file.

    Raises
    ------
    ParameterError
        As `read`; also when an action names a criterion that is not declared or is re-audited before it is
        due.

    Examples
    --------
    >>> read_actions("no_such_log.toml", read("data_demo/criteria.toml"))
    ()
    """
    if not Path(path).exists():
        return ()
    actions = _checked(ActionLog, Path(path)).action
    declared = {c.id for c in criteria.criterion}
    name = Path(path).name
    faults = [
        f"{name}, action {i}, criterion: is not declared; use one of {', '.join(sorted(declared))}"
        for i, a in enumerate(actions, start=1)
        if a.criterion not in declared
    ]
    faults += [
        f"{name}, action {i}, re_audit_quarter: before due_quarter; audit again once it was due"
        for i, a in enumerate(actions, start=1)
        if a.re_audit_quarter < a.due_quarter
    ]
    faults += _twice([a.id for a in actions], f"{name}, action")
    if faults:
        raise ParameterError("\n".join(faults))
    return actions


def under_review(
    records: Records,
    criteria: Criteria,
    *,
    quarter: int = 0,
    complete_through: int = 0,
    register_begins: str = "",
    today: str = "",
) -> int:
    """Return the quarter under review: the one named, or the last in which every month is complete.

    Parameters
    ----------
    quarter
        Named by its number; 0 for the last completed one.
    complete_through
        Last register month in which records are complete; 0 for what `data_cut` of the criteria declares.
    register_begins
        Year and month of register month 1 as 2023-07: with today's date and the declared lag it gives the
        last complete month where none is declared.
    today
        A date as 2026-03-31; the clock's if empty.

    Returns
    -------
    int
        Number of the quarter, 1 the register's first three months.

    Raises
    ------
    ParameterError
        When the last complete month is neither declared nor can be derived, or no quarter is complete.

    Examples
    --------
    Complete up to month 36, which ends the twelfth quarter:

    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> under_review(clinic, read("data_demo/criteria.toml"), complete_through=36)
    12
    """
    if quarter:
        return quarter
    declared = complete_through or criteria.data_cut.complete_through_month
    if not declared and not register_begins:
        raise ParameterError(
            "review, quarter: up to which month the records are complete is not known; set "
            "complete_through_month under [data_cut] in the criteria, or register_begins, or name the quarter"
        )
    month = declared or months_since(register_begins, today) - criteria.data_cut.lag_months
    completed = min(month // MONTHS, latest(records))
    if completed < 1:
        raise ParameterError(
            "review, quarter: no quarter is complete yet; the first can be reviewed once its third month is"
        )
    return completed


def _checked(form: type[Form], path: Path) -> Form:
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise ParameterError(f"{path.name}: no such file; copy the demo's and change it") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        place = str(error).rpartition("(at ")[2].rstrip(")") if "(at " in str(error) else "somewhere"
        raise ParameterError(f"{path.name}: is no TOML, first at {place}; see the demo's file") from None
    try:
        return form.model_validate(content)
    except pydantic.ValidationError as error:
        raise ParameterError("\n".join(_sentence(path.name, content, p) for p in error.errors())) from None


def _sentence(name: str, content: dict, problem: Any) -> str:
    """Say where, what, the rule, and what to do; never the value."""
    place = [p for i, p in enumerate(problem["loc"]) if not (i == 2 and p in MEASURES)]
    where = name
    if len(place) > 1 and isinstance(place[1], int):
        block = content.get(place[0], [{}])[place[1]]
        label = block.get("id", "") if isinstance(block, dict) else ""
        where += f", {place[0]} {place[1] + 1}" + (f" ({label})" if label else "")
        place = place[2:]
    elif place:
        where += f", {place[0]}"
        place = place[1:]
    if place:
        where += f", {'.'.join(str(p) for p in place)}"
    return f"{where}: {rule_of(problem)}"


def rule_of(problem: Any) -> str:
    """Return the rule that an entry breaks, and what to do."""
    kind = problem["type"]
    if kind == "missing":
        return "is missing; write it down before the numbers are looked at"
    if kind == "extra_forbidden":
        return "is no known entry; take it out or correct its spelling"
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        return f"measure is missing or unknown; use one of {', '.join(MEASURES)}"
    if kind == "string_pattern_mismatch":
        return "expected lower-case letters, digits and underscores, beginning with a letter"
    if kind == "string_too_short":
        return "is empty; write it out"
    message = str(problem["msg"]).partition(", unable")[0].replace("Input should be", "expected")
    return message[:1].lower() + message[1:] + "; correct it"


def _faults(criteria: Criteria, name: str) -> list[str]:
    """Return what contradicts itself or names what is not declared, one sentence each."""
    declared = {c.id for c in criteria.criterion}
    faults = _twice([c.id for c in criteria.criterion], f"{name}, criterion")
    faults += [
        f"{name}, change {i} ({change.id}), criteria: {len(missing)} not declared; "
        f"use of {', '.join(sorted(declared))}"
        for i, change in enumerate(criteria.change, start=1)
        if (missing := set(change.criteria) - declared)
    ]
    faults += [
        f"{name}, criterion {i} ({criterion.id}), {entry}: {rule}"
        for i, criterion in enumerate(criteria.criterion, start=1)
        for entry, rule in criterion.faults(criteria.schedule)
    ]
    return faults


def _twice(ids: list[str], where: str) -> list[str]:
    return [
        f"{where} {i + 1}, id: used before; give each its own"
        for i, name in enumerate(ids)
        if name in ids[:i]
    ]
