"""Are planted effects found, absent ones not claimed, and does the truth lie inside the intervals?

Of what goes with transected grafts, why photographs fail, what a donor loses and how evenly, therapy begun
before or after a session, and whose hairs the gain is; `--of yield` of what goes with yield; `--of poor`,
`--of plateau` of the outcomes of a study that rest on the growth model. Each register is drawn twice: with
every effect planted, and with none; its clinic's native loss is drawn from the stated prior. `--of gaps`:
does a gap in the records cost the headline what is said? `--of later`: do densities after two sessions fall
within their limits? Run by hand:

    nice python tests/bench/further_questions.py --n 100 [--of poor]

Register i has seed FIRST_SEED + i, whatever was looked at before. Prints, by question, how often the planted
effect is found, how often any line claims one that is absent, and how often 95 % limits hold the truth.
"""

import argparse
import os
import warnings
from dataclasses import replace

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

from analytics import bench, factors, planning, regrowth, simulate, study, yields
from analytics.factors import adjusted, donor_area, gaps, persons, second_sessions, therapy
from analytics.planning import later
from analytics.records import Records, unchanged
from analytics.results import LEVEL
from analytics.study.plan import Plan, checked
from analytics.yields.choices import ANNUAL_LOSS_SD_PCT

FIRST_SEED = 120_000
SIZE = 200
# What is planted: points of grafts, of attendances, hairs a graft, points of density, points of yield.
PLANTED = {"curl": 1.5, "room": 10.0, "lost": 2.0, "uneven": 12.0, "therapy": 20.0}
ROOM_B, FAILS = 0.4, 0.05
FIELDS, PHI = 3, simulate.Truth().phi
AFTER = "begun after it, minus none"
# Poor growth: share of all placements, and what is added with technique B; of plateaus, what B keeps.
POOR, MORE_POOR, POOR_UNDER, KEPT = 0.06, 0.15, (50.0, 70.0), 0.93
# Two sessions over a life: patients asked of each register, planned hairs/cm2, years between.
ASKED, PLANNED, YEARS, PLANNED_CV = 12, (30.0, 20.0), 10, 0.06
# Yield: points a graft/cm2 beyond a density, for 10 points more of hairs in singles, of a later session;
# transected grafts: points at each doubling of a surgeon's sessions.
FALLS_FROM, FALL, SINGLES, LATER, DRIFT = 32.0, 2.5, 4.0, 25.0, -1.0
OF_YIELD = 320  # patients: second sessions are few
LACKING = 0.25  # of what is taken away to make a gap


def cut(clinic: Records, points: float, *, seed: int = 4) -> Records:
    """Return the clinic whose wavy hair is transected so many points more."""
    sessions, rng = clinic.sessions, np.random.default_rng(seed)
    curl = sessions["patient_id"].map(clinic.patients.set_index("patient_id")["curl"])
    patient = pd.Series(rng.normal(0, 1, len(clinic.patients)), index=clinic.patients["patient_id"])
    share = 5 + points * curl.eq("wavy").to_numpy(dtype=float) + sessions["patient_id"].map(patient)
    grafts = (sessions["grafts_out"].astype(float) * share.clip(0.5, 90) / 100).round()
    return replace(clinic, sessions=sessions.assign(grafts_transected=grafts.astype("Int64")))


def photographed(clinic: Records, more: float, *, seed: int = 1) -> Records:
    """Return the clinic whose attendances are in room A or B, where so many points more fail."""
    counts, rng = clinic.measurements, np.random.default_rng(seed)
    day, where = pd.factorize(
        counts["patient_id"] + "|" + counts["session_id"] + "|" + counts["month"].astype(str)
    )
    is_b = rng.random(len(where)) < ROOM_B
    fails = rng.random(len(where)) < FAILS + more / 100 * is_b
    room = pd.Series(np.where(is_b, "B", "A")[day], dtype="string")
    reason = pd.Series(np.where(fails, "light", None)[day], dtype="string")
    seen = counts.assign(room=room, standard_conditions=~fails[day], condition_reason=reason)
    return replace(clinic, measurements=seen)


