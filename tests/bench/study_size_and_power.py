"""Does the study reject too often, find what it promises, and how wrong is a test that forgets the patient?

Registers of invented patients (several placements each, repeated readings, a third to a half not seen at
maturity, the more so the further a result lies from the usual). FUE is compared with FUT, dealt at random.
Without an effect the primary analysis of the study room and a plain t test over all mature readings are made
in the same registers; with a planted effect, the share found is held against the power that the design check
promises. Patients are drawn many at a time and cut into registers, which is faster and changes nothing:
patients are independent. Seeds were fixed before any result was seen.

    python tests/bench/study_size_and_power.py [registers]
"""

import sys
import time
from dataclasses import replace

import numpy as np
from scipy import stats

from analytics import study_answer, study_design, study_rows, yields
from analytics.numerics import proportions
from analytics.records import simulate
from analytics.study_plan import checked

N_REGISTERS = 2_000
N_PATIENTS = 60
A_DRAW = 80
SEED_NULL, SEED_EFFECT = 77_000, 88_000
EFFECT_POINTS = 10.0
N_PROMISED, N_SIMULATIONS = 40, 100

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


def samples(seed: int, effect: float, n: int):
    """Yield samples of registers of N_PATIENTS with this effect of FUE, and all their mature readings."""
    truth = replace(
        simulate.Truth(), method={"FUT": 0.0, "FUE": effect, "combined": 0.0}, returns_when_good=0.4
    )
    made = 0
    while made < n:
        tables, _ = simulate.register(
            A_DRAW * N_PATIENTS, truth=truth, seed=seed + made, months=30, entry_months=18
        )
        read = simulate.as_records(tables)
        whole = study_rows.sample(read, PLAN, PLAN.primary)
        rows = yields.usable(whole.visits, "headline")
        number = {
            p: k for k, p in enumerate(read.patients["patient_id"].sample(frac=1, random_state=seed + made))
        }
        own = whole.units["patient_id"].map(number) // N_PATIENTS
        own_rows = rows["patient_id"].map(number) // N_PATIENTS
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
    n = int(sys.argv[1]) if len(sys.argv) > 1 else N_REGISTERS
    start = time.perf_counter()
    answers, plain, seen = [], [], []
    for given, rows in samples(SEED_NULL, 0.0, n):
        answers.append(study_answer.of_sample(given, PLAN, PLAN.primary))
        plain.append(row_level(rows))
        seen.append((len(given.due), len(given.analysed), given.analysed["patient_id"].nunique()))
    p = np.array([a.effect.p for a in answers])
    due, used, patients = np.mean(seen, axis=0)
    print(
        f"{n} registers of {N_PATIENTS} patients without an effect: {due:.0f} units due, "
        f"{used:.0f} of {patients:.0f} patients analysed"
    )
    print(f"not estimated: {int(np.isnan(p).sum())}")
    print(f"primary rejects at 5 %: {share(p[~np.isnan(p)] < 0.05)}")
    covered = np.array(
        [a.effect.limits(0.95)[0] <= 0 <= a.effect.limits(0.95)[1] for a in answers if a.effect.is_known]
    )
    print(f"interval holds 0: {share(covered)}")
    rowwise = np.array(plain)
    print(f"t test over readings rejects: {share(rowwise[~np.isnan(rowwise)] < 0.05)}")

    n_effect = max(n // 4, 1)
    found, promised, estimates = [], [], []
    for k, (given, _) in enumerate(samples(SEED_EFFECT, EFFECT_POINTS, n_effect)):
        made = study_answer.of_sample(given, PLAN, PLAN.primary)
        found.append(made.effect.p < 0.05)
        estimates.append(made.effect.estimate)
        if k < N_PROMISED:
            drawn = study_design._simulated(given, PLAN, np.random.default_rng(k), N_SIMULATIONS)
            promised.append(
                (
                    drawn.power(EFFECT_POINTS, 0.05),
                    study_design.closed_form(given.analysed, given, PLAN, drawn, EFFECT_POINTS),
                )
            )
    by_simulation, by_form = 100 * np.mean(promised, axis=0)
    print(
        f"planted {EFFECT_POINTS:g} points on the plateau: mean answer "
        f"{np.nanmean(estimates):.2f}; found {share(np.array(found))}"
    )
    print(
        f"promised by the design check: {by_simulation:.1f} % simulated, {by_form:.1f} % closed form "
        f"({N_PROMISED} registers)"
    )
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
