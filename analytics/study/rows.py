"""Who is in the study, what was compared in each, and what became of it: one row a unit, none dropped.

The unit is the placement for yield, tempo and milestones and the session for complications and answers of
the patient; the patient is what is independent. A unit whose outcome month has been reached by the end of
the register is *due*; a due unit without a usable outcome is *missing*. Every unit left out carries its
reason.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from analytics import followup, measurement, regrowth, yields
from analytics.dictionary import MATURITY_MONTH
from analytics.errors import FitError, ParameterError
from analytics.measurement import CountError
from analytics.records import Records
from analytics.study.plan import (
    FAILED_PHOTOGRAPH,
    FILTERS,
    POOR_GROWTH,
    SECOND_SESSION,
    THERAPY_START,
    VARIABLES,
    Analysis,
    Exposure,
    Plan,
)  # fmt: skip
from analytics.study.readings import NOT_DUE, Background, Reading, with_yields

PHOTOGRAPHS = {"leave out": "standard", "leave out failed": "any_length", "keep": "all"}
SESSION_OUTCOMES = ("complication", "satisfaction", "would_choose_again", "transection")
OF_PLACEMENT = ("zone", "recipient", "planted_hairs_cm2", "grafts")
# What a unit is known by, whatever is compared.
UNIT = (
    *("patient_id", "session_id", "placement_id", "unit_id", "zone", "site", "register_month"),
    *("maturity_month", "x", "reason"),
)
OWN_TABLES = ("patients", "sessions", "placements")
NOT_IN_POPULATION = "outside the population of the plan"
NO_EXPOSURE = "what is compared is not recorded"
OTHER_GROUP = "in neither group of the comparison"
MIXED_SESSION = "both groups in one session"
ZONE_TOO_FEW = "its zone is followed in too few to tell poor growth"
# An answer counts within three months of the month asked for; common practice, no source.
LATE_MONTHS = 3.0
FEWEST_POOR = 5.0  # planted zones of poor growth to be expected; a choice of ours
# How far mean chances of the poor and of others lie apart, of 1. Groups that differ in the clearest cases
# alone seem to differ by up to 1 over so much times too much (tests/bench/README.md; a choice of ours).
LEAST_TOLD = 0.65


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """The units of one analysis.

    `units` one row each: patient_id, session_id, placement_id, zone, site, x (1 compared, 0 reference, or the
    number), y (NaN where not known), variance (known, NaN where not), early (an earlier reading, NaN),
    is_due, reason (empty where analysed), and the columns adjusted for; `chance` where y is told by one.
    `has_zone`: whether a unit lies in one zone. `own` are the clinic's own variables, each with its table.
    `short`: why it cannot be answered, whatever is compared.
    """

    units: pd.DataFrame
    has_zone: bool
    exposure: Exposure
    visits: pd.DataFrame | None = None
    own: Mapping[str, str] = field(default_factory=dict)
    short: str = ""

    def has(self, variable: str) -> bool:
        """Return whether a unit has one value of a variable: a session has none of what belongs to a zone."""
        return self.has_zone or not is_of_placement(variable, self.own)

    @property
    def analysed(self) -> pd.DataFrame:
        """Units with a usable outcome."""
        return self.units[self.units["reason"].eq("")].reset_index(drop=True)

    @property
    def due(self) -> pd.DataFrame:
        """Units that should have an outcome, y NaN where it is missing."""
        return self.units[self.units["is_due"]].reset_index(drop=True)


def narrow(known: Background, plan: Plan) -> Background:
    """Return a background with those columns alone that a plan compares or holds equal."""
    own = {*UNIT, *plan.variables.values()}
    return replace(known, places=known.places[[c for c in known.places.columns if c in own]])


def background(records: Records, plan: Plan, exposure: Exposure) -> Background:
    """Return what can be worked out once for all choices of one comparison."""
    return Background(
        places(records, plan, exposure),
        measurement.error_model(records),
        _register_end(records),
        frozenset(_replanted(records)),
    )


def sample(
    records: Records, plan: Plan, analysis: Analysis, *, reading: Reading | None = None,
    visits: pd.DataFrame | None = None,
    known: Background | None = None,
) -> Sample:  # fmt: skip
    """Return the units of an analysis with exposure, outcome and what is adjusted for.

    Parameters
    ----------
    reading
        For yields; by default the plan's (`reading_of`).
    visits
        Rows of `yields.by_visit` under its choices, where the caller has them.
    known
        Of `background`, where the caller has it.

    Raises
    ------
    ParameterError
        When a zone is compared on an outcome that belongs to the session.
    """
    exposure = plan.exposure_of(analysis)
    known = background(records, plan, exposure) if known is None else known
    frame = known.places
    own = own_variables(records)
    if analysis.outcome.kind in SESSION_OUTCOMES:
        return replace(_of_sessions(records, analysis, frame, exposure, own), own=own)
    reading = reading_of(plan) if reading is None else reading
    rows = visit_rows(records, plan, reading.choices, known.error) if visits is None else visits
    if analysis.outcome.kind in ("yield_at_maturity", POOR_GROWTH):
        given = replace(_of_yields(plan, known, rows, reading, exposure), own=own)
        if analysis.outcome.kind == POOR_GROWTH:
            return _of_poor_growth(records, given, reading.choices, analysis.outcome.percent)
        return given
    units = frame.assign(y=np.nan, variance=np.nan, early=np.nan, is_due=frame["reason"].eq(""))
    return Sample(units, True, exposure, rows, own)


def of_everyone(records: Records, *, reading: Reading) -> pd.DataFrame:
    """Return one row per planted zone with its yield, without a plan: all variables, y, variance, reason.

    Parameters
    ----------
    reading
        Which reading is the outcome.
    """
    error = measurement.error_model(records)
    frame = _variables(records)
    frame = frame.assign(x=np.nan, reason="", unit_id=frame["placement_id"])
    known = Background(frame, error, _register_end(records), frozenset(_replanted(records)))
    rows = yields.by_visit(records, choices=reading.choices, count_error=error)
    return with_yields(known, rows, reading, leave_out_replanted=False)


def reading_of(plan: Plan) -> Reading:
    """Return what the plan decides about yields."""
    return Reading(yields.Choices(photographs=PHOTOGRAPHS[plan.strategy(FAILED_PHOTOGRAPH)]))


def visit_rows(
    records: Records, plan: Plan, choices: yields.Choices, error: CountError | None = None
) -> pd.DataFrame:
    """Return rows of `yields.by_visit` as the plan's intercurrent events leave them."""
    rows = yields.by_visit(records, choices=choices, count_error=error)
    if plan.strategy(THERAPY_START) == "while untreated":
        rows = _until_therapy(rows, records)
    return rows


