"""Are planted effects found, absent ones not claimed, and does the truth lie inside the intervals?

Of what goes with transected grafts, why photographs fail, what a donor loses and how evenly, therapy begun
before or after a session, and whose hairs the gain is; `--of poor` of poor growth as the outcome of a study.
Each register is drawn twice: with every effect planted, and with none; its clinic's native loss is drawn from
the stated prior. Run by hand:

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

from analytics import bench, factors, simulate, study, yields
from analytics.factors import donor_area, therapy
from analytics.records import Records, unchanged
from analytics.study.plan import Plan, checked
from analytics.yields.choices import ANNUAL_LOSS_SD_PCT

FIRST_SEED = 120_000
SIZE = 200
# What is planted: points of grafts, of attendances, hairs a graft, points of density, points of yield.
PLANTED = {"curl": 1.5, "room": 10.0, "lost": 2.0, "uneven": 12.0, "therapy": 20.0}
ROOM_B, FAILS = 0.4, 0.05
FIELDS, PHI = 3, simulate.Truth().phi
AFTER = "begun after it, minus none"
# Poor growth: share of all placements, and what is added with technique B; compared on 140 or so of 200.
POOR, MORE_POOR, POOR_UNDER = 0.06, 0.15, (50.0, 70.0)


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
    begun = frame[frame["begun_after"].eq(1)].drop_duplicates("placement_id")
    hairs = begun.set_index(["session_id", "zone"])["planted_hairs_cm2"]
    hairs = hairs[~hairs.index.duplicated()]
    counts = clinic.measurements
    keys = pd.MultiIndex.from_frame(counts[["session_id", "zone"]])
    more = np.nan_to_num(hairs.reindex(keys).to_numpy(dtype=float)) * points / 100
    grown = counts["month"].ge(6) & counts["region_kind"].eq("planted")
    return replace(
        clinic,
        measurements=counts.assign(
            density_hairs_cm2=counts["density_hairs_cm2"] + np.where(grown, more, 0.0)
        ),
    )


def dealt(clinic: Records, latent: simulate.Latent, more: float, *, seed: int):
    """Return the clinic with a technique dealt to each patient, and true yields; with B more are poor."""
    rng, people = np.random.default_rng([seed, 7]), clinic.patients["patient_id"]
    technique = pd.Series(np.where(rng.random(len(people)) < 0.5, "B", "A"), index=people, dtype="string")
    sessions = clinic.sessions.assign(technique=clinic.sessions["patient_id"].map(technique))
    true = latent.placements.assign(technique=lambda f: f["patient_id"].map(technique))
    fails = true["technique"].eq("B") & (rng.random(len(true)) < more)
    poor = np.minimum(rng.uniform(0, 60, len(true)) / true["plateau_pct"].clip(lower=1.0), 1.0)
    true = true.assign(kept=np.where(fails, poor, 1.0))
    true = true.assign(y=true["kept"] * true["yield_at_maturity_pct"])
    kept = true.groupby(["session_id", "zone"])["kept"].mean()
    counts = clinic.measurements
    of = kept.reindex(pd.MultiIndex.from_frame(counts[["session_id", "zone"]])).fillna(1.0).to_numpy()
    lost = np.where(counts["month"].gt(0), (1 - of) * latent.readings["grown"].to_numpy(), 0.0)
    density = (counts["density_hairs_cm2"] - lost).clip(lower=0.0)
    return replace(clinic, sessions=sessions, measurements=counts.assign(density_hairs_cm2=density)), true


def poor_plan(under: float) -> Plan:
    """Return a plan that compares poor growth between the techniques."""
    of = {"kind": "poor_growth", "percent": under}
    analysis = {"id": "poor", "role": "primary", "outcome": of, "matters": 5.0, "better": "lower"}
    words = {"variable": "technique", "reference": ["A"], "compared": ["B"], "reason": "bench"}
    return checked(
        {
            "title": "poor", "question": "B against A", "seed": 1, "exposure": words, "analysis": [analysis],
            "population": {"words": "first sessions", "first_sessions_only": True},
            "adjust": [{"variable": "zone", "reason": "bench"}],
        }
    )  # fmt: skip


def poor_growth(seed: int, more: float) -> list[dict]:
    """Return the answer of the study on poor growth, and the true difference of all placements drawn."""
    truth = replace(simulate.Truth(), poor_growth=POOR, second_session=0.1)
    tables, latent = simulate.register(SIZE, truth=truth, seed=seed)
    clinic, true = dealt(simulate.as_records(tables), latent, more, seed=seed)
    out = []
    with unchanged(clinic):
        told = {under: study.answers(clinic, poor_plan(under)).table().iloc[0] for under in POOR_UNDER}
    for under, line in told.items():
        shares = true["y"].lt(under).groupby(true["technique"]).mean()
        of = {"question": f"poor growth, under {under:g} %", "seed": seed, "low": line["ci_low"]}
        apart = not line["ci_low"] <= 0 <= line["ci_high"]
        out.append(
            of | {"answered": bool(line["estimate"] == line["estimate"]), "found": apart, "claims": apart,
                    "estimate": line["estimate"], "high": line["ci_high"], "se": line["se"],
                    "truth": 100 * (shares["B"] - shares["A"])}
        )  # fmt: skip
    return out


def one_register(seed: int, effects: dict[str, float]) -> list[dict]:
    """Return one row per question: found, limits, whether any line claims an effect."""
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
    table = table.astype({"found": float, "claims": float})
    of_clinics = table["question"].str.startswith(("planted part", "poor growth"))
    means = table.groupby(["question", "world"])["truth"].transform("mean")
    table["truth"] = table["truth"].mask(of_clinics, means)
    table["inside"] = (table["low"] <= table["truth"]) & (table["truth"] <= table["high"])
    by = table.groupby(["question", "world"])
    told = by[["answered", "found", "claims", "inside"]].mean().round(3)
    return told.assign(n=by.size())


def main() -> None:
    """Draw, or read what was drawn, and print found, claimed and covered by question."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--n", type=int, default=100)
    parser.add_argument(
        "--first", type=int, default=0, help="number of the first register, for a run in parts"
    )
    parser.add_argument("--out", default="", help="file for the rows of this run")
    parser.add_argument("--of", choices=("recorded", "poor"), default="recorded", help="which questions")
    parser.add_argument("--read", nargs="*", default=(), help="files of earlier runs, summed up instead")
    given = parser.parse_args()
    warnings.simplefilter("ignore")
    rows = []
    for i in range(given.first, given.first + (0 if given.read else given.n)):
        for kind, part in (("planted", 1.0), ("absent", 0.0)):
            effects = {name: part * size for name, size in PLANTED.items()}
            seed = FIRST_SEED + i
            found = poor_growth(seed, part * MORE_POOR) if given.of == "poor" else one_register(seed, effects)
            rows += [{"world": kind, **row} for row in found]
        if given.out:
            pd.DataFrame(rows).to_csv(given.out, index=False)
    table = pd.concat([pd.read_csv(f) for f in given.read]) if given.read else pd.DataFrame(rows)
    print(summary(table.reset_index(drop=True)).to_string())


if __name__ == "__main__":
    main()
