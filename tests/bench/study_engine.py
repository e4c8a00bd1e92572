"""Does the study's engine keep its promises where its assumptions hold, and a little beyond them?

No register and no door: units of invented patients go straight into the declared analysis, so that the truth
is known exactly. Each patient has one to four units in three zones; three in ten patients have both groups.
Outcomes: the group's effect, zone means, a patient's own level (SD 6), a unit's own (SD 8), and counting
errors of known size (SD 3 to 7). Printed with 95 % intervals (Wilson): how often the test rejects without an
effect, how often the interval holds the truth, how often a true effect is found against what the design check
promised, how often *not inferior* is said where the truth is the margin, how often the odd patient that was
planted is named, and how often what the model leaves over is called unlike the simulated. The world
*failures* puts 4 units of 100 at a tenth of their zone's mean; *skewed* gives units exponential errors;
*shares* are answers of yes or no, one a session, that resemble each other within a patient. Seeds were fixed
before any result was seen.

    python tests/bench/study_engine.py --part size --registers 2000 --patients 60
    python tests/bench/study_engine.py --part shape --registers 300 --patients 108
"""

import argparse
import time
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.numerics import proportions
from analytics.study import answer as study_answer
from analytics.study import report as study_report
from analytics.study import rows as study_rows
from analytics.study.design import _simulated, closed_power
from analytics.study.plan import Plan, checked
from analytics.study.robustness import leftover

SEEDS = {"size": 510_000, "margin": 520_000, "power": 530_000, "planted": 540_000, "shares": 550_000}
SEEDS |= {"shape": 560_000}
ZONES, MEANS = np.array(["frontal", "midscalp", "crown"]), np.array([85.0, 82.0, 76.0])
BETWEEN, WITHIN, COUNTING = 6.0, 8.0, (3.0, 7.0)
BOTH_GROUPS, FAILED = 0.3, 0.04
MATTERS, MARGIN = 5.0, 6.0
SHARE, SHARE_MARGIN, PATIENT_SD = 0.2, 10.0, 0.7
N_PROMISES, N_DRAWS = 40, 400
ODD_POINTS = -70.0  # below their own: all units of one patient


def plan_of(kind: str, hypothesis: str) -> Plan:
    """Return the plan of a world."""
    outcome = {"kind": kind, "event": "folliculitis"} if kind == "complication" else {"kind": kind}
    analysis = {
        "id": "a",
        "role": "primary",
        "outcome": outcome,
        "hypothesis": hypothesis,
        "matters": MATTERS,
    }
    if hypothesis != "difference":
        margin = SHARE_MARGIN if kind == "complication" else MARGIN
        analysis |= {"margin": margin, "better": "lower" if kind == "complication" else "higher"}
    return checked(
        {
            "title": "engine", "question": "FUE against FUT", "seed": 1, "population": {"words": "all"},
            "exposure": {"variable": "method", "reference": ["FUT"], "compared": ["FUE"], "reason": "bench"},
            "adjust": [] if kind == "complication" else [{"variable": "zone", "reason": "bench"}],
            "analysis": [analysis],
        }
    )  # fmt: skip


def drawn(
    rng: np.random.Generator, n_patients: int, effect: float, *, failures: bool = False, skewed: bool = False
):
    """Draw the units of so many patients with this effect of the compared group, in points."""
    n_units = rng.integers(1, 5, n_patients)
    patient = np.repeat(np.arange(n_patients), n_units)
    own = np.arange(n_patients) % 2
    x = own[patient]
    both = (rng.random(n_patients) < BOTH_GROUPS)[patient]
    x = np.where(both, rng.integers(0, 2, len(patient)), x)
    zone = rng.integers(0, 3, len(patient))
    counting = rng.uniform(*COUNTING, len(patient))
    y = MEANS[zone] + effect * x
    own = rng.exponential(size=len(patient)) - 1 if skewed else rng.standard_normal(len(patient))
    y = y + BETWEEN * rng.standard_normal(n_patients)[patient] + WITHIN * own
    if failures:
        y = np.where(rng.random(len(patient)) < FAILED, 0.1 * MEANS[zone], y)
    return sample_of(patient, x, y + counting * rng.standard_normal(len(patient)), counting**2, ZONES[zone])