def harvested(clinic: Records, hairs: float, *, uneven: float = 0.0, seed: int = 2) -> Records:
    """Return the clinic whose donors are counted in two regions and lose so many hairs for each graft.

    Regions lose that and a normal deviation of `uneven` points of density; three unmarked fields of 1 cm2.
    """
    rng, n = np.random.default_rng(seed), len(clinic.sessions)
    of = clinic.sessions.merge(clinic.patients, on="patient_id", validate="many_to_one")
    taken = (of["grafts_out"] / of["donor_area_cm2"]).astype(float).where(of["method"].eq("FUE"), 0.0)
    parts = []
    for region in ("D1", "D2"):
        full = of["donor_hairs_cm2"].astype(float) * rng.normal(1, 0.03, n)
        left = full - hairs * taken - full * rng.normal(0, uneven / 100, n)
        for month, density in ((0.0, full), (11.0, left)):
            # Over-dispersed as the register's other counts are, whose spread the error model takes.
            here = rng.gamma(np.maximum(density, 1) * FIELDS / (PHI - 1), PHI - 1)
            counted = rng.poisson(here) / FIELDS
            keys = of[["patient_id", "session_id"]].assign(region_id=region, month=month)
            parts.append(keys.assign(density_hairs_cm2=counted))
    made = pd.concat(parts, ignore_index=True).assign(
        zone="donor", region_kind="donor", count_number=1, roi_area_cm2=1.0, n_fields=FIELDS,
        roi_marked=False, standard_conditions=True, hair_length="short", reader_id="R1", device_class="D1",
    )  # fmt: skip
    counts = clinic.measurements[clinic.measurements["zone"].ne("donor")]
    made = made.reindex(columns=counts.columns).astype(counts.dtypes)
    return replace(clinic, measurements=pd.concat([counts, made], ignore_index=True))


def treated(clinic: Records, points: float) -> Records:
    """Return the clinic where so many points more grow of what was planted before therapy was begun."""
    frame = therapy.with_therapy(bench.units(clinic).frame, clinic)
    return grown(clinic, frame.assign(points=points * frame["begun_after"].eq(1)))


def grown(clinic: Records, frame: pd.DataFrame) -> Records:
    """Return the clinic where `points` more of what was planted grow, by planted zone of `bench.units`."""
    more = frame["planted_hairs_cm2"] * frame["points"] / 100
    more = more.set_axis(pd.MultiIndex.from_frame(frame[["session_id", "zone"]]))
    more = more[~more.index.duplicated()]
    counts = clinic.measurements
    keys = pd.MultiIndex.from_frame(counts[["session_id", "zone"]])
    more = np.nan_to_num(more.reindex(keys).to_numpy(dtype=float))
    is_grown = counts["month"].ge(6) & counts["region_kind"].eq("planted")
    density = (counts["density_hairs_cm2"] + np.where(is_grown, more, 0.0)).clip(lower=0)
    return replace(clinic, measurements=counts.assign(density_hairs_cm2=density))


def of_yield(seed: int, part: float) -> list[dict]:
    """Return a line a question on yield: by density, size of grafts, session, and a surgeon's sessions."""
    level = {"repeat_session": 0.0, "per_fu_above_35": 0.0, "smoker": 0.0, "scar": 0.0}
    truth = replace(simulate.Truth(), **level, per_hour_above_4=0.0, poor_growth=0.06)
    clinic = simulate.as_records(simulate.register(OF_YIELD, truth=truth, seed=seed, months=96)[0])
    rng, placed = np.random.default_rng(seed), clinic.placements
    share = pd.Series(rng.uniform(0.2, 0.8, len(placed)), index=placed["placement_id"])
    ones = (placed["hairs"] * share.to_numpy()).round().astype("Int64")
    sized = replace(clinic, placements=placed.assign(grafts_1=ones))
    frame = bench.units(sized).frame
    later = second_sessions.numbered(frame, sized)["is_later"].eq(1)
    density = (frame["grafts"] / frame["area_cm2"]).astype(float)
    points = {
        "falls beyond a density": -part * FALL * (density - FALLS_FROM).clip(lower=0),
        "single-hair grafts": -part * SINGLES * 10 * (frame["placement_id"].map(share) - 0.5),
        "a later session": -part * LATER * later,
    }
    made = {name: grown(sized, frame.assign(points=own.fillna(0))) for name, own in points.items()}
    people = factors.by_person(drifting(clinic, part * DRIFT, seed))
    asked = (
        ("falls beyond a density", factors.by_density, "falls from", FALLS_FROM),
        (
            "single-hair grafts",
            factors.single_hair_grafts,
            "10 points more of hairs in single-hair grafts",
            -part * SINGLES,
        ),
        ("a later session", factors.second_session, "planted before minus first", -part * LATER),
    )
    out = [_told(name, seed, ask(made[name]), term, true) for name, ask, term, true in asked]
    by = people.table() if people.gap is None else pd.DataFrame(columns=["role"])
    learnt = "transected grafts, for each doubling of sessions"
    surgeons = replace(people, estimates=by[by["role"].eq("surgeon")])
    return [*out, _told("sessions of a surgeon", seed, surgeons, learnt, part * DRIFT)]


