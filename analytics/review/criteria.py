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
from analytics.review.declared import (
    USUAL_SCHEDULE,
    Action,
    ActionLog,
    Change,
    Declared,
    Monitor,
    PlannedVisit,
)
from analytics.review.kinds import KINDS, MEASURES, Criterion

if TYPE_CHECKING:
    AnyKind = Criterion
else:
    AnyKind = Annotated[Union[KINDS], Field(discriminator="measure")]  # noqa: UP007

Form = TypeVar("Form", bound=pydantic.BaseModel)


class Criteria(Declared):
    """Everything declared for the review."""

    criterion: tuple[AnyKind, ...] = Field(min_length=1)
    schedule: tuple[PlannedVisit, ...] = Field(min_length=1)
    change: tuple[Change, ...] = ()
    monitor: Monitor

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


def read(path: str | Path) -> Criteria:
    """Read and check a file of criteria.

    Raises
    ------
    ParameterError
        When the file is missing or is no TOML, or a criterion is incomplete; all problems at once, one a
        line.
    """
    criteria = _checked(Criteria, Path(path))
    if faults := _faults(criteria, Path(path).name):
        raise ParameterError("\n".join(faults))
    return criteria


def schedule(path: str | Path) -> tuple[PlannedVisit, ...]:
    """Return the planned visits declared in a file of criteria; the usual ones where there is no file.

    Raises
    ------
    ParameterError
        As `read`.
    """
    return read(path).schedule if Path(path).exists() else USUAL_SCHEDULE


def read_actions(path: str | Path, criteria: Criteria) -> tuple[Action, ...]:
    """Read and check the action log; an empty log where the file does not exist.

    Raises
    ------
    ParameterError
        As `read`; also when an action names a criterion that is not declared or is re-audited before it is
        due.
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
    return f"{where}: {_rule(problem)}"


def _rule(problem: Any) -> str:
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