def answers_drawn(rng: np.random.Generator, n_patients: int, points: float):
    """Draw answers of yes or no: a share of SHARE, so many points more in the compared group."""
    n_units = np.where(rng.random(n_patients) < BOTH_GROUPS, 2, 1)
    patient = np.repeat(np.arange(n_patients), n_units)
    x = (np.arange(n_patients) % 2)[patient]
    level = PATIENT_SD * rng.standard_normal(n_patients)[patient]
    spread = np.quantile(
        PATIENT_SD * np.random.default_rng(0).standard_normal(200_001), np.arange(0.005, 1, 0.01)
    )
    cuts = [_cut(SHARE + points / 100 * g, spread) for g in (0, 1)]
    y = rng.random(len(patient)) < 1 / (1 + np.exp(-(np.array(cuts)[x] + level)))
    nothing = np.full(len(patient), np.nan)
    return sample_of(patient, x, y.astype(float), nothing, np.full(len(patient), "frontal"))


def _cut(share: float, spread: np.ndarray) -> float:
    """Return the constant at which the mean over patients is this share."""
    low, high = -10.0, 10.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if (1 / (1 + np.exp(-(middle + spread)))).mean() < share else (low, middle)
    return low


def sample_of(patient, x, y, variance, zone) -> study_rows.Sample:
    """Return units as the study room takes them."""
    unit = [f"u{k:04d}" for k in range(len(y))]
    frame = pd.DataFrame(
        {
            "patient_id": [f"p{k:04d}" for k in patient], "unit_id": unit, "session_id": unit,
            "x": x.astype(float), "y": y, "variance": variance, "zone": zone, "site": "whole",
            "reason": "", "is_due": True,
        }
    )  # fmt: skip
    return study_rows.Sample(frame, True, plan_of("yield_at_maturity", "difference").exposure)


def share(found) -> str:
    """Return a share in percent with its Wilson interval."""
    found = np.asarray(found, dtype=bool)
    at = proportions.proportion(found.sum(), len(found))
    return f"{100 * found.mean():.1f} % ({100 * at.low:.1f} to {100 * at.high:.1f}; n {len(found)})"


def asked(plan: Plan, given: study_rows.Sample) -> study_answer.Answer:
    """Return the declared answer of units."""
    return study_answer.of_sample(given, plan, plan.primary)


def size(n: int, n_patients: int) -> None:
    """Print how often the test rejects without an effect, and the interval holds a true effect."""
    plan = plan_of("yield_at_maturity", "difference")
    for world in (False, True):
        name = "failures" if world else "as assumed"
        for effect in (0.0, MATTERS):
            rng = np.random.default_rng([SEEDS["size"], n_patients, int(world), int(effect)])
            made = [asked(plan, drawn(rng, n_patients, effect, failures=world)) for _ in range(n)]
            # A unit that failed keeps nothing of the effect.
            true = effect * (1 - FAILED if world else 1)
            inside = [low <= true <= high for low, high in (a.effect.limits(0.95) for a in made)]
            bias = np.mean([a.effect.estimate for a in made]) - true
            rejects = share([a.effect.p < 0.05 for a in made])
            print(f"{name}, {n_patients} patients, effect {effect:g}: rejects {rejects}")
            print(f"    interval holds the truth {share(inside)}; mean estimate {bias:+.2f} off", flush=True)


def margin(n: int, n_patients: int) -> None:
    """Print how often *not inferior* is said where the truth is the margin, and how often *equivalent*."""
    for hypothesis, word in (("non-inferiority", "not inferior"), ("equivalence", "equivalent")):
        plan = plan_of("yield_at_maturity", hypothesis)
        rng = np.random.default_rng([SEEDS["margin"], n_patients, len(hypothesis)])
        made = [asked(plan, drawn(rng, n_patients, -MARGIN)) for _ in range(n)]
        wrong = [a.verdict.said == word for a in made]
        print(f"{hypothesis} at the margin, {n_patients} patients: {word} {share(wrong)}", flush=True)


def power(n: int, n_patients: int) -> None:
    """Print how often a true effect, or no difference within a margin, is found beside what was promised."""
    for hypothesis, true in (("difference", MATTERS), ("non-inferiority", 0.0)):
        plan = plan_of("yield_at_maturity", hypothesis)
        rng = np.random.default_rng([SEEDS["power"], n_patients, len(hypothesis)])
        made = [asked(plan, drawn(rng, n_patients, true)) for _ in range(n)]
        found = [a.verdict.said in ("higher", "not inferior") for a in made]
        promised = []
        for k in range(N_PROMISES):
            given = drawn(rng, n_patients, true)
            draws = _simulated(given, plan, np.random.default_rng(k), N_DRAWS)
            simulated = (
                draws.power(MATTERS, plan.alpha)
                if hypothesis == "difference"
                else draws.power_at_margin(MARGIN, plan.tail, both=False)
            )
            promised.append((simulated, closed_power(given, plan, plan.primary)[0]))
        mean = 100 * np.mean(promised, axis=0)
        error = 100 * np.std(promised, axis=0) / len(promised) ** 0.5
        print(f"{hypothesis}, {n_patients} patients: found {share(found)}")
        print(
            f"    promised {mean[0]:.1f} % simulated (Monte Carlo error {error[0]:.1f}), {mean[1]:.1f} % "
            f"closed form ({error[1]:.1f}), over {N_PROMISES} registers",
            flush=True,
        )