def _told(question: str, seed: int, told, term: str, true: float) -> dict:
    rows = told.table()
    rows = rows[rows["term"].eq(term)] if "term" in rows else rows
    if told.gap is not None or rows.empty:
        return {"question": question, "seed": seed, "answered": False}
    one = rows.iloc[0]
    found = one["flag"] in (factors.HIGHER, factors.LOWER, adjusted.FALLS)
    known = {"question": question, "seed": seed, "answered": True, "found": found, "claims": found}
    return {**known, "low": one["ci_low"], "high": one["ci_high"], "truth": true}


def drifting(clinic: Records, points: float, seed: int) -> Records:
    """Return the clinic whose surgeons transect so many points more at each doubling of their sessions."""
    sessions, rng = clinic.sessions, np.random.default_rng(seed)
    doublings = persons.numbered(clinic, "surgeon_id").set_index("session_id")["doublings"]
    patient = pd.Series(rng.normal(0, 1.5, len(clinic.patients)), index=clinic.patients["patient_id"])
    share = 16 + sessions["patient_id"].map(patient) + points * sessions["session_id"].map(doublings)
    share = (share + rng.normal(0, 1.5, len(sessions))).clip(0, 90)
    cut_ = (sessions["grafts_out"].astype(float) * share / 100).round().astype("Int64")
    return replace(clinic, sessions=sessions.assign(grafts_transected=cut_))


def dealt(clinic: Records, latent: simulate.Latent, more: float, *, seed: int, keeps: float = 1.0):
    """Return the clinic with a technique dealt to each patient, and true yields: with B more are poor, or
    all keep only so much of their plateau.
    """
    rng, people = np.random.default_rng([seed, 7]), clinic.patients["patient_id"]
    technique = pd.Series(np.where(rng.random(len(people)) < 0.5, "B", "A"), index=people, dtype="string")
    sessions = clinic.sessions.assign(technique=clinic.sessions["patient_id"].map(technique))
    true = latent.placements.assign(technique=lambda f: f["patient_id"].map(technique))
    fails = true["technique"].eq("B") & (rng.random(len(true)) < more)
    poor = np.minimum(rng.uniform(0, 60, len(true)) / true["plateau_pct"].clip(lower=1.0), 1.0)
    true = true.assign(kept=np.where(fails, poor, 1.0) * np.where(true["technique"].eq("B"), keeps, 1.0))
    true = true.assign(y=true["kept"] * true["yield_at_maturity_pct"])
    kept = true.groupby(["session_id", "zone"])["kept"].mean()
    counts = clinic.measurements
    of = kept.reindex(pd.MultiIndex.from_frame(counts[["session_id", "zone"]])).fillna(1.0).to_numpy()
    lost = np.where(counts["month"].gt(0), (1 - of) * latent.readings["grown"].to_numpy(), 0.0)
    density = (counts["density_hairs_cm2"] - lost).clip(lower=0.0)
    return replace(clinic, sessions=sessions, measurements=counts.assign(density_hairs_cm2=density)), true


def of_techniques(outcome: dict) -> Plan:
    """Return a plan that compares an outcome between the techniques."""
    analysis = {"id": "a", "role": "primary", "outcome": outcome, "matters": 5.0}
    words = {"variable": "technique", "reference": ["A"], "compared": ["B"], "reason": "bench"}
    return checked(
        {
            "title": "bench", "question": "B against A", "seed": 1, "exposure": words, "analysis": [analysis],
            "population": {"words": "first sessions", "first_sessions_only": True},
            "adjust": [{"variable": "zone", "reason": "bench"}],
        }
    )  # fmt: skip


