"""What contradicts itself in a session: its order and clocks, the chain from attempts to grafts planted."""

import pandas as pd

from analytics.records.rules.patients import HAIRS_PER_GRAFT
from analytics.records.rules.rule import NEAR, Register, Rule, at_all, is_word

# published up to 32.1 %: Avram & Watkins 2014, Dermatol Surg (from memory); margin assumed
MOST_TRANSECTED_PCT = 60.0
# published means 4.9 to 6.6 %: Shin et al. 2014, J Am Acad Dermatol; margin assumed
USUAL_TRANSECTED_PCT = 12.0
GRAFTS_TOLERANCE_PCT = 2.0  # assumed: counts at the table and in the operation note differ by so much
NUMBERED = ["patient_id", "session_number"]
FOLLICLES = ["follicles_whole", "follicles_partly_cut", "follicles_cut_through"]


def _number_twice(sessions: pd.DataFrame) -> pd.Series:
    return sessions[NUMBERED].duplicated() & _is_placed(sessions)


def _is_placed(sessions: pd.DataFrame) -> pd.Series:
    """Return which sessions say whose they are, their number and their month."""
    return sessions[[*NUMBERED, "register_month"]].notna().all(axis=1)


def _in_order(register: Register) -> pd.DataFrame:
    """Return each patient's sessions by their numbers, one for each number.

    A table out of order is told of at the row as it stands in the file, so the index is kept.
    """
    sessions = register.tables["sessions"]
    return sessions[_is_placed(sessions) & ~_number_twice(sessions)].sort_values(NUMBERED)


def _months_since_the_last(register: Register) -> pd.Series:
    return register.once(_in_order).groupby("patient_id")["register_month"].diff()


def _out_of_order(register: Register) -> pd.Series:
    return at_all(register.once(_months_since_the_last) < 0, register.tables["sessions"])


def _same_month(register: Register) -> pd.Series:
    return at_all(register.once(_months_since_the_last) == 0, register.tables["sessions"])


def _gap(register: Register) -> pd.Series:
    ordered = register.once(_in_order)
    step = ordered.groupby("patient_id")["session_number"].diff().fillna(ordered["session_number"])
    return at_all(step > 1, register.tables["sessions"])


def _with_stated_month(register: Register) -> pd.DataFrame:
    """Return sessions in order, `stated` where patient_month was handed in with all it is held against."""
    sessions = register.tables["sessions"]
    stated = register.given["sessions"]["patient_month"].notna() & _is_placed(sessions)
    return sessions.assign(stated=stated).sort_values(NUMBERED)


def _falls(ordered: pd.DataFrame) -> pd.Series:
    return ordered["stated"] & (ordered.groupby("patient_id")["patient_month"].diff() < 0)


def _patient_month_order(register: Register) -> pd.Series:
    ordered = register.once(_with_stated_month)
    first = ordered["stated"] & ordered["session_number"].eq(1) & ordered["patient_month"].ne(0)
    return at_all(first | _falls(ordered), register.tables["sessions"])


def _patient_month_register(register: Register) -> pd.Series:
    ordered = register.once(_with_stated_month)
    of_patient = ordered.groupby("patient_id")
    between = of_patient["register_month"].diff() - of_patient["patient_month"].diff()
    apart = ordered["stated"] & (between.abs() > 1 + NEAR) & ~_falls(ordered)
    return at_all(apart, register.tables["sessions"])


def _some_follicles(register: Register) -> pd.Series:
    is_counted = register.tables["sessions"][FOLLICLES].notna()
    return is_counted.any(axis=1) & ~is_counted.all(axis=1)


def _too_many_follicles(register: Register) -> pd.Series:
    sessions = register.tables["sessions"]
    return sessions[FOLLICLES].sum(axis=1) > HAIRS_PER_GRAFT[1] * sessions["grafts_out"]


def _transected_over_out(register: Register) -> pd.Series:
    sessions = register.tables["sessions"]
    return sessions["grafts_transected"] > sessions["grafts_out"]


def _transected_beyond(register: Register, most_pct: float) -> pd.Series:
    sessions = register.tables["sessions"]
    share = 100 * sessions["grafts_transected"] / sessions["grafts_out"]
    return (share > most_pct) & ~_transected_over_out(register)