def _until_therapy(rows: pd.DataFrame, records: Records) -> pd.DataFrame:
    operated = rows["register_month"] - rows["month"]
    starts = records.therapies[["patient_id", "start_register_month"]]
    keyed = pd.DataFrame({"row": rows.index, "patient_id": rows["patient_id"], "operated": operated})
    both = keyed.merge(starts, on="patient_id", how="inner")
    after = both[both["start_register_month"] > both["operated"]]
    first = after.groupby("row")["start_register_month"].min().reindex(rows.index)
    treated = first.notna() & (rows["register_month"] >= first) & ~rows["is_baseline"].astype(bool)
    changed = {f"for_{use}": rows[f"for_{use}"] & ~treated for use in yields.USES}
    return rows.assign(**changed)


def places(records: Records, plan: Plan, exposure: Exposure) -> pd.DataFrame:
    """Return one row a placement with every variable a plan may name, its exposure `x` and `reason`.

    Raises
    ------
    ParameterError
        When the plan names a variable that the records do not have.
    """
    if unknown := unknown_variables(plan, records):
        raise ParameterError("\n".join(f"study plan, {said}" for said in unknown))
    frame = _variables(records)
    x, why = _exposure(frame, exposure)
    outside = ~_in_population(frame, plan)
    reason = pd.Series(np.where(outside, NOT_IN_POPULATION, why), index=frame.index)
    return frame.assign(x=x, reason=reason, unit_id=frame["placement_id"]).copy()


def own_variables(records: Records) -> dict[str, str]:
    """Return the clinic's own columns that a plan may name, each with its table."""
    return {c.name: table for table in OWN_TABLES for c in records.own.get(table, ())}


def is_of_placement(variable: str, own: Mapping[str, str]) -> bool:
    """Return whether a variable belongs to a zone and not to its session or patient."""
    return variable in OF_PLACEMENT or own.get(variable) == "placements"


def unknown_variables(plan: Plan, records: Records) -> list[str]:
    """Return a sentence for each variable of a plan that is neither the workbook's nor the clinic's own."""
    known = (*VARIABLES, *own_variables(records))
    return [
        f"{where}: no such variable; use one of {', '.join(known)}, or declare a column of patients, "
        "sessions or placements in variables.toml beside the records"
        for where, name in plan.variables.items()
        if name not in known
    ]