def poor_growth(seed: int, part: float) -> list[dict]:
    """Return the answer of the study on poor growth, and the true difference of all placements drawn."""
    truth = replace(simulate.Truth(), poor_growth=POOR, second_session=0.1)
    tables, latent = simulate.register(SIZE, truth=truth, seed=seed)
    clinic, true = dealt(simulate.as_records(tables), latent, part * MORE_POOR, seed=seed)
    out = []
    with unchanged(clinic):
        for under in POOR_UNDER:
            plan = of_techniques({"kind": "poor_growth", "percent": under})
            line = study.answers(clinic, plan).table().iloc[0]
            shares = 100 * true["y"].lt(under).groupby(true["technique"]).mean()
            out.append(_of_study(f"poor growth, under {under:g} %", seed, line, shares))
    return out


def plateau(seed: int, part: float) -> list[dict]:
    """Return the answer of the study on plateaus, and the true difference of all placements drawn."""
    truth = replace(simulate.Truth(), second_session=0.1)
    tables, latent = simulate.register(SIZE, truth=truth, seed=seed)
    keeps = 1 - part * (1 - KEPT)
    clinic, true = dealt(simulate.as_records(tables), latent, 0.0, seed=seed, keeps=keeps)
    line = study.answers(clinic, of_techniques({"kind": "plateau_yield"})).table().iloc[0]
    means = (true["kept"] * true["plateau_pct"]).groupby(true["technique"]).mean()
    return [_of_study("plateau, a study's outcome", seed, line, means)]


def _of_study(question: str, seed: int, line: pd.Series, true: pd.Series) -> dict:
    apart = not line["ci_low"] <= 0 <= line["ci_high"]
    return {
        "question": question, "seed": seed, "answered": bool(np.isfinite(line["estimate"])), "found": apart,
        "claims": apart, "estimate": line["estimate"], "low": line["ci_low"], "high": line["ci_high"],
        "se": line["se"], "truth": true["B"] - true["A"],
    }  # fmt: skip


def what_gaps_cost(seed: int, _: float) -> list[dict]:
    """Return what each gap is said to cost the headline, and what it has cost: of the same register whole."""
    truth = replace(simulate.Truth(), no_baseline=0.0, not_standard=0.0, long_hair=0.0, planted_counted=1.0)
    whole = simulate.as_records(simulate.register(SIZE, truth=truth, seed=seed)[0])
    rng, counts, places = np.random.default_rng([seed, 9]), whole.measurements, whole.placements
    of_region = counts["patient_id"] + "|" + counts["region_id"]
    lost = of_region.isin(rng.permutation(of_region.unique())[: int(LACKING * of_region.nunique())])
    day = counts["patient_id"] + "|" + counts["month"].astype(str)
    failed = day.isin(rng.permutation(day.unique())[: int(LACKING * day.nunique())]) & counts["month"].gt(0)
    bare = rng.random(len(places)) < LACKING
    unasked = whole.patients["patient_id"].isin(
        rng.permutation(whole.patients["patient_id"])[: int(LACKING * len(whole.patients))]
    )
    silent = whole.therapies["patient_id"].isin(whole.patients.loc[unasked, "patient_id"])
    asked = whole.patients["therapy_asked"].fillna(True).astype("boolean").mask(unasked, False)
    standard = counts["standard_conditions"].mask(failed, False)
    held = {
        "count before the session": {"measurements": counts[~(lost & counts["month"].le(0))]},
        "photograph as the standard asks": {"measurements": counts.assign(standard_conditions=standard)},
        "planted hairs counted in the region": {
            "placements": places.assign(roi_planted_hairs_cm2=places["roi_planted_hairs_cm2"].mask(bare))
        },
        "therapy, or that there was none": {
            "patients": whole.patients.assign(therapy_asked=asked), "therapies": whole.therapies[~silent],
        },
    }  # fmt: skip
    before = gaps._headline(whole, yields.by_visit(whole), LEVEL)
    out = []
    for gap, changed in held.items():
        clinic = replace(whole, **{name: frame.reset_index(drop=True) for name, frame in changed.items()})
        table = factors.missing_records(clinic).table().set_index(["missing", "term"])
        after = gaps._headline(clinic, yields.by_visit(clinic), LEVEL)
        of = "mean" if gap.startswith("therapy") else "half"
        cost = before["mean"] - after["mean"] if of == "mean" else after["half"] - before["half"]
        said = table.loc[(gap, gaps.COST), "estimate"]
        out.append({"question": gap, "seed": seed, "answered": True, "said": said, "cost": cost})
    return out


