"""Who comes to the invented clinic and what is done: people, sessions, placements.

Frames leave here with the dictionary's columns and, beside them, the latent ones the counts are drawn
from. `person` and `operation` are row numbers; `time` is months since the register began (the whole
register month less one, and the part of the month that no table shows).
"""

import numpy as np
import pandas as pd
from scipy import special

from analytics.simulate.truth import Truth

CLASSES = ("II", "III", "III vertex", "IV", "V", "VI")
CLASS_SHARE = (0.06, 0.22, 0.22, 0.25, 0.18, 0.07)
LUDWIG = ("I", "II", "III")
# Chance that a first session plants a zone, by class: hairline, frontal, temples, midscalp, crown (invented).
FIRST_ZONES = np.array(
    [
        [1.0, 0.35, 0.50, 0.0, 0.00],
        [1.0, 0.60, 0.45, 0.0, 0.00],
        [1.0, 0.45, 0.25, 0.0, 0.70],
        [1.0, 0.85, 0.20, 0.35, 0.25],
        [1.0, 1.00, 0.10, 0.50, 0.30],
        [1.0, 1.00, 0.05, 0.60, 0.10],
    ]
)
FIRST_ZONES_WOMEN = np.array([0.1, 1.0, 0.15, 0.7, 0.15])
LARGEST_SESSION = 4400  # grafts; published means up to 2,973, ranges to 4,516
SUMMER = (6, 7, 8)