def _variables(records: Records) -> pd.DataFrame:
    sessions = records.sessions.drop(columns=["out_of_body_min", "holding_medium", "method"])
    frame = records.placements.drop(columns=["patient_id"]).merge(
        sessions, on="session_id", how="left", validate="many_to_one"
    )
    frame = frame.merge(records.patients, on="patient_id", how="left", validate="many_to_one")
    average = frame["hairs"] / frame["area_cm2"]
    frame = frame.assign(
        planted_hairs_cm2=frame["roi_planted_hairs_cm2"].fillna(average),
        on_therapy=_on_therapy(frame, records),
        maturity_month=frame["zone"].map(MATURITY_MONTH).astype(float),
    )
    return frame.reset_index(drop=True)


def _on_therapy(frame: pd.DataFrame, records: Records) -> pd.Series:
    """Return whether a course of medical therapy was under way in the month of the session."""
    courses = records.therapies
    both = frame[["session_id", "patient_id", "register_month"]].drop_duplicates("session_id")
    both = both.merge(courses, on="patient_id", how="inner")
    start, stop = both["start_register_month"], both["stop_register_month"]
    running = both[(start <= both["register_month"]) & (stop.isna() | (stop >= both["register_month"]))]
    return frame["session_id"].isin(set(running["session_id"])).map({True: "yes", False: "no"})


def _exposure(frame: pd.DataFrame, exposure: Exposure) -> tuple[pd.Series, np.ndarray]:
    values = frame[exposure.variable]
    if exposure.cut is not None or exposure.is_number:
        number = pd.to_numeric(values, errors="coerce").astype(float)
        per = exposure.per or 1.0
        x = (
            number / per
            if exposure.is_number
            else (number > exposure.cut).astype(float).where(number.notna())
        )
        return x, np.where(number.isna(), NO_EXPOSURE, "")
    words = as_words(values)
    is_compared, is_reference = words.isin(exposure.compared), words.isin(exposure.reference)
    x = pd.Series(np.where(is_compared, 1.0, np.where(is_reference, 0.0, np.nan)), index=frame.index)
    return x, np.where(words.isna(), NO_EXPOSURE, np.where(x.isna(), OTHER_GROUP, ""))


def as_words(values: pd.Series) -> pd.Series:
    """Return values as the words a plan writes: yes and no, whole numbers without a point."""
    if pd.api.types.is_bool_dtype(values):
        return values.map({True: "yes", False: "no"}).astype("string")
    if pd.api.types.is_numeric_dtype(values):
        return values.map(lambda v: pd.NA if pd.isna(v) else f"{v:g}").astype("string")
    return values.astype("string")


def _in_population(frame: pd.DataFrame, plan: Plan) -> pd.Series:
    who = plan.population
    inside = frame["age_years"].fillna(who.age_from).between(who.age_from, who.age_to)
    if who.zones:
        inside &= frame["zone"].isin(who.zones)
    if who.methods:
        inside &= frame["method"].isin(who.methods)
    for entry, variable in FILTERS.items():
        if wanted := getattr(who, entry):
            inside &= as_words(frame[variable]).isin([str(w) for w in wanted]).fillna(False).astype(bool)
    for variable, wanted in who.own.items():
        inside &= _is_wanted(frame[variable], wanted)
    if who.first_sessions_only:
        inside &= frame["session_number"].eq(1)
    if who.native_skin_only:
        inside &= frame["recipient"].fillna("native").eq("native")
    return inside


def _is_wanted(values: pd.Series, wanted: tuple[str | float, ...]) -> pd.Series:
    """Return which values are among labels, or between two numbers (both included)."""
    if is_number(values):
        return values.between(float(wanted[0]), float(wanted[-1])).fillna(False).astype(bool)
    return as_words(values).isin([str(w) for w in wanted]).fillna(False).astype(bool)


def is_number(values: pd.Series) -> bool:
    """Return whether a variable is a number and no word: yes and no are words."""
    return pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)


def _register_end(records: Records) -> float:
    operated = records.sessions.set_index("session_id")["register_month"]
    seen = records.visits["session_id"].map(operated).astype(float) + records.visits["month"]
    return float(np.nanmax([operated.max(), seen.max() if len(seen) else 0.0]))


def _of_yields(
    plan: Plan, known: Background, rows: pd.DataFrame, reading: Reading, exposure: Exposure
) -> Sample:
    leave_out = plan.strategy(SECOND_SESSION) == "leave out"
    return Sample(with_yields(known, rows, reading, leave_out_replanted=leave_out), True, exposure, rows)