def two_sessions(seed: int, _: float) -> list[dict]:
    """Return the limits of densities after two sessions, beside densities drawn for the same patients."""
    rate = float(np.clip(np.random.default_rng(seed).normal(4.8, ANNUAL_LOSS_SD_PCT), 0.5, 12))
    truth = replace(simulate.plain(), native_loss_pct=rate, native_loss_sd=1.0)
    tables, latent = simulate.register(60, truth=truth, seed=seed)
    clinic, rng = simulate.as_records(tables), np.random.default_rng([seed, 11])
    plans = [planning.read_drafts([f"frontal {hairs * 30:.0f} on 60 at 2.0"]) for hairs in PLANNED]
    people = latent.patients.set_index("patient_id")
    places = latent.placements[latent.placements["zone"].eq("frontal")].drop_duplicates("patient_id")
    zone, out = truth.zones["frontal"], []
    with unchanged(clinic):
        plateaus = regrowth.fit_plateaus(clinic, fit=regrowth.fit_emergence(clinic))
        now = planning.outlook(clinic, places["patient_id"].iloc[0], ("frontal",), plateaus=plateaus)
        read = latent.readings.assign(zone=clinic.measurements["zone"].to_numpy())
        for place in places.head(ASKED).itertuples():
            own = read[read["patient_id"].eq(place.patient_id) & read["zone"].eq("frontal")].iloc[-1]
            who = people.loc[place.patient_id]
            told = planning.two_sessions(
                clinic, place.patient_id, plans[0], plateaus=plateaus, later=plans[1], years=YEARS
            ).table()  # fmt: skip
            rows = told[told["zone"].eq("frontal")].set_index("term")
            half = zone.half_month * np.exp(who["log_tempo"] + rng.normal(0, truth.log_tempo_sd_placement, 2))
            plateau = zone.plateau_yield + who["yield_shift"] + rng.normal(0, truth.plateau_sd_placement, 2)
            new = plateau * simulate.emerged(12 / half, zone.shape) / 100 * PLANNED
            new = new * (1 + PLANNED_CV * rng.normal(size=2))
            for term, month, both in (
                (later.FIRST, 12, 0), (later.BEFORE, 12 * YEARS, 0), (later.BOTH, 12 * YEARS + 12, 1)
            ):  # fmt: skip
                at = now.session_month + month
                native = own["native"] * (1 - who["loss_pct"] / 100) ** ((at - own["time"]) / 12)
                old = place.planted_hairs_cm2 * place.plateau_pct / 100
                out.append(
                    {"question": f"frontal, {term}", "seed": seed, "answered": True,
                     "low": rows.loc[term, "ci_low"], "high": rows.loc[term, "ci_high"],
                     "truth": native + old + new[0] + both * new[1]}
                )  # fmt: skip
    return out


def one_register(seed: int, part: float) -> list[dict]:
    """Return one row per question: found, limits, whether any line claims an effect."""
    effects = {name: part * size for name, size in PLANTED.items()}
    rate = float(np.clip(np.random.default_rng(seed).normal(4.8, ANNUAL_LOSS_SD_PCT), 0.5, 12))
    truth = replace(simulate.Truth(), native_loss_pct=rate, therapy_share=0.6)
    tables, latent = simulate.register(SIZE, truth=truth, seed=seed)
    clinic = simulate.as_records(tables)
    known = {"seed": seed}
    lost = harvested(clinic, effects["lost"], **known)
    uneven = harvested(clinic, 2.0, uneven=effects["uneven"], **known)
    straight, room_a = "difference from straight", "difference from A"
    asked = (
        ("curl", factors.transection(cut(clinic, effects["curl"], **known)), straight, "wavy"),
        ("room", factors.photographs(photographed(clinic, effects["room"], **known)), room_a, "B"),
        ("lost", factors.donor(lost), donor_area.HAIRS, ""),
        ("uneven", factors.donor(uneven), donor_area.SPREAD, ""),
        ("therapy", factors.therapy_begun(treated(clinic, effects["therapy"])), AFTER, ""),
    )  # fmt: skip
    out = []
    for name, told, term, word in asked:
        rows = told.table()
        row = rows[rows["term"].eq(term)] if "term" in rows else rows
        row = row[row.iloc[:, 0].str.endswith(word)] if word and len(row) else row
        if row.empty:
            out.append({"question": name, "seed": seed, "answered": False})
            continue
        flags = {factors.HIGHER, factors.LOWER, donor_area.IS_UNEVEN}
        mine = rows[rows["term"].eq(term)] if name in ("lost", "uneven") else rows
        one = row.iloc[0]
        out.append(
            {"question": name, "seed": seed, "answered": True, "found": one["flag"] in flags,
             "claims": bool(mine["flag"].isin(flags).any()), "low": one["ci_low"], "high": one["ci_high"],
             "truth": effects[name]}
        )  # fmt: skip
    return out + whose(clinic, latent, seed)