def shares(n: int, n_patients: int) -> None:
    """Print size, coverage and the one-sided error at the margin for answers of yes or no."""
    for hypothesis, points in (
        ("difference", 0.0),
        ("difference", SHARE_MARGIN),
        ("non-inferiority", SHARE_MARGIN),
    ):
        plan = plan_of("complication", hypothesis)
        rng = np.random.default_rng([SEEDS["shares"], n_patients, len(hypothesis), int(points)])
        made = [asked(plan, answers_drawn(rng, n_patients, points)) for _ in range(n)]
        named = f"shares, {n_patients} patients, {points:g} points"
        if hypothesis == "non-inferiority":
            wrong = share([a.verdict.said == "not inferior" for a in made])
            print(f"{named}, at the margin: not inferior {wrong}", flush=True)
            continue
        inside = [low <= points <= high for low, high in (a.effect.limits(0.95) for a in made)]
        rejects = share([a.effect.p < 0.05 for a in made])
        print(f"{named}: rejects {rejects}, interval holds {share(inside)}", flush=True)


def planted(n: int, n_patients: int) -> None:
    """Print how often the flag is raised, and the planted patient named, where one patient decides."""
    plan = plan_of("yield_at_maturity", "difference")
    rng = np.random.default_rng([SEEDS["planted"], n_patients])
    decides, flagged, named, without = [], [], [], []
    for _ in range(n):
        given = drawn(rng, n_patients, MATTERS)
        odd = given.units.loc[given.units["x"].eq(1.0), "patient_id"].iloc[0]
        clean = asked(plan, given)
        y = given.units["y"] + ODD_POINTS * given.units["patient_id"].eq(odd)
        spoiled = replace(given, units=given.units.assign(y=y))
        rest = replace(given, units=given.units[given.units["patient_id"].ne(odd)].reset_index(drop=True))
        with_odd = asked(plan, spoiled)
        told = study_report.influence(with_odd, plan)
        decides.append(asked(plan, rest).verdict.said != with_odd.verdict.said)
        flagged.append(not told.checks["hangs_on_no_single_patient"])
        named.append(told.extra["each"].iloc[0]["patient_id"] == odd)
        without.append(not study_report.influence(clean, plan).checks["hangs_on_no_single_patient"])
    own, seen = np.array(decides), np.array(flagged)
    print(f"planted patient, {n_patients} patients: decides in {share(own)}")
    print(f"    flagged where it decides {share(seen[own])}; its Cook's distance the largest {share(named)}")
    print(f"    flagged with nobody planted {share(without)}")


def shape(n: int, n_patients: int) -> None:
    """Print how often what is left over is called unlike the simulated at 5 %, as assumed and otherwise."""
    plan = plan_of("yield_at_maturity", "difference")
    for name, world in (("as assumed", {}), ("failures", {"failures": True}), ("skewed", {"skewed": True})):
        rng = np.random.default_rng([SEEDS["shape"], n_patients, len(name)])
        made = []
        for _ in range(n):
            table = leftover(asked(plan, drawn(rng, n_patients, 0.0, **world)), plan).table()
            made.append(table.loc[table["part"].eq("as simulated"), "p_value"].iloc[0] <= 0.05)
        print(f"{name}, {n_patients} patients: called unlike the simulated {share(made)}", flush=True)


PARTS = {"size": size, "margin": margin, "power": power, "shares": shares, "planted": planted, "shape": shape}


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", choices=PARTS, required=True)
    parser.add_argument("--registers", type=int, default=2_000)
    parser.add_argument("--patients", type=int, default=60)
    chosen = parser.parse_args()
    start = time.process_time()
    PARTS[chosen.part](chosen.registers, chosen.patients)
    print(f"{time.process_time() - start:.0f} s of processor time")


if __name__ == "__main__":
    main()