def _of_poor_growth(records: Records, given: Sample, choices: yields.Choices, percent: float) -> Sample:
    """Return the sample whose y are numbers with the mean of poor growth, percent, one a placement read."""
    units = given.units.sort_values("y").drop_duplicates("placement_id").sort_index().reset_index(drop=True)
    units = units.assign(early=np.nan, variance=np.nan, weight=1.0)
    assert given.visits is not None
    read = units.loc[units["y"].notna() & units["reason"].eq(""), "placement_id"]
    try:
        chance = regrowth.poor_growth(records, given.visits, choices, percent).reindex(read)
    except FitError as error:
        return replace(given, units=units, short=str(error).partition(": ")[2])
    own = regrowth.not_drawn(chance)
    told = float(chance.std() / own.std())
    if chance.sum() < FEWEST_POOR:
        few = f"about {chance.sum():.0f} planted zones of poor growth are to be expected among those read"
        return replace(given, units=units, short=f"{few}; {FEWEST_POOR:g} are needed")
    if told < LEAST_TOLD:
        few = f"counts part growth under {percent:g} % from more too little ({told:.2f} of 1"
        return replace(given, units=units, short=f"{few}, {LEAST_TOLD:g} are needed); a lower percent may do")
    of = units["placement_id"].map
    untold = units["reason"].eq("") & of(chance).isna()
    reason = units["reason"].mask(untold, ZONE_TOO_FEW)
    return replace(given, units=units.assign(y=100 * of(own), chance=of(chance), reason=reason))


def _replanted(records: Records) -> set[str]:
    """Return the placements whose zone was planted again by a later session."""
    operated = records.sessions[["session_id", "session_number"]]
    own = records.placements[["placement_id", "patient_id", "session_id", "zone"]].merge(
        operated, on="session_id", how="left", validate="many_to_one"
    )
    last = own.groupby(["patient_id", "zone"])["session_number"].transform("max")
    return set(own.loc[own["session_number"] < last, "placement_id"])


def _of_sessions(
    records: Records, analysis: Analysis, frame: pd.DataFrame, exposure: Exposure, own: Mapping[str, str]
) -> Sample:
    if is_of_placement(exposure.variable, own):
        raise ParameterError(
            f"study plan, analysis {analysis.id}: the exposure belongs to a zone and the outcome to the "
            "session; compare something of the session"
        )
    units = _one_a_session(frame)
    outcome = analysis.outcome
    inside = units["reason"].eq("")
    if outcome.kind == "complication":
        known = followup.complications(records, event=str(outcome.event), by_month=outcome.by_month)
        known = known.set_index("session_id")
        reached = units["session_id"].map(known["reached_month"]) <= followup.register_end(records)
        # Whoever was asked before the month was reached may have had it since.
        y = units["session_id"].map(known["y"]).where(reached)
        due, missing = inside & reached, "complications not asked about"
    elif outcome.kind == "transection":
        out = units["grafts_out"].astype(float)
        y, units = 100 * units["grafts_transected"].astype(float) / out, units.assign(weight=out)
        due, missing = inside, "transected grafts not counted"
    else:
        y = units["session_id"].map(_answers(records, outcome))
        reached = units["register_month"] + outcome.month <= _register_end(records)
        due, missing = inside & (reached | y.notna()), "no answer"
    why = pd.Series(np.where(due, missing, NOT_DUE), index=units.index)
    units = units.assign(
        y=y.astype(float), variance=np.nan, early=np.nan, is_due=due,
        reason=units["reason"].mask(inside & y.isna(), why),
    )  # fmt: skip
    return Sample(units, False, exposure)


def _one_a_session(frame: pd.DataFrame) -> pd.DataFrame:
    inside = frame[frame["reason"].eq("")]
    both = inside.groupby("session_id")["x"].nunique()
    order = frame.assign(last=frame["reason"].ne("")).sort_values("last", kind="stable")
    units = order.drop_duplicates("session_id").sort_index().drop(columns="last").reset_index(drop=True)
    mixed = units["session_id"].isin(set(both[both > 1].index)) & units["reason"].eq("")
    return units.assign(reason=units["reason"].mask(mixed, MIXED_SESSION), unit_id=units["session_id"])


def _answers(records: Records, outcome) -> pd.Series:
    """Return each session's answer nearest to the month asked for."""
    column = "satisfaction_0_10" if outcome.kind == "satisfaction" else "would_choose_again"
    given = records.ratings[records.ratings[column].notna()]
    given = given.assign(far=(given["month"] - outcome.month).abs())
    near = given[given["far"] <= LATE_MONTHS].sort_values(["far", "month"], kind="stable")
    return near.drop_duplicates("session_id").set_index("session_id")[column].astype(float)
