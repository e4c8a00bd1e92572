"""Check patients, sessions and placements for what contradicts itself."""

import pandas as pd

from analytics.dictionary import (
    GRAFTS_TOLERANCE_PCT,
    HAIRS_PER_GRAFT,
    LIFETIME_GRAFTS,
    MOST_TRANSECTED_PCT,
    PLANTED_GRAFTS_CM2,
    ROI_OVER_ZONE,
    SCALES,
    USUAL_DONOR_HAIRS_PER_FU,
    USUAL_PLANTED_GRAFTS_CM2,
    USUAL_TRANSECTED_PCT,
)
from analytics.errors import Problem
from analytics.records.derive import SIZES, counted
from analytics.records.rules.sentences import found

Frames = dict[str, pd.DataFrame]
NEAR = 1e-9


def check(frames: Frames, given: Frames) -> list[Problem]:
    """Return the problems of patients, sessions and placements.

    `frames` have their defaults filled in, `given` are as handed in.
    """
    patients, sessions, placements = frames["patients"], frames["sessions"], frames["placements"]
    return [
        *_patients(patients, given["patients"], sessions),
        *_donor(patients, sessions),
        *_numbers(sessions),
        *_clocks(sessions, given["sessions"]),
        *_chain(sessions),
        *_planted_sum(sessions, placements),
        *_sizes(placements, given["placements"]),
        *_densities(placements),
        *_sides(placements, sessions),
    ]


def _patients(patients: pd.DataFrame, given: pd.DataFrame, sessions: pd.DataFrame) -> list[Problem]:
    stated = given["loss_scale"].notna()
    wrong = stated & patients["loss_class"].notna()
    for scale, classes in SCALES.items():
        wrong &= ~(patients["loss_scale"].eq(scale) & patients["loss_class"].isin(classes)).fillna(False)
    by_class = patients["sex"].eq("female") & patients["loss_scale"].ne("Ludwig") & ~stated
    per_fu = patients["donor_hairs_cm2"] / patients["donor_fu_cm2"]
    impossible = outside(per_fu, HAIRS_PER_GRAFT)
    calibre = patients["hair_calibre_um"].notna() & patients["calibre_method"].isna()
    alone = patients["patient_id"].notna() & ~patients["patient_id"].isin(sessions["patient_id"].dropna())
    numbers = sessions.groupby("patient_id")["session_number"].max()
    last = patients["patient_id"].map(numbers)
    unusual = outside(per_fu, USUAL_DONOR_HAIRS_PER_FU) & ~impossible
    return [
        *found(patients, wrong, "patients.loss_class", "class_not_of_scale"),
        *found(patients, by_class, "patients.loss_class", "class_not_of_assumed_scale"),
        *found(patients, calibre, "patients.calibre_method", "calibre_without_method"),
        *found(patients, impossible, "patients.donor_hairs_cm2", "hairs_per_fu"),
        *found(patients, unusual, "patients.donor_hairs_cm2", "unusual_hairs_per_fu"),
        *found(patients, alone, "patients.patient_id", "patient_without_session"),
        *found(
            patients,
            patients["donor_measured_before_session"] > last + 1,
            "patients.donor_measured_before_session",
            "donor_session_unknown",
        ),
    ]


def outside(values: pd.Series, limits_: tuple[float, float]) -> pd.Series:
    """Return where values lie outside limits; a missing value does not."""
    return (values < limits_[0] - NEAR) | (values > limits_[1] + NEAR)


def _donor(patients: pd.DataFrame, sessions: pd.DataFrame) -> list[Problem]:
    scalp = sessions[sessions["donor_source"].eq("scalp").fillna(False)]
    here = patients["patient_id"].map(scalp.groupby("patient_id")["grafts_out"].sum()).astype(float).fillna(0)
    taken = here + patients["grafts_elsewhere"].astype(float)
    held = patients["donor_area_cm2"] * patients["donor_fu_cm2"]
    first = patients["donor_measured_before_session"].eq(1).fillna(False)
    beyond = taken > LIFETIME_GRAFTS
    return [
        *found(patients, beyond, "patients.grafts_elsewhere", "lifetime_exceeded"),
        *found(patients, (here > held) & first & ~beyond, "patients.donor_area_cm2", "donor_overdrawn"),
    ]


