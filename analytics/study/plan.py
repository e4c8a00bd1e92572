"""What was decided before looking: the plan of a study, in TOML, refused in plain sentences where incomplete.

One exposure (two groups, or a number), one primary analysis, any secondary and exploratory ones, the
adjustment set with a reason each, what is done about intercurrent events (ICH E9(R1)), the size of the
test and the seed. Nothing here looks at a record.
"""

import hashlib
import json
import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import pydantic
from pydantic import ConfigDict, Field, StringConstraints

from analytics.dictionary import EVENT_KINDS
from analytics.errors import ParameterError

Word = Annotated[str, StringConstraints(min_length=1)]
Name = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$")]
Zone = Literal["hairline", "frontal", "midscalp", "crown", "temples", "other"]
Role = Literal["primary", "secondary", "exploratory"]
Hypothesis = Literal["difference", "equivalence", "non-inferiority"]
VARIABLES = (
    "zone", "method", "holding_medium", "out_of_body_min", "holding_temperature_c", "planted_hairs_cm2",
    "session_number", "surgeon_id", "team_id", "harvest_technique", "placing_technique", "technique",
    "recipient", "on_therapy", "register_month", "sex", "age_years", "smoker", "diabetes", "scarring",
    "loss_class", "hair_calibre_um", "curl", "contrast", "grafts",
)  # fmt: skip
OutcomeKind = Literal[
    "yield_at_maturity", "plateau_yield", "tempo", "milestone", "complication", "satisfaction",
    "would_choose_again", "transection", "poor_growth",
]  # fmt: skip
IN_WORDS = {
    "out_of_body_min": "minutes grafts spent outside the body",
    "holding_temperature_c": "holding temperature (°C)",
    "planted_hairs_cm2": "planted density",
    "surgeon_id": "surgeon",
    "team_id": "team",
    "register_month": "calendar month",
    "age_years": "age",
    "month": "month of the outcome",
    "reader_id": "reader of the outcome",
    "reader_changed": "another reader than before the session",
    "hair_calibre_um": "hair calibre",
    "on_therapy": "therapy at the session",
    "recipient": "recipient skin",
    "grafts_out": "grafts taken out",
}
RATIOS = ("tempo", "milestone")
OF_CURVE = ("tempo", "plateau_yield")  # by the emergence model on all counts
NO_UNIT_VALUE = (*RATIOS, "plateau_yield")  # no unit has a number of its own
POOR_GROWTH = "poor_growth"
BINARY = ("complication", "would_choose_again")
NOT_NORMAL = (*BINARY, POOR_GROWTH)  # yes or no, known or told by its chance
UNITS = {
    "yield_at_maturity": "points of yield",
    "plateau_yield": "points of yield",
    "tempo": "ratio",
    "milestone": "ratio",
    "complication": "points",
    "satisfaction": "points of 10",
    "would_choose_again": "points",
    "transection": "points",
    "poor_growth": "points",
}
SECOND_SESSION = "second session"
THERAPY_START = "therapy start"
FAILED_PHOTOGRAPH = "failed photograph"
STRATEGIES = {
    SECOND_SESSION: {
        "while untouched": "readings count until the zone is planted again",
        "leave out": "a placement whose zone was planted again is left out whole",
    },
    THERAPY_START: {
        "treatment policy": "readings count whether or not therapy was started",
        "while untreated": "readings count until therapy is started",
    },
    FAILED_PHOTOGRAPH: {
        "leave out": "readings from failed photographs, or at another hair length, are left out",
        "leave out failed": "readings from failed photographs are left out, another hair length is kept",
        "keep": "readings from failed photographs are kept",
    },
}
DEFAULT_STRATEGY = {
    SECOND_SESSION: "while untouched",
    THERAPY_START: "treatment policy",
    FAILED_PHOTOGRAPH: "leave out",
}
# The population's entries that name labels, and the variable each is looked up in.
FILTERS = {
    "sexes": "sex", "loss_classes": "loss_class", "surgeons": "surgeon_id", "techniques": "technique",
    "smokers": "smoker", "sessions": "session_number",
}  # fmt: skip
DEMO_PLAN = "study_out_of_body.toml"
# A plan frozen before these entries were known must still have its hash: empty, they are not hashed.
ADDED_LATER = (
    "sexes", "loss_classes", "surgeons", "techniques", "smokers", "sessions", "one_sided_alpha", "own",
)  # fmt: skip