def _unusual_share(register: Register) -> pd.Series:
    beyond = _transected_beyond(register, MOST_TRANSECTED_PCT)
    return _transected_beyond(register, USUAL_TRANSECTED_PCT) & ~beyond


def _is_method(register: Register, method: str) -> pd.Series:
    return is_word(register.tables["sessions"]["method"], method)


def _fewer_attempts(register: Register) -> pd.Series:
    sessions = register.tables["sessions"]
    return _is_method(register, "FUE") & (sessions["attempts"] < sessions["grafts_out"])


def _against_method(register: Register) -> pd.Series:
    technique = register.tables["sessions"]["harvest_technique"]
    strip_by_punch = _is_method(register, "FUT") & technique.str.contains("punch").fillna(False)
    return strip_by_punch | (_is_method(register, "FUE") & is_word(technique, "strip"))


def _planted_apart(register: Register) -> tuple[pd.Series, pd.Series]:
    """Return by how many grafts a session differs from its zones, and which number that is far.

    Only sessions whose zones were all read are compared.
    """
    sessions, placements = register.tables["sessions"], register.tables["placements"]
    unread = placements.loc[placements["grafts"].isna(), "session_id"]
    held = sessions["session_id"].map(placements.groupby("session_id")["grafts"].sum())
    planted = sessions["grafts_out"] - sessions["grafts_discarded"]
    alone = ~sessions["session_id"].duplicated(keep=False)
    comparable = held.notna() & planted.ge(0) & ~sessions["session_id"].isin(unread) & alone
    return (held - planted).abs().where(comparable), GRAFTS_TOLERANCE_PCT / 100 * planted


def _planted_sum(register: Register) -> pd.Series:
    apart, far = register.once(_planted_apart)
    return apart > far


def _planted_sum_near(register: Register) -> pd.Series:
    apart, far = register.once(_planted_apart)
    return (apart > 0) & ~(apart > far)


def _without_placement(register: Register) -> pd.Series:
    ids = register.tables["sessions"]["session_id"]
    return ids.notna() & ~ids.isin(register.tables["placements"]["session_id"].dropna())


