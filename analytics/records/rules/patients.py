"""What contradicts itself in a patient: the class and its scale, calibre, donor zone, sessions."""

import pandas as pd

from analytics.dictionary import SCALES
from analytics.records.rules.first_counts import NAME
from analytics.records.rules.rule import Register, Rule, is_word, outside

# Limits over several columns, each with its basis; the dictionary has those of one column.
# published: Guo et al. 2017, Plast Aesthet Res 4:150-4; a margin assumed
HAIRS_PER_GRAFT = (1.0, 4.5)
# published: the same; Bernstein & Wolfeld 2016, Dermatol Surg 42:710-14
USUAL_DONOR_HAIRS_PER_FU = (1.6, 2.8)
LIFETIME_GRAFTS = 15000  # published ceiling about 6,000: Umar 2016, Aesthet Surg J 36:1101-10; margin assumed


def calibre_without_method(table: str) -> Rule:
    """Return the rule that a calibre says how it was measured."""
    return Rule(
        "calibre_without_method",
        f"{table}.calibre_method",
        lambda r: r.tables[table]["hair_calibre_um"].notna() & r.tables[table]["calibre_method"].isna(),
        "calibre has no method",
        "calibres have no method",
        "calibres are compared only within one method",
        "fill in calibre_method",
        "warning",
    )


def hairs_per_fu(where: str, hairs: str, units: str) -> Rule:
    """Return the rule that two densities of one place, in hairs and in follicular units, go together."""
    table = where.partition(".")[0]
    return Rule(
        "hairs_per_fu",
        where,
        lambda r: _is_impossible(r.tables[table][hairs], r.tables[table][units]),
        "row has an impossible number of hairs a follicular unit",
        "rows have an impossible number of hairs a follicular unit",
        f"hairs over units is {HAIRS_PER_GRAFT[0]:g} to {HAIRS_PER_GRAFT[1]:g}",
        "look whether the two densities were swapped or one is of another unit",
    )


def _is_impossible(hairs: pd.Series, units: pd.Series) -> pd.Series:
    """Return where hairs a unit are out of limits; both may be 0, one alone may not."""
    ratio = (hairs / units.where(units > 0)).where(hairs > 0)
    return outside(ratio, HAIRS_PER_GRAFT) | (units.eq(0) & (hairs > 0)) | ((units > 0) & hairs.eq(0))


def _class_not_of_scale(register: Register) -> pd.Series:
    patients = register.tables["patients"]
    wrong = register.given["patients"]["loss_scale"].notna() & patients["loss_class"].notna()
    for scale, classes in SCALES.items():
        wrong &= ~(patients["loss_scale"].eq(scale) & patients["loss_class"].isin(classes)).fillna(False)
    return wrong


def _class_not_of_assumed_scale(register: Register) -> pd.Series:
    patients = register.tables["patients"]
    stated = register.given["patients"]["loss_scale"].notna()
    return patients["sex"].eq("female") & patients["loss_scale"].ne("Ludwig") & ~stated


def _unusual_hairs_per_fu(register: Register) -> pd.Series:
    hairs, units = (register.tables["patients"][c] for c in ("donor_hairs_cm2", "donor_fu_cm2"))
    return outside(hairs / units, USUAL_DONOR_HAIRS_PER_FU) & ~_is_impossible(hairs, units)


def _without_session(register: Register) -> pd.Series:
    ids = register.tables["patients"]["patient_id"]
    there = [register.tables["sessions"]["patient_id"]]
    there += [register.tables[NAME]["patient_id"]] if NAME in register.tables else []
    return ids.notna() & ~ids.isin(pd.concat(there).dropna())


def _donor_session_unknown(register: Register) -> pd.Series:
    patients, sessions = register.tables["patients"], register.tables["sessions"]
    last = patients["patient_id"].map(sessions.groupby("patient_id")["session_number"].max())
    return patients["donor_measured_before_session"] > last + 1


def _grafts_taken_here(register: Register) -> pd.Series:
    """Return the grafts taken from each patient's scalp in this register."""
    sessions = register.tables["sessions"]
    taken = sessions[is_word(sessions["donor_source"], "scalp")].groupby("patient_id")["grafts_out"].sum()
    return register.tables["patients"]["patient_id"].map(taken).astype(float).fillna(0)


def _lifetime_exceeded(register: Register) -> pd.Series:
    elsewhere = register.tables["patients"]["grafts_elsewhere"].astype(float)
    return register.once(_grafts_taken_here) + elsewhere > LIFETIME_GRAFTS


def _donor_overdrawn(register: Register) -> pd.Series:
    patients = register.tables["patients"]
    held = patients["donor_area_cm2"] * patients["donor_fu_cm2"]
    first = patients["donor_measured_before_session"].eq(1).fillna(False)
    return (register.once(_grafts_taken_here) > held) & first & ~_lifetime_exceeded(register)


RULES = (
    Rule(
        "class_not_of_scale",
        "patients.loss_class",
        _class_not_of_scale,
        "class is not of the stated scale",
        "classes are not of the stated scale",
        "Norwood-Hamilton has I to VII, Ludwig I to III",
        "mend loss_class or loss_scale",
    ),
    Rule(
        "class_not_of_assumed_scale",
        "patients.loss_class",
        _class_not_of_assumed_scale,
        "class is not on the scale for women and was read as Norwood-Hamilton",
        "classes are not on the scale for women and were read as Norwood-Hamilton",
        "without loss_scale women are read on the Ludwig scale (I to III)",
        "state loss_scale for each patient",
        "warning",
    ),
    calibre_without_method("patients"),
    hairs_per_fu("patients.donor_hairs_cm2", "donor_hairs_cm2", "donor_fu_cm2"),
    Rule(
        "unusual_hairs_per_fu",
        "patients.donor_hairs_cm2",
        _unusual_hairs_per_fu,
        "donor zone has an unusual number of hairs a follicular unit",
        "donor zones have an unusual number of hairs a follicular unit",
        f"usual is {USUAL_DONOR_HAIRS_PER_FU[0]:g} to {USUAL_DONOR_HAIRS_PER_FU[1]:g}",
        "look at the two densities again",
        "warning",
    ),
    Rule(
        "patient_without_session",
        "patients.patient_id",
        _without_session,
        "patient has no session",
        "patients have no session",
        "a patient of this register was operated on, or counted before any session",
        "add the session, or the count of the consultation, or take the patient away",
        "warning",
        needs=("sessions.patient_id",),
    ),
    Rule(
        "donor_session_unknown",
        "patients.donor_measured_before_session",
        _donor_session_unknown,
        "donor zone was measured before a session that is not here",
        "donor zones were measured before a session that is not here",
        "donor_measured_before_session is the number of a session of the patient",
        "mend the number",
        "warning",
        needs=("sessions.session_number",),
    ),
    Rule(
        "lifetime_exceeded",
        "patients.grafts_elsewhere",
        _lifetime_exceeded,
        "patient gave more grafts than any scalp can",
        "patients gave more grafts than any scalp can",
        f"at most {LIFETIME_GRAFTS} grafts in a life",
        "look at grafts_out and grafts_elsewhere",
    ),
    Rule(
        "donor_overdrawn",
        "patients.donor_area_cm2",
        _donor_overdrawn,
        "patient gave more grafts than the donor zone was measured to hold",
        "patients gave more grafts than the donor zone was measured to hold",
        "grafts from the scalp are at most donor_area_cm2 x donor_fu_cm2",
        "look at area, density and grafts",
        "warning",
    ),
)