def in_words(variable: str) -> str:
    """Return a variable as a person says it.

    Parameters
    ----------
    variable
        A column of the analysis set.

    Returns
    -------
    str
        In words.

    Examples
    --------
    >>> in_words("session_number")
    'session number'
    """
    return IN_WORDS.get(variable, variable.replace("_", " "))


class _Declared(pydantic.BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Exposure(_Declared):
    """What is compared: a word in two groups, a number cut in two, or a number as it is (per so much)."""

    variable: Name
    reference: tuple[str, ...] = ()
    compared: tuple[str, ...] = ()
    cut: float | None = None
    per: float | None = Field(None, gt=0)
    reference_name: Word = "reference"
    compared_name: Word = "compared"
    reason: Word

    @pydantic.model_validator(mode="after")
    def _one_form(self) -> Self:
        words = bool(self.reference or self.compared)
        if sum((words, self.cut is not None, self.per is not None)) != 1:
            raise ValueError(
                "expected one of: reference and compared (words), cut (a number that divides), per (a number)"
            )
        if words and not (self.reference and self.compared):
            raise ValueError("expected both reference and compared; name the groups of each")
        if set(self.reference) & set(self.compared):
            raise ValueError("expected a group on one side only")
        return self

    @property
    def is_number(self) -> bool:
        """Whether the exposure is kept as a number."""
        return self.per is not None


class Population(_Declared):
    """Whose placements the study is about; `own`: labels of the clinic's own variables, or from and to."""

    words: Word
    zones: tuple[Zone, ...] = ()
    methods: tuple[Literal["FUT", "FUE", "combined"], ...] = ()
    sexes: tuple[Word, ...] = ()
    loss_classes: tuple[Word, ...] = ()
    surgeons: tuple[Word, ...] = ()
    techniques: tuple[Word, ...] = ()
    smokers: tuple[Word, ...] = ()
    sessions: tuple[Annotated[int, Field(ge=1, le=20)], ...] = ()
    first_sessions_only: bool = False
    native_skin_only: bool = False
    age_from: float = Field(0, ge=0, le=120)
    age_to: float = Field(120, ge=0, le=120)
    own: dict[Name, Annotated[tuple[Word | float, ...], Field(min_length=1)]] = {}


class Adjustment(_Declared):
    """A variable held equal, and why."""

    variable: Name
    reason: Word


class Intercurrent(_Declared):
    """What may happen on the way to the outcome, and what is then done."""

    event: Literal["second session", "therapy start", "failed photograph"]
    strategy: Word
    reason: Word

    @pydantic.model_validator(mode="after")
    def _known(self) -> Self:
        known = STRATEGIES[self.event]
        if self.strategy not in known:
            raise ValueError(f"expected for this event one of: {', '.join(known)}")
        return self


class Outcome(_Declared):
    """What is measured."""

    kind: OutcomeKind
    percent: float = Field(50, gt=0, le=100, description="of planted hairs: a milestone; what is poor growth")
    event: Literal[*EVENT_KINDS] | None = None  # type: ignore[valid-type]
    by_month: float = Field(12, gt=0, le=60, description="for a complication: counted until this month")
    month: float = Field(12, gt=0, le=60, description="for an answer of the patient: nearest to this month")

    @pydantic.model_validator(mode="after")
    def _whole(self) -> Self:
        if self.kind == "complication" and self.event is None:
            raise ValueError(f"expected event: which complication, one of {', '.join(EVENT_KINDS)}")
        if self.kind == POOR_GROWTH and "percent" not in self.model_fields_set:
            raise ValueError("expected percent: the yield at maturity under which growth is poor, such as 70")
        return self


class Analysis(_Declared):
    """One question put to the data: its role, outcome, hypothesis and what would matter."""

    id: Name
    role: Role
    outcome: Outcome
    hypothesis: Hypothesis = "difference"
    better: Literal["higher", "lower"] = "higher"
    matters: float = Field(gt=0, description="smallest difference that would change practice")
    margin: float | None = Field(None, gt=0)
    exposure: Exposure | None = None
    design: Literal["as recorded", "between patients", "within patients", "split scalp"] = "as recorded"

    @pydantic.model_validator(mode="after")
    def _whole(self) -> Self:
        if self.hypothesis != "difference" and self.margin is None:
            raise ValueError("expected margin: how far is still as good")
        if self.outcome.kind in RATIOS:
            for name in ("matters", "margin"):
                value = getattr(self, name)
                if value is not None and value <= 1:
                    raise ValueError(f"expected {name} above 1: the outcome is compared as a ratio")
        return self

    @property
    def is_ratio(self) -> bool:
        """Whether groups are compared by a ratio."""
        return self.outcome.kind in RATIOS

    @property
    def unit(self) -> str:
        """Unit of the difference."""
        return UNITS[self.outcome.kind]


class Plan(_Declared):
    """A study as declared."""

    title: Word
    question: Word
    alpha: float = Field(0.05, gt=0.0001, lt=0.5)
    one_sided_alpha: float | None = Field(
        None,
        gt=0.0001,
        lt=0.25,
        description="of a test against a margin; half of alpha if not given (ICH E9)",
    )
    power: float = Field(0.8, gt=0.5, lt=1)
    seed: int = Field(ge=0)
    population: Population
    exposure: Exposure
    adjust: tuple[Adjustment, ...] = ()
    intercurrent: tuple[Intercurrent, ...] = ()
    analysis: tuple[Analysis, ...]

    @pydantic.model_validator(mode="after")
    def _whole(self) -> Self:
        n_primary = sum(a.role == "primary" for a in self.analysis)
        if n_primary != 1:
            raise ValueError(f"expected one analysis with the role primary, there are {n_primary}")
        ids = [a.id for a in self.analysis]
        if len(set(ids)) < len(ids):
            raise ValueError("expected each analysis to have an id of its own")
        if self.primary.exposure is not None:
            raise ValueError("expected the primary analysis to use the exposure of the plan")
        if self.exposure.variable in {a.variable for a in self.adjust}:
            raise ValueError("expected the exposure not to be adjusted for")
        if len({e.event for e in self.intercurrent}) < len(self.intercurrent):
            raise ValueError("expected each intercurrent event once")
        return self

    @property
    def primary(self) -> Analysis:
        """The one primary analysis."""
        return next(a for a in self.analysis if a.role == "primary")

    @property
    def tail(self) -> float:
        """Size of a one-sided test against a margin: half of the two-sided size unless declared (ICH E9)."""
        return self.alpha / 2 if self.one_sided_alpha is None else self.one_sided_alpha

    def level(self, analysis: Analysis) -> float:
        """Return the level of the interval that decides an analysis: two-sided, matching its test."""
        return 1 - (self.alpha if analysis.hypothesis == "difference" else 2 * self.tail)

    @property
    def variables(self) -> dict[str, str]:
        """Every variable that is named, by the place where it is named."""
        named = {"exposure.variable": self.exposure.variable}
        named |= {f"adjust {i} ({a.variable})": a.variable for i, a in enumerate(self.adjust, start=1)}
        named |= {f"population.own ({name})": name for name in self.population.own}
        return named | {
            f"analysis {i} ({a.id}), exposure.variable": a.exposure.variable
            for i, a in enumerate(self.analysis, start=1)
            if a.exposure is not None
        }

    @property
    def adjusted_for(self) -> tuple[str, ...]:
        """Variables held equal."""
        return tuple(a.variable for a in self.adjust)

    def said(self) -> dict[str, Any]:
        """Return what the plan says, as it is hashed: entries known only later where they say something."""
        return _without_unsaid(self.model_dump(mode="json"))

    def strategy(self, event: str) -> str:
        """Return what is done about an intercurrent event."""
        return next((e.strategy for e in self.intercurrent if e.event == event), DEFAULT_STRATEGY[event])

    def named(self, analysis_id: str) -> Analysis:
        """Return an analysis by its id.

        Raises
        ------
        ParameterError
            When the plan has none of that id.
        """
        for analysis in self.analysis:
            if analysis.id == analysis_id:
                return analysis
        raise ParameterError(
            f"study(analysis): not in the plan; it has {', '.join(a.id for a in self.analysis)}"
        )

    def exposure_of(self, analysis: Analysis) -> Exposure:
        """Return what an analysis compares."""
        return analysis.exposure or self.exposure


def read(path: str | Path) -> Plan:
    """Read and check a plan; all problems at once, one a line.

    Parameters
    ----------
    path
        A TOML file, such as `study_out_of_body.toml` of the demo.

    Returns
    -------
    Plan
        As declared; nothing of the records is looked at.

    Raises
    ------
    ParameterError
        When the file is missing or no TOML, or the plan is incomplete.

    Examples
    --------
    >>> read("none.toml")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    analytics.errors.ParameterError: none.toml: no such plan; ...
    """
    place = Path(path)
    try:
        content = tomllib.loads(place.read_text(encoding="utf-8-sig"))
    except (FileNotFoundError, IsADirectoryError):
        raise ParameterError(
            f"{place.name}: no such plan; copy {DEMO_PLAN} of the demo and change it"
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        spot = str(error).rpartition("(at ")[2].rstrip(")") if "(at " in str(error) else "somewhere"
        raise ParameterError(f"{place.name}: is no TOML, first at {spot}; see {DEMO_PLAN}") from None
    return checked(content, place.name)


def checked(content: dict[str, Any], name: str = "plan") -> Plan:
    """Return the plan a mapping holds; raise ParameterError as `read` does.

    Parameters
    ----------
    content
        What the TOML file holds.
    name
        What messages call it.

    Returns
    -------
    Plan
        As declared.

    Raises
    ------
    ParameterError
        When the plan is incomplete; every mistake is named.

    Examples
    --------
    >>> checked({"title": "t"})  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    analytics.errors.ParameterError: plan, ...
    """
    try:
        return Plan.model_validate(content)
    except pydantic.ValidationError as error:
        raise ParameterError("\n".join(_sentence(name, content, p) for p in error.errors())) from None


def beside(plan: str | Path, data: str | Path) -> Path:
    """Return where a plan lies: as given, or in the folder of the data."""
    given, place = Path(plan), Path(data)
    if given.exists() or given.is_absolute():
        return given
    return (place if place.is_dir() else place.parent) / given


def digest(plan: Plan) -> str:
    """Return the SHA-256 of what a plan says: spaces, comments and order of entries do not count."""
    text = json.dumps(plan.said(), sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def _without_unsaid(content: Any) -> Any:
    if isinstance(content, dict):
        return {k: _without_unsaid(v) for k, v in content.items() if v or k not in ADDED_LATER}
    return [_without_unsaid(v) for v in content] if isinstance(content, list) else content


def _sentence(name: str, content: dict, problem: Any) -> str:
    """Say where, what, the rule, and what to do; never the value."""
    where, place = name, list(problem["loc"])
    if len(place) > 1 and isinstance(place[1], int):
        blocks = content.get(place[0])
        block = blocks[place[1]] if isinstance(blocks, list) else {}
        label = (
            block.get("id") or block.get("variable") or block.get("event") if isinstance(block, dict) else ""
        )
        known = isinstance(label, str) and re.fullmatch(r"[a-z][a-z0-9_ ]*", label)
        where += f", {place[0]} {place[1] + 1}" + (f" ({label})" if known else "")
        place = place[2:]
    if place:
        where += ", " + ".".join(str(p) for p in place)
    return f"{where}: {_rule(problem)}"


def _rule(problem: Any) -> str:
    kind = problem["type"]
    if kind == "missing":
        return "is missing; write it down before the numbers are looked at"
    if kind == "extra_forbidden":
        return "is no known entry; take it out or correct its spelling"
    if kind == "string_pattern_mismatch":
        return "expected lower-case letters, digits and underscores, beginning with a letter"
    if kind == "string_too_short":
        return "is empty; write it out"
    message = str(problem["msg"]).removeprefix("Value error, ").partition(", unable")[0]
    message = message.replace("Input should be", "expected")
    return message[:1].lower() + message[1:] + "; correct it"