RULES = (
    Rule(
        "session_number_twice",
        "sessions.session_number",
        lambda r: _number_twice(r.tables["sessions"]),
        "session has the number of another session of its patient",
        "sessions have the number of another session of their patient",
        "session_number counts 1, 2, 3 within a patient",
        "mend the number",
    ),
    Rule(
        "session_order",
        "sessions.register_month",
        _out_of_order,
        "session comes earlier than the one numbered before it",
        "sessions come earlier than the one numbered before them",
        "register_month does not fall as session_number rises",
        "mend session_number or register_month",
    ),
    Rule(
        "session_gap",
        "sessions.session_number",
        _gap,
        "session follows a number that is missing",
        "sessions follow a number that is missing",
        "session_number counts 1, 2, 3 within a patient",
        "add the missing session; where it was elsewhere, know that its late growth cannot be told apart",
        "warning",
    ),
    Rule(
        "same_month",
        "sessions.register_month",
        _same_month,
        "session shares its month with another of its patient",
        "sessions share their month with another of their patient",
        "one operation over two days is one session",
        "join the two, or leave them if they were two operations",
        "warning",
    ),
    Rule(
        "patient_month_order",
        "sessions.patient_month",
        _patient_month_order,
        "session has a patient_month that does not follow the session before it",
        "sessions have a patient_month that does not follow the session before them",
        "patient_month is 0 for session 1 and rises with session_number",
        "mend patient_month",
    ),
    Rule(
        "patient_month_register",
        "sessions.patient_month",
        _patient_month_register,
        "session has a patient_month that register_month contradicts",
        "sessions have a patient_month that register_month contradicts",
        "both clocks agree within one month",
        "mend patient_month or register_month",
    ),
    Rule(
        "follicles_in_part",
        "sessions.follicles_whole",
        _some_follicles,
        "session has only some of its three counts of follicles",
        "sessions have only some of their three counts of follicles",
        "follicles_whole, follicles_partly_cut and follicles_cut_through are given together; 0 is a count",
        "fill in all three; until then no share of follicles is given for it",
        "warning",
    ),
    Rule(
        "follicles_over_grafts",
        "sessions.follicles_whole",
        _too_many_follicles,
        "session has more follicles classed than its grafts can hold",
        "sessions have more follicles classed than their grafts can hold",
        f"a graft out holds at most {HAIRS_PER_GRAFT[1]:g} follicles",
        "mend the three counts or grafts_out",
    ),
    Rule(
        "transected_over_out",
        "sessions.grafts_transected",
        _transected_over_out,
        "session has more grafts transected than taken out",
        "sessions have more grafts transected than taken out",
        "grafts_transected lies within grafts_out",
        "mend the two counts",
    ),
    Rule(
        "transected_share",
        "sessions.grafts_transected",
        lambda r: _transected_beyond(r, MOST_TRANSECTED_PCT),
        "session has an impossible share transected",
        "sessions have an impossible share transected",
        f"grafts_transected is at most {MOST_TRANSECTED_PCT:g} % of grafts_out",
        "look whether follicles or hairs were counted instead of grafts",
    ),
    Rule(
        "unusual_transected_share",
        "sessions.grafts_transected",
        _unusual_share,
        "session has an unusual share transected",
        "sessions have an unusual share transected",
        f"usual is up to {USUAL_TRANSECTED_PCT:g} % of grafts_out",
        "look at the count again",
        "warning",
    ),
    Rule(
        "discarded_over_out",
        "sessions.grafts_discarded",
        lambda r: r.tables["sessions"]["grafts_discarded"] > r.tables["sessions"]["grafts_out"],
        "session has more grafts discarded than taken out",
        "sessions have more grafts discarded than taken out",
        "planted is grafts_out less grafts_discarded",
        "mend the two counts",
    ),
    Rule(
        "attempts_under_out",
        "sessions.attempts",
        _fewer_attempts,
        "session has fewer attempts than grafts",
        "sessions have fewer attempts than grafts",
        "in FUE attempts are at least grafts_out",
        "mend the two counts",
    ),
    Rule(
        "fue_without_attempts",
        "sessions.attempts",
        lambda r: _is_method(r, "FUE") & r.tables["sessions"]["attempts"].isna(),
        "FUE session has no attempts",
        "FUE sessions have no attempts",
        "donor use of FUE is counted in attempts",
        "fill in attempts; grafts_out stands in for them until then",
        "warning",
        needs=("sessions.attempts",),
    ),
    Rule(
        "strip_with_attempts",
        "sessions.attempts",
        lambda r: _is_method(r, "FUT") & r.tables["sessions"]["attempts"].notna(),
        "strip session has attempts",
        "strip sessions have attempts",
        "attempts are punches, and a strip has none",
        "empty the cell, or write the method as combined",
        "warning",
    ),
    Rule(
        "technique_against_method",
        "sessions.harvest_technique",
        _against_method,
        "session has a harvest_technique that its method excludes",
        "sessions have a harvest_technique that their method excludes",
        "FUT takes a strip, FUE uses a punch",
        "mend method or harvest_technique",
    ),
    Rule(
        "planted_sum",
        "sessions.grafts_out",
        _planted_sum,
        "session planted another number of grafts than its zones hold",
        "sessions planted another number of grafts than their zones hold",
        "grafts_out less grafts_discarded is the sum of grafts over its placements",
        "mend the counts of the session or of its placements",
    ),
    Rule(
        "planted_sum_near",
        "sessions.grafts_out",
        _planted_sum_near,
        "session planted a few grafts more or less than its zones hold",
        "sessions planted a few grafts more or less than their zones hold",
        "grafts_out less grafts_discarded is the sum of grafts over its placements",
        "mend the counts; placements are used as they are",
        "warning",
    ),
    Rule(
        "session_without_placement",
        "sessions.session_id",
        _without_placement,
        "session has no placement",
        "sessions have no placement",
        "what a session planted stands in placements, a row a zone",
        "add the rows",
        "warning",
        needs=("placements.session_id",),
    ),
)