def _numbers(sessions: pd.DataFrame) -> list[Problem]:
    """Check that sessions count 1, 2, 3 within a patient, in the order of their months."""
    key = ["patient_id", "session_number"]
    known = sessions[[*key, "register_month"]].notna().all(axis=1)
    twice = sessions[key].duplicated() & known
    ordered = sessions[known & ~twice].sort_values(key)
    of_patient = ordered.groupby("patient_id")
    gap = of_patient["session_number"].diff().fillna(ordered["session_number"]) > 1
    step = of_patient["register_month"].diff()
    # A table out of order is told of at the row as it stands in the file.
    early, same = step < 0, step == 0
    return [
        *found(sessions, twice, "sessions.session_number", "session_number_twice"),
        *found(
            sessions,
            early.reindex(sessions.index, fill_value=False),
            "sessions.register_month",
            "session_order",
        ),
        *found(
            sessions, gap.reindex(sessions.index, fill_value=False), "sessions.session_number", "session_gap"
        ),
        *found(
            sessions, same.reindex(sessions.index, fill_value=False), "sessions.register_month", "same_month"
        ),
    ]


def _clocks(sessions: pd.DataFrame, given: pd.DataFrame) -> list[Problem]:
    """Check a patient_month that was handed in against the order and the month of the register."""
    stated = given["patient_month"].notna() & sessions[
        ["patient_id", "session_number", "register_month"]
    ].notna().all(axis=1)
    ordered = sessions.assign(stated=stated).sort_values(["patient_id", "session_number"])
    of_patient = ordered.groupby("patient_id")
    first = ordered["stated"] & ordered["session_number"].eq(1) & ordered["patient_month"].ne(0)
    falls = ordered["stated"] & (of_patient["patient_month"].diff() < 0)
    between = of_patient["register_month"].diff() - of_patient["patient_month"].diff()
    apart = ordered["stated"] & (between.abs() > 1 + NEAR) & ~falls
    return [
        *found(
            sessions,
            (first | falls).reindex(sessions.index, fill_value=False),
            "sessions.patient_month",
            "patient_month_order",
        ),
        *found(
            sessions,
            apart.reindex(sessions.index, fill_value=False),
            "sessions.patient_month",
            "patient_month_register",
        ),
    ]


def _chain(sessions: pd.DataFrame) -> list[Problem]:
    """Check the chain from attempts to grafts planted."""
    out, method = sessions["grafts_out"], sessions["method"]
    over = sessions["grafts_transected"] > out
    share = 100 * sessions["grafts_transected"] / out
    impossible = (share > MOST_TRANSECTED_PCT) & ~over
    unusual = (share > USUAL_TRANSECTED_PCT) & ~impossible & ~over
    is_fue, is_strip = method.eq("FUE").fillna(False), method.eq("FUT").fillna(False)
    technique = sessions["harvest_technique"]
    punch = technique.str.contains("punch").fillna(False)
    excluded = (is_strip & punch) | (is_fue & technique.eq("strip").fillna(False))
    classed = sessions[["follicles_whole", "follicles_partly_cut", "follicles_cut_through"]]
    some, all_three = classed.notna().any(axis=1), classed.notna().all(axis=1)
    too_many = classed.sum(axis=1) > HAIRS_PER_GRAFT[1] * out
    return [
        *found(sessions, some & ~all_three, "sessions.follicles_whole", "follicles_in_part"),
        *found(sessions, too_many, "sessions.follicles_whole", "follicles_over_grafts"),
        *found(sessions, over, "sessions.grafts_transected", "transected_over_out"),
        *found(sessions, impossible, "sessions.grafts_transected", "transected_share"),
        *found(sessions, unusual, "sessions.grafts_transected", "unusual_transected_share"),
        *found(
            sessions, sessions["grafts_discarded"] > out, "sessions.grafts_discarded", "discarded_over_out"
        ),
        *found(sessions, is_fue & (sessions["attempts"] < out), "sessions.attempts", "attempts_under_out"),
        *found(sessions, is_fue & sessions["attempts"].isna(), "sessions.attempts", "fue_without_attempts"),
        *found(sessions, is_strip & sessions["attempts"].notna(), "sessions.attempts", "strip_with_attempts"),
        *found(sessions, excluded, "sessions.harvest_technique", "technique_against_method"),
    ]


