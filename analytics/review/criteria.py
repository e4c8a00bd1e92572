"""Reading of the declared files: criteria and action log, refused in plain sentences where incomplete.

What has the practice declared: criteria and standards, follow-up, changes, monitoring, actions?

A criterion is a measurable statement of care, its standard the level expected, its exceptions the sessions
left out beforehand (HQIP 2020, Best practice in clinical audit). All of it stands in two TOML files beside
the records, is read here once, and is refused in plain sentences where it is incomplete. Nothing here looks
at an outcome.
"""

import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

import pydantic
from pydantic import ConfigDict, Field, StringConstraints

from analytics.dictionary import EVENT_KINDS
from analytics.errors import ParameterError

Word = Annotated[str, StringConstraints(min_length=1)]
Name = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$")]
Method = Literal["FUT", "FUE", "combined"]
Zone = Literal["hairline", "frontal", "midscalp", "crown", "temples", "other"]
SourceKind = Literal["published", "common practice", "from memory", "invented"]
ExceptionCode = Literal["scarring", "repeat session", "not from the scalp", "combined method"]
ALL_METHODS = get_args(Method)
ALL_ZONES = get_args(Zone)


class _Declared(pydantic.BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Criterion(_Declared):
    id: Name
    statement: Word
    standard: float
    direction: Literal["at most", "at least"]
    name: str = ""
    source: Word
    source_kind: SourceKind
    exceptions: tuple[ExceptionCode, ...] = ()
    methods: tuple[Method, ...] = ALL_METHODS

    @property
    def title(self) -> str:
        """Name given, or the id in words."""
        return self.name or self.id.replace("_", " ").capitalize()

    @property
    def unit(self) -> str:
        """Unit of the standard."""
        return "%"

    @property
    def counted(self) -> str:
        """What one of the denominator is, in the plural."""
        return "sessions"


class EventCriterion(_Criterion):
    """Sessions with a complication by a month, among those asked."""

    measure: Literal["event"]
    event: Literal[*EVENT_KINDS]  # type: ignore[valid-type]
    by_month: float = Field(gt=0, le=60)


class ShareCriterion(_Criterion):
    """A ratio of two counts of a session, the session as the unit."""

    measure: Literal["share"]
    part: Literal["grafts_transected", "grafts_discarded", "missing"]
    whole: Literal["attempts", "grafts_out"]

    @property
    def counted(self) -> str:
        """What one of the denominator is."""
        return self.whole.replace("grafts_out", "grafts out")


class MeanCriterion(_Criterion):
    """The mean of a number recorded for each session."""

    measure: Literal["mean"]
    column: Literal["out_of_body_min"]

    @property
    def unit(self) -> str:
        """Unit of the standard."""
        return "min"


class HairsCriterion(_Criterion):
    """Hairs per planted graft, the session as the unit."""

    measure: Literal["hairs_per_graft"]

    @property
    def unit(self) -> str:
        """Unit of the standard."""
        return "hairs per graft"

    @property
    def counted(self) -> str:
        """What one of the denominator is."""
        return "grafts planted"


class YieldCriterion(_Criterion):
    """Mean yield at maturity in a group of zones."""

    measure: Literal["yield"]
    zones: tuple[Zone, ...] = Field(min_length=1)

    @property
    def counted(self) -> str:
        """What one of the denominator is."""
        return "placements read"


class PoorGrowthCriterion(_Criterion):
    """The share of placements whose true yield at maturity lies under a threshold, by the emergence model."""

    measure: Literal["poor_growth"]
    zones: tuple[Zone, ...] = Field(min_length=1)
    threshold_pct: float = Field(gt=0, lt=100)

    @property
    def counted(self) -> str:
        """What one of the denominator is."""
        return "placements followed so far"


class RatingCriterion(_Criterion):
    """Sessions whose patient answered at or above a mark, among those who answered and among all due."""

    measure: Literal["rating"]
    column: Literal["satisfaction_0_10", "would_choose_again"]
    mark: float = Field(1, ge=0, le=10)
    month: float = Field(gt=0, le=60)


class PhotographCriterion(_Criterion):
    """Attendances whose photographs pass the clinic's standard, among those photographed."""

    measure: Literal["photographs"]

    @property
    def counted(self) -> str:
        """What one of the denominator is."""
        return "attendances"


class CompleteCriterion(_Criterion):
    """Sessions with every named field recorded."""

    measure: Literal["complete"]
    fields: tuple[Word, ...] = Field(min_length=1)


class SeenCriterion(_Criterion):
    """Sessions seen in the window of a planned visit, among those due."""

    measure: Literal["seen"]
    month: float = Field(gt=0, le=60)


Criterion = Annotated[
    EventCriterion
    | ShareCriterion
    | MeanCriterion
    | HairsCriterion
    | YieldCriterion
    | PoorGrowthCriterion
    | RatingCriterion
    | PhotographCriterion
    | CompleteCriterion
    | SeenCriterion,
    Field(discriminator="measure"),
]


class PlannedVisit(_Declared):
    """A planned visit, its window in months, whom it is for and whether the zones are counted then."""

    month: float = Field(gt=0, le=120)
    early: float = Field(ge=0, le=12)
    late: float = Field(ge=0, le=12)
    zones: tuple[Zone, ...] = ALL_ZONES
    counted: bool = True

    @property
    def opens(self) -> float:
        """Month at which the window opens."""
        return self.month - self.early

    @property
    def closes(self) -> float:
        """Month at which the window closes."""
        return self.month + self.late


class Change(_Declared):
    """A change of practice whose month was written down before its effect was looked at."""

    id: Name
    statement: Word
    register_month: int = Field(ge=2)
    declared_in_quarter: int = Field(ge=1)
    criteria: tuple[Name, ...] = Field(min_length=1)


class Monitor(_Declared):
    """How cases are watched one by one."""

    baseline_through_month: int = Field(ge=3)
    run_length: float = Field(1000, ge=50)
    odds_ratio_transection: float = Field(1.5, gt=1)
    odds_ratio_poor_growth: float = Field(2.0, gt=1)
    case_mix: tuple[Literal["method", "curl", "session_number", "smoker", "scarring", "age_years"], ...] = (
        "method",
    )


class Action(_Declared):
    """Something the practice decided to do, and when it is looked at again."""

    id: Name
    what: Word
    role: Word
    criterion: Name
    set_in_quarter: int = Field(ge=1)
    due_quarter: int = Field(ge=1)
    re_audit_quarter: int = Field(ge=1)
    state: Literal["open", "done", "dropped"] = "open"


class Criteria(_Declared):
    """Everything declared for the review."""

    criterion: tuple[Criterion, ...] = Field(min_length=1)
    schedule: tuple[PlannedVisit, ...] = Field(min_length=1)
    change: tuple[Change, ...] = ()
    monitor: Monitor

    def named(self, criterion_id: str) -> Any:
        """Return the criterion of that id.

        Raises
        ------
        ParameterError
            When there is none.
        """
        found = [c for c in self.criterion if c.id == criterion_id]
        if not found:
            raise ParameterError(
                f"criteria: no criterion has that id; the file has {', '.join(c.id for c in self.criterion)}"
            )
        return found[0]


class ActionLog(_Declared):
    """The actions of every review so far."""

    action: tuple[Action, ...] = ()


MEASURES = tuple(
    get_args(kind.model_fields["measure"].annotation)[0] for kind in get_args(get_args(Criterion)[0])
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
    _check_references(criteria, Path(path).name)
    return criteria


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
    known = {c.id for c in criteria.criterion}
    name = Path(path).name
    problems = [
        f"{name}, action {i}, criterion: is not declared; use one of {', '.join(sorted(known))}"
        for i, a in enumerate(actions, start=1)
        if a.criterion not in known
    ]
    problems += [
        f"{name}, action {i}, re_audit_quarter: before due_quarter; audit again once it was due"
        for i, a in enumerate(actions, start=1)
        if a.re_audit_quarter < a.due_quarter
    ]
    problems += _twice([a.id for a in actions], f"{name}, action")
    if problems:
        raise ParameterError("\n".join(problems))
    return actions


def _checked(kind: type[pydantic.BaseModel], path: Path) -> Any:
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise ParameterError(f"{path.name}: no such file; copy the demo's and change it") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        place = str(error).rpartition("(at ")[2].rstrip(")") if "(at " in str(error) else "somewhere"
        raise ParameterError(f"{path.name}: is no TOML, first at {place}; see the demo's file") from None
    try:
        return kind.model_validate(content)
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


def _check_references(criteria: Criteria, name: str) -> None:
    known = {c.id for c in criteria.criterion}
    problems = _twice([c.id for c in criteria.criterion], f"{name}, criterion")
    problems += [
        f"{name}, change {i} ({change.id}), criteria: {len(missing)} not declared; "
        f"use of {', '.join(sorted(known))}"
        for i, change in enumerate(criteria.change, start=1)
        if (missing := set(change.criteria) - known)
    ]
    planned = {v.month for v in criteria.schedule}
    problems += [
        f"{name}, criterion {i} ({c.id}), month: no visit is planned then; add it to the schedule"
        for i, c in enumerate(criteria.criterion, start=1)
        if isinstance(c, SeenCriterion | RatingCriterion) and c.month not in planned
    ]
    problems += [
        f"{name}, criterion {i} ({c.id}), standard: expected 0 to 100 percent"
        for i, c in enumerate(criteria.criterion, start=1)
        if c.unit == "%" and not 0 <= c.standard <= 100
    ]
    if problems:
        raise ParameterError("\n".join(problems))


def _twice(ids: list[str], where: str) -> list[str]:
    return [
        f"{where} {i + 1}, id: used before; give each its own"
        for i, name in enumerate(ids)
        if name in ids[:i]
    ]
