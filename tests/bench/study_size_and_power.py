"""Does the study reject too often, find what it promises, and how wrong is a test that forgets the patient?

Registers of invented patients (several placements each, repeated readings, a third to a half not seen at
maturity, the more so the further a result lies from the usual). FUE is compared with FUT, dealt at random.
Without an effect the primary analysis of the study room and a plain t test over all mature readings are made
in the same registers. With a planted effect the share found is held against the power that the design check
promises for the effect that was really there: points planted on the plateau, times what has emerged by
maturity. The promise assumes one effect on every unit, normal outcomes, and that the units seen today are
those that will be analysed. Patients are drawn many at a time and cut into registers, which is faster and
changes nothing: patients are independent. Seeds were fixed before any result was seen.

    python tests/bench/study_size_and_power.py --registers 2000 --patients 240
"""

import argparse
import time
from dataclasses import replace

import numpy as np
from scipy import stats

from analytics import simulate
from analytics.numerics import proportions
from analytics.study import answer as study_answer
from analytics.study import rows as study_rows
from analytics.study.design import _simulated, closed_form
from analytics.study.plan import checked

N_REGISTERS = 2_000
A_DRAW = 80
SEED_NULL, SEED_EFFECT = 77_000, 88_000
EFFECT_POINTS, AT_PATIENTS = 10.0, 60  # smaller in larger registers, so that power stays in its middle
N_PROMISED, N_SIMULATIONS = 100, 200

PLAN = checked(
    {
        "title": "method",
        "question": "FUE against FUT",
        "seed": 1,
        "population": {"words": "all"},
        "exposure": {"variable": "method", "reference": ["FUT"], "compared": ["FUE"], "reason": "bench"},
        "adjust": [{"variable": v, "reason": "bench"} for v in ("zone", "session_number")],
        "analysis": [
            {
                "id": "yield",
                "role": "primary",
                "outcome": {"kind": "yield_at_maturity"},
                "matters": EFFECT_POINTS,
            }
        ],
    }
)


def drawn(seed: int, effect: float, n_patients: int):
    """Draw patients with this effect of FUE on the plateau, in points."""
    truth = replace(
        simulate.Truth(), method={"FUT": 0.0, "FUE": effect, "combined": 0.0}, returns_when_good=0.4
    )
    return simulate.register(n_patients, truth=truth, seed=seed, months=30, entry_months=18)


def at_maturity(effect: float) -> float:
    """Return what an effect on the plateau makes of yield at maturity: same patients, with and without."""
    (tables, given), (_, without) = (drawn(1, e, 5_000) for e in (effect, 0.0))
    method = given.placements["session_id"].map(tables["sessions"].set_index("session_id")["method"])
    gained = given.placements["yield_at_maturity_pct"] - without.placements["yield_at_maturity_pct"]
    return float(gained[method.eq("FUE")].mean())


def samples(seed: int, effect: float, n: int, n_patients: int):
    """Yield samples of registers with this effect of FUE, and all their mature readings."""
    made = 0
    while made < n:
        tables, _ = drawn(seed + made, effect, A_DRAW * n_patients)
        read = simulate.as_records(tables)
        whole = study_rows.sample(read, PLAN, PLAN.primary)
        rows = whole.visits[whole.visits["for_headline"]].reset_index(drop=True)
        number = {
            p: k for k, p in enumerate(read.patients["patient_id"].sample(frac=1, random_state=seed + made))
        }
        own = whole.units["patient_id"].map(number) // n_patients
        own_rows = rows["patient_id"].map(number) // n_patients
        for k in range(min(A_DRAW, n - made)):
            units = whole.units[own.eq(k)].reset_index(drop=True)
            yield replace(whole, units=units, visits=None), rows[own_rows.eq(k)]
        made += A_DRAW


def row_level(rows) -> float:
    """Return the p-value of a plain t test over all mature readings."""
    a, b = (rows.loc[rows["method"].eq(m), "yield_pct"].to_numpy(dtype=float) for m in ("FUE", "FUT"))
    return float(stats.ttest_ind(a, b).pvalue) if min(len(a), len(b)) > 1 else np.nan


def share(found: np.ndarray) -> str:
    """Return a share in percent with its Wilson interval."""
    interval = proportions.proportion(found.sum(), len(found))
    return (
        f"{100 * found.mean():.1f} % ({100 * interval.low:.1f} to {100 * interval.high:.1f}; n {len(found)})"
    )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--registers", type=int, default=N_REGISTERS)
    parser.add_argument("--patients", type=int, default=AT_PATIENTS)
    chosen = parser.parse_args()
    start = time.perf_counter()
    size(chosen.registers, chosen.patients)
    power(max(chosen.registers // 4, 1), chosen.patients)
    print(f"{time.perf_counter() - start:.0f} s")


def size(n: int, n_patients: int) -> None:
    """Print how often the primary analysis and a plain t test reject where there is no effect."""
    answers, plain, seen = [], [], []
    for given, rows in samples(SEED_NULL, 0.0, n, n_patients):
        answers.append(study_answer.of_sample(given, PLAN, PLAN.primary))
        plain.append(row_level(rows))
        seen.append((len(given.due), len(given.analysed), given.analysed["patient_id"].nunique()))
    p = np.array([a.effect.p for a in answers])
    due, used, patients = np.mean(seen, axis=0)
    print(
        f"{n} registers of {n_patients} patients without an effect: {due:.0f} units due, "
        f"{used:.0f} of {patients:.0f} patients analysed"
    )
    print(f"not estimated: {int(np.isnan(p).sum())}")
    print(f"primary rejects at 5 %: {share(p[~np.isnan(p)] < 0.05)}")
    limits = np.array([a.effect.limits(0.95) for a in answers if a.effect.is_known])
    print(f"interval holds 0: {share((limits[:, 0] <= 0) & (limits[:, 1] >= 0))}")
    rowwise = np.array(plain)
    print(f"t test over readings rejects: {share(rowwise[~np.isnan(rowwise)] < 0.05)}", flush=True)


def power(n: int, n_patients: int) -> None:
    """Print how often a planted effect is found, and what the design check promises for it."""
    planted = EFFECT_POINTS * np.sqrt(AT_PATIENTS / n_patients)
    true = at_maturity(planted)
    found, promised, estimates = [], [], []
    for k, (given, _) in enumerate(samples(SEED_EFFECT, planted, n, n_patients)):
        made = study_answer.of_sample(given, PLAN, PLAN.primary)
        found.append(made.effect.p < 0.05)
        estimates.append(made.effect.estimate)
        if k < N_PROMISED:
            draws = _simulated(given, PLAN, np.random.default_rng(k), N_SIMULATIONS)
            by_form = closed_form(given.analysed, given, PLAN, draws, true)
            promised.append((draws.power(true, 0.05), by_form))
    mean, error = 100 * np.mean(promised, axis=0), 100 * np.std(promised, axis=0) / len(promised) ** 0.5
    print(
        f"planted {planted:.2f} points on the plateau, {true:.2f} at maturity: mean answer "
        f"{np.nanmean(estimates):.2f}; found {share(np.array(found))}"
    )
    print(
        f"promised for {true:.2f} points by {len(promised)} design checks: {mean[0]:.1f} % simulated (its "
        f"Monte Carlo error {error[0]:.1f}), {mean[1]:.1f} % closed form ({error[1]:.1f})"
    )


if __name__ == "__main__":
    main()