def whose(clinic: Records, latent: simulate.Latent, seed: int) -> list[dict]:
    """Return the limits of the parts of hairline and frontal, beside what is true of the counts read."""
    told = factors.whose_hairs(clinic).table().set_index(["zone", "term"])
    key = ["patient_id", "session_id", "region_id", "month"]
    rows = yields.one_reading(yields.by_visit(clinic))
    true = latent.readings.drop_duplicates(key)
    first = true[true["month"].le(0)].sort_values("month").drop_duplicates(key[:3], keep="last")
    at = rows[[*key, "zone"]].merge(true, on=key, validate="one_to_one")
    at = at.merge(first[[*key[:3], "native"]], on=key[:3], suffixes=("", "_before"))
    out = []
    for zone in ("hairline", "frontal"):
        own, of = at[at["zone"].eq(zone)], told.loc[zone]
        changed = float((own["native"] - own["native_before"]).mean())
        native = changed - of.loc["therapy", "estimate"]
        for term, value in (("planted", float(own["grown"].mean())), ("native", native)):
            one = {"low": of.loc[term, "ci_low"], "high": of.loc[term, "ci_high"], "truth": value}
            out.append({"question": f"{term} part, {zone}", "seed": seed, "answered": True, **one})
    return out


def summary(table: pd.DataFrame) -> pd.DataFrame:
    """Return shares answered, found, claimed and inside by question and world.

    The truth of a planted part, and of poor growth, is that of clinics like these: the mean over registers.
    """
    table = table.reindex(columns=[*table, *({"found", "claims"} - set(table))])
    table = table.astype({"found": float, "claims": float})
    of_clinics = table["question"].str.startswith(("planted part", "poor growth", "plateau"))
    means = table.groupby(["question", "world"])["truth"].transform("mean")
    table["truth"] = table["truth"].mask(of_clinics, means)
    inside = (table["low"] <= table["truth"]) & (table["truth"] <= table["high"])
    table["inside"] = inside.astype(float).where(table["low"].notna())  # a density is told where one is found
    by = table.groupby(["question", "world"])
    told = by[["answered", "found", "claims", "inside"]].mean().round(3)
    return told.assign(n=by.size())


def of_costs(table: pd.DataFrame) -> pd.DataFrame:
    """Return what gaps were said to cost and what they cost, means over registers, and how often less."""
    held = table.assign(cost_at_most_said=table["cost"].abs() <= table["said"].abs() + 0.05)
    return held.groupby("question")[["said", "cost", "cost_at_most_said"]].mean().round(3)


PARTS = {
    "recorded": one_register, "yield": of_yield, "poor": poor_growth, "plateau": plateau,
    "gaps": what_gaps_cost, "later": two_sessions,
}  # fmt: skip
ONE_WORLD = ("gaps", "later")


def main() -> None:
    """Draw, or read what was drawn, and print found, claimed and covered by question."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--n", type=int, default=100)
    parser.add_argument(
        "--first", type=int, default=0, help="number of the first register, for a run in parts"
    )
    parser.add_argument("--out", default="", help="file for the rows of this run")
    parser.add_argument("--of", choices=PARTS, default="recorded", help="which questions")
    parser.add_argument("--read", nargs="*", default=(), help="files of earlier runs, summed up instead")
    given = parser.parse_args()
    warnings.simplefilter("ignore")
    rows = []
    for i in range(given.first, given.first + (0 if given.read else given.n)):
        for kind, part in (("planted", 1.0), ("absent", 0.0)):
            if part or given.of not in ONE_WORLD:
                rows += [{"world": kind, **row} for row in PARTS[given.of](FIRST_SEED + i, part)]
        if given.out:
            pd.DataFrame(rows).to_csv(given.out, index=False)
    table = pd.concat([pd.read_csv(f) for f in given.read]) if given.read else pd.DataFrame(rows)
    told = of_costs if "cost" in table else summary
    print(told(table.reset_index(drop=True)).to_string())


if __name__ == "__main__":
    main()
