"""What has the practice written down before it looks: planned visits, changes, monitoring, actions?

These are the forms of `criteria.toml` and `actions.toml` beside the criteria themselves (`review.kinds`). A
form holds what was declared and nothing else; reading and refusing stand in `review.criteria`.
"""

from typing import Annotated, Literal, get_args

import pydantic
from pydantic import ConfigDict, Field, StringConstraints

from analytics.followup import Planned

Word = Annotated[str, StringConstraints(min_length=1)]
Name = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$")]
Method = Literal["FUT", "FUE", "combined"]
Zone = Literal["hairline", "frontal", "midscalp", "crown", "temples", "other"]
SourceKind = Literal["published", "common practice", "from memory", "invented"]
ExceptionCode = Literal["scarring", "repeat session", "not from the scalp", "combined method"]
ALL_METHODS = get_args(Method)
ALL_ZONES = get_args(Zone)


class Declared(pydantic.BaseModel):
    """A block of a declared file: no unknown entry, unchanged once read."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class PlannedVisit(Planned, Declared):
    """A planned visit, its window in months, whom it is for and whether the zones are counted then."""

    month: float = Field(gt=0, le=120)
    early: float = Field(ge=0, le=12)
    late: float = Field(ge=0, le=12)
    zones: tuple[Zone, ...] = ALL_ZONES
    counted: bool = True


# For a clinic that has declared none: common practice, no source.
USUAL_SCHEDULE = (
    *(PlannedVisit(month=m, early=1, late=1) for m in (3, 6, 9)),
    PlannedVisit(month=12, early=1, late=2),
    PlannedVisit(month=15, early=1, late=1.5, zones=("midscalp", "crown")),
    PlannedVisit(month=18, early=1.5, late=2, zones=("crown",)),
)


class Change(Declared):
    """A change of practice whose month was written down before its effect was looked at."""

    id: Name
    statement: Word
    register_month: int = Field(ge=2)
    declared_in_quarter: int = Field(ge=1)
    criteria: tuple[Name, ...] = Field(min_length=1)


class DataCut(Declared):
    """Up to which register month the records are complete, or how far behind the calendar they run."""

    complete_through_month: Annotated[int | None, Field(ge=1)] = None
    lag_months: Annotated[int, Field(ge=0, le=24)] = 1


class Monitor(Declared):
    """How cases are watched one by one."""

    baseline_through_month: int = Field(ge=3)
    new_baseline_in_quarter: int = Field(1, ge=1)
    run_length: float = Field(1000, ge=50)
    odds_ratio_transection: float = Field(1.5, gt=1)
    odds_ratio_poor_growth: float = Field(2.0, gt=1)
    odds_ratio_harm: float = Field(2.0, gt=1)
    false_alarm: float = Field(0.05, gt=0, lt=0.5)
    missed: float = Field(0.05, gt=0, lt=0.5)
    case_mix: tuple[Literal["method", "curl", "session_number", "smoker", "scarring", "age_years"], ...] = (
        "method",
    )


class Action(Declared):
    """Something the practice decided to do, and when it is looked at again."""

    id: Name
    what: Word
    role: Word
    criterion: Name
    set_in_quarter: int = Field(ge=1)
    due_quarter: int = Field(ge=1)
    re_audit_quarter: int = Field(ge=1)
    state: Literal["open", "done", "dropped"] = "open"


class ActionLog(Declared):
    """The actions of every review so far."""

    action: tuple[Action, ...] = ()