def people(n: int, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Return the patients with their latent yield, tempo and native loss."""
    width = max(4, len(str(n)))
    female = rng.random(n) < 0.15
    step = rng.choice(len(CLASSES), size=n, p=CLASS_SHARE)
    fu = np.clip(rng.normal(76, 9, n), 48, 108)
    per_fu = np.clip(rng.normal(2.05, 0.15, n), 1.6, 2.6)
    calibre = np.clip(rng.normal(75, 9, n), 48, 108)
    by_caliper = rng.random(n) < 0.08
    return pd.DataFrame(
        {
            "patient_id": [f"{i:0{width}d}" for i in range(1, n + 1)],
            "sex": np.where(female, "female", "male"),
            "age_years": np.clip(rng.normal(39, 9.5, n), 20, 74).round(),
            "loss_scale": np.where(female, "Ludwig", "Norwood-Hamilton"),
            "loss_class": np.where(female, np.array(LUDWIG)[step // 2], np.array(CLASSES)[step]),
            # a caliper reads about 0.7 of an optical calibre on the same hairs (77 against 109
            # micrometres, published)
            "hair_calibre_um": np.where(by_caliper, np.maximum(0.71 * calibre, 45), calibre).round(),
            "calibre_method": np.where(by_caliper, "caliper", "optical"),
            "curl": rng.choice(["straight", "wavy", "curly", "coily"], size=n, p=[0.52, 0.32, 0.12, 0.04]),
            "contrast": rng.choice(["low", "medium", "high"], size=n, p=[0.25, 0.35, 0.4]),
            "smoker": rng.random(n) < 0.18,
            "diabetes": rng.random(n) < 0.05,
            "scarring": rng.random(n) < 0.03,
            "donor_area_cm2": np.clip(rng.normal(176, 20, n), 110, 250).round(),
            "donor_fu_cm2": fu.round(),
            "donor_hairs_cm2": (fu * per_fu).round(),
            "grafts_elsewhere": np.where(rng.random(n) < 0.04, rng.integers(8, 20, n) * 100, 0),
            "female": female,
            "step": step,
            "calibre": calibre,
            "true_yield_shift": (shift := rng.normal(0, truth.plateau_sd_patient, n)),
            "true_log_tempo": _with_yield(rng.normal(0, truth.log_tempo_sd_patient, n), shift, truth),
            "true_loss_pct": np.clip(rng.normal(truth.native_loss_pct, truth.native_loss_sd, n), 0.0, 20.0),
        }
    )


def _with_yield(tempo: np.ndarray, shift: np.ndarray, truth: Truth) -> np.ndarray:
    """Return log tempos of patients, correlated with their yield as the truth says."""
    r = truth.plateau_with_tempo
    standard = shift / max(truth.plateau_sd_patient, 1e-9)
    return np.sqrt(1 - r**2) * tempo + r * truth.log_tempo_sd_patient * standard if r else tempo


def operations(patients: pd.DataFrame, truth: Truth, rng: np.random.Generator, *, months: int, entry: int):
    """Return the sessions before their grafts are counted: who, when, by whom, how."""
    n = len(patients)
    first = np.sort(np.minimum(rng.uniform(0.0, entry, n), entry - 0.1))
    second = np.round(first + rng.uniform(*truth.gap_months, n), 1)
    returns = (rng.random(n) < truth.second_session) & (second < months - 0.5)
    person = np.concatenate([np.arange(n), np.flatnonzero(returns)])
    time = np.concatenate([np.round(first, 1), second[returns]])
    table = pd.DataFrame(
        {"person": person, "time": time, "session_number": (np.arange(len(person)) >= n) + 1}
    )
    table = table.sort_values(["person", "session_number"], ignore_index=True)
    table["register_month"] = np.floor(table["time"]).astype(int) + 1
    start = table.groupby("person")["time"].transform("min")
    table["patient_month"] = (table["time"] - start).round(1)
    ids = patients["patient_id"].to_numpy()
    table["patient_id"] = ids[table["person"]]
    table["session_id"] = table["patient_id"] + "-" + table["session_number"].astype(str)
    return _how_it_was_done(table, truth, rng)


def _how_it_was_done(table: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    n = len(table)
    surgeon = rng.choice(list(truth.surgeons), size=n, p=list(truth.surgeons.values()))
    few = min(truth.low_volume_cases, n)
    surgeon[rng.choice(n, size=few, replace=False)] = "S4"
    draw = rng.random(n)
    method = np.where(draw < truth.fue, "FUE", "FUT").astype(object)
    method[draw > 1.0 - truth.combined] = "combined"
    changed = table["register_month"].to_numpy() >= truth.medium_changes_in_month
    technician = rng.random(n) < 0.25
    fue = method == "FUE"
    return table.assign(
        method=method,
        surgeon_id=surgeon,
        team_id=rng.choice(["T1", "T2"], size=n, p=[0.6, 0.4]),
        harvested_by=np.where(technician & fue, "H1", surgeon),
        donor_source="scalp",
        holding_medium=np.where(changed, list(truth.medium)[-1], next(iter(truth.medium))),
        holding_temperature_c=rng.choice([4.0, 20.0], size=n, p=[0.7, 0.3]),
        harvest_technique=np.where(
            fue, np.where(rng.random(n) < 0.8, "motor punch", "manual punch"), "strip"
        ),
        placing_technique=rng.choice(["forceps", "implanter"], size=n, p=[0.6, 0.4]),
    ).assign(harvest_technique=lambda t: t["harvest_technique"].where(t["method"] != "combined", "mixed"))


def placings(
    patients: pd.DataFrame, sessions: pd.DataFrame, truth: Truth, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the placements with their grafts and their latent plateau, half month and planted density."""
    table = _where(patients, sessions, truth, rng)
    return _how_many(table, truth, rng)


def _where(patients, sessions, truth, rng) -> pd.DataFrame:
    names = list(truth.zones)
    zones = [z for z in ("hairline", "frontal", "temples", "midscalp", "crown") if z in names]
    chance = FIRST_ZONES[patients["step"]][:, : len(zones)]
    chance = np.where(patients["female"].to_numpy()[:, None], FIRST_ZONES_WOMEN[: len(zones)], chance)
    planted_first = rng.random(chance.shape) < chance
    again = sessions["session_number"].to_numpy() == 2
    person = sessions["person"].to_numpy()
    before = planted_first[person]
    # A second session goes behind the first, crown above all; some plant a zone of the first again.
    new = ~before & (rng.random(before.shape) < np.array([0.05, 0.15, 0.10, 0.45, 0.80]))
    replant = rng.random(len(person)) < truth.replants
    old = before & (rng.random(before.shape) < np.array([0.35, 0.65, 0.2, 0.65, 0.75])) & replant[:, None]
    later = new | old
    later[:, -1] |= ~later.any(axis=1)
    chosen = np.where(again[:, None], later, before)
    operation, zone = np.nonzero(chosen)
    table = pd.DataFrame({"operation": operation, "zone": np.array(zones)[zone], "site": "whole"})
    if truth.split_scalp > 0:
        table = _split(table, sessions, patients, truth, rng)
    table["person"] = person[table["operation"]]
    table["session_id"] = sessions["session_id"].to_numpy()[table["operation"]]
    side = np.where(table["site"] == "whole", "", "-" + table["site"])
    table["placement_id"] = table["session_id"] + "-" + table["zone"] + side
    return table


def _split(table, sessions, patients, truth, rng) -> pd.DataFrame:
    """Plant some first mid-scalps in two halves."""
    takes_part = rng.random(len(patients)) < truth.split_scalp
    first = sessions["session_number"].to_numpy()[table["operation"]] == 1
    only = sessions.groupby("person")["session_number"].transform("max").to_numpy()[table["operation"]] == 1
    here = (table["zone"] == "midscalp") & first & only
    here &= takes_part[sessions["person"].to_numpy()[table["operation"]]]
    halves = [table[here].assign(site=side) for side in ("left", "right")]
    return pd.concat([table[~here], *halves]).sort_values(["operation", "zone", "site"], ignore_index=True)


def _how_many(table: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Draw areas, planted density and graft sizes, and keep a session under the largest size."""
    n = len(table)
    zone = table["zone"].to_numpy()

    def by_zone(what):
        values = {z: getattr(zt, what) for z, zt in truth.zones.items()}
        return np.array([values[z] for z in zone], dtype=float)

    half = np.where(table["site"] == "whole", 1.0, 0.5)
    area = np.maximum(rng.normal(by_zone("area_cm2"), by_zone("area_sd")), 3.5) * half
    fu = np.clip(rng.normal(by_zone("planted_fu_cm2"), by_zone("planted_fu_sd")), 16.0, 55.0)
    total = np.bincount(table["operation"], weights=area * fu)
    area *= np.minimum(1.0, LARGEST_SESSION / total)[table["operation"]]
    grafts = np.round(area * fu).astype(int)
    shares = np.array([truth.zones[z].sizes for z in zone]) * rng.gamma(40.0, 1 / 40.0, (n, 4))
    sizes = rng.multinomial(grafts, shares / shares.sum(axis=1, keepdims=True))
    hairs = sizes @ np.array([1, 2, 3, 4])
    spread = _lognormal(rng, truth.region_spread_cv, n) * (1.0 + truth.region_denser_pct / 100.0)
    planted = hairs / area * spread
    counted = planted * (1.0 + truth.planted_count_cv * rng.standard_normal(n))
    is_counted = rng.random(n) < truth.planted_counted
    sized = {f"grafts_{k}": sizes[:, k - 1] for k in (1, 2, 3, 4)}
    return table.assign(
        area_cm2=np.round(area * _lognormal(rng, truth.area_trace_cv, n), 1),
        **sized,
        grafts=grafts,
        roi_planted_hairs_cm2=np.where(is_counted, np.maximum(counted, 1.0).round(1), np.nan),
        recipient="native",
        true_planted_hairs_cm2=planted,
        true_fu_cm2=fu,
    )


def balance(
    sessions: pd.DataFrame, placements: pd.DataFrame, truth: Truth, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the sessions with attempts and grafts: planted = out - discarded, exactly."""
    n = len(sessions)
    planted = np.bincount(placements["operation"], weights=placements["grafts"], minlength=n).astype(int)
    share = rng.beta(4.0, 120.0, n)
    discarded = rng.poisson(planted * share / (1 - share))
    out = planted + discarded
    quarter = (sessions["register_month"].to_numpy() - 1) // 3 + 1
    drift = np.maximum(quarter - truth.drift_from_quarter + 1, 0) * truth.drift_logit_a_quarter
    drift = np.where(sessions["surgeon_id"] == truth.drifting_surgeon, drift, 0.0)
    base = sessions["method"].map(truth.transected).to_numpy(dtype=float)
    logit = np.log(base / (1 - base)) + drift + rng.normal(0, truth.transected_logit_sd, n)
    chance = 1 / (1 + np.exp(-logit))
    empty = rng.beta(60.0, 60.0 * truth.graft_from_attempt / (1 - truth.graft_from_attempt), n)
    attempts = np.maximum(out, np.round(out / (1 - empty)))
    minutes = np.clip(rng.normal(50 + planted / 16, 35), 35, 480).round()
    sessions = sessions.assign(
        attempts=np.where(sessions["method"] == "FUE", attempts, np.nan),
        grafts_out=out,
        grafts_transected=rng.binomial(out, chance),
        grafts_discarded=discarded,
        out_of_body_min=minutes,
        true_transected_pct=100 * chance,
    )
    return _dissected(sessions, chance, truth, rng) if truth.follicles_counted else sessions


def _dissected(
    sessions: pd.DataFrame, chance: np.ndarray, truth: Truth, rng: np.random.Generator
) -> pd.DataFrame:
    """Class the follicles of up to 200 grafts of two; a cut graft has one of its two cut (invented)."""
    seen = 2 * np.minimum(sessions["grafts_out"].to_numpy(), 200)
    cut = rng.binomial(seen, chance / 2)
    partly = rng.binomial(cut, truth.partly_cut)
    is_classed = rng.random(len(sessions)) < truth.follicles_counted
    return sessions.assign(
        follicles_whole=np.where(is_classed, seen - cut, np.nan),
        follicles_partly_cut=np.where(is_classed, partly, np.nan),
        follicles_cut_through=np.where(is_classed, cut - partly, np.nan),
    )


def outcomes(
    placements: pd.DataFrame,
    sessions: pd.DataFrame,
    patients: pd.DataFrame,
    truth: Truth,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the placements with what decides their growth: plateau in percent, half month."""
    of = sessions.iloc[placements["operation"]].reset_index(drop=True)
    who = patients.iloc[placements["person"]].reset_index(drop=True)
    zone = placements["zone"].to_numpy()
    n = len(placements)
    medium = of["holding_medium"].to_numpy(dtype=object)
    if truth.split_scalp > 0:
        media = list(truth.medium)
        halves = placements["site"].map({"left": media[0], "right": media[-1]})
        medium = np.where(halves.notna(), halves, medium)
    shift = (
        truth.per_fu_above_35 * np.maximum(placements["true_fu_cm2"] - 35.0, 0.0)
        + truth.per_hour_above_4 * np.maximum(of["out_of_body_min"] / 60.0 - 4.0, 0.0)
        + truth.repeat_session * (of["session_number"] > 1)
        + truth.smoker * who["smoker"]
        + truth.scar * who["scarring"]
        + pd.Series(medium).map(truth.medium)
        + of["surgeon_id"].map(truth.surgeon)
        + of["method"].map(truth.method)
    ).to_numpy(dtype=float)
    mean = np.array([truth.zones[z].plateau_yield for z in zone])
    of_placement = rng.normal(0, truth.plateau_sd_placement, n)
    tempo = who["true_log_tempo"].to_numpy() + rng.normal(0, truth.log_tempo_sd_placement, n)
    half = np.array([truth.zones[z].half_month for z in zone]) * np.exp(tempo)
    plateau = plateaus(mean + shift, who["true_yield_shift"].to_numpy() + of_placement, truth)
    if truth.poor_growth > 0:
        is_poor = rng.random(n) < truth.poor_growth
        plateau = np.where(is_poor, rng.uniform(0.0, truth.poor_growth_below, n), plateau)
    plateau[rng.choice(n, size=min(truth.failed_growth, n), replace=False)] = truth.failed_plateau
    return placements.assign(
        holding_medium=medium,
        planted_by=np.where(rng.random(n) < 0.3, "A1", of["surgeon_id"]),
        recipient=np.where(who["scarring"], "scar", "native"),
        true_plateau_pct=plateau,
        true_log_tempo=tempo,
        true_half_month=half,
        true_shape=np.array([truth.zones[z].shape for z in zone]),
    )


def plateaus(mean: np.ndarray, apart: np.ndarray, truth: Truth) -> np.ndarray:
    """Return true plateaus of given means, so many points apart from them where the law is normal.

    Under the beta law the same place in the distribution, with the same mean and SD, on (0, top).
    """
    if truth.plateau_law == "normal":
        return mean + apart
    sd = np.hypot(truth.plateau_sd_patient, truth.plateau_sd_placement)
    middle = np.clip(mean / truth.plateau_top, 0.05, 0.98)
    both = np.maximum(middle * (1 - middle) / (sd / truth.plateau_top) ** 2 - 1, 1.0)
    place = np.clip(special.ndtr(apart / sd), 1e-9, 1 - 1e-9)
    return truth.plateau_top * special.betaincinv(middle * both, (1 - middle) * both, place)


def _lognormal(rng: np.random.Generator, cv: float, n: int) -> np.ndarray:
    """Draw factors of mean 1 and the given CV."""
    sigma2 = np.log1p(cv**2)
    return np.exp(rng.normal(-sigma2 / 2, np.sqrt(sigma2), n)) if cv > 0 else np.ones(n)