def _planted_sum(sessions: pd.DataFrame, placements: pd.DataFrame) -> list[Problem]:
    """Check that a session planted what its zones hold, where all of them were read."""
    unread = placements.loc[placements["grafts"].isna(), "session_id"]
    held = sessions["session_id"].map(placements.groupby("session_id")["grafts"].sum())
    planted = sessions["grafts_out"] - sessions["grafts_discarded"]
    alone = ~sessions["session_id"].duplicated(keep=False)
    known = held.notna() & planted.ge(0) & ~sessions["session_id"].isin(unread) & alone
    apart = (held - planted).abs()
    far = known & (apart > GRAFTS_TOLERANCE_PCT / 100 * planted)
    near = known & (apart > 0) & ~far
    none = sessions["session_id"].notna() & ~sessions["session_id"].isin(placements["session_id"].dropna())
    return [
        *found(sessions, far, "sessions.grafts_out", "planted_sum"),
        *found(sessions, near, "sessions.grafts_out", "planted_sum_near"),
        *found(sessions, none, "sessions.session_id", "session_without_placement"),
    ]


def _sizes(placements: pd.DataFrame, given: pd.DataFrame) -> list[Problem]:
    """Check grafts by size against grafts and hairs."""
    sizes = given[[f"grafts_{n}" for n in SIZES]]
    grafts, hairs = counted(given)
    some = sizes.notna().any(axis=1)
    more = given["grafts_4"].fillna(0)
    contradict = some & (given["hairs"] < hairs - NEAR) | (given["hairs"] > hairs + more + NEAR)
    per_graft = placements["hairs"] / placements["grafts"]
    without = placements["grafts"].isna() | placements["hairs"].isna()
    return [
        *found(placements, without & ~some, "placements.hairs", "no_hairs"),
        *found(placements, some & sizes.isna().any(axis=1), "placements.grafts_1", "size_empty"),
        *found(
            placements,
            some & given["grafts"].ne(grafts) & given["grafts"].notna(),
            "placements.grafts",
            "grafts_contradict",
        ),
        *found(placements, contradict, "placements.hairs", "hairs_contradict"),
        *found(placements, outside(per_graft, HAIRS_PER_GRAFT), "placements.hairs", "hairs_per_graft"),
    ]


def _densities(placements: pd.DataFrame) -> list[Problem]:
    density = placements["grafts"] / placements["area_cm2"]
    impossible = outside(density, PLANTED_GRAFTS_CM2)
    unusual = outside(density, USUAL_PLANTED_GRAFTS_CM2) & ~impossible
    ratio = placements["roi_planted_hairs_cm2"] * placements["area_cm2"] / placements["hairs"]
    unlike = outside(ratio, (1 / ROI_OVER_ZONE, ROI_OVER_ZONE))
    return [
        *found(placements, impossible, "placements.area_cm2", "planted_density"),
        *found(placements, unusual, "placements.area_cm2", "unusual_planted_density"),
        *found(placements, unlike, "placements.roi_planted_hairs_cm2", "roi_against_zone"),
    ]


def _sides(placements: pd.DataFrame, sessions: pd.DataFrame) -> list[Problem]:
    key = ["session_id", "zone"]
    known = placements[key].notna().all(axis=1)
    twice = placements[[*key, "site"]].duplicated() & known
    whole = placements["site"].eq("whole")
    mixed = whole & ~twice & known & (~whole).groupby([placements[k] for k in key]).transform("any")
    method = placements["session_id"].map(
        sessions.drop_duplicates("session_id").set_index("session_id")["method"]
    )
    against = method.isin(["FUT", "FUE"]) & placements["method"].notna() & placements["method"].ne(method)
    return [
        *found(placements, twice, "placements.zone", "zone_twice"),
        *found(placements, mixed, "placements.site", "whole_and_side"),
        *found(placements, against, "placements.method", "method_against_session"),
    ]
