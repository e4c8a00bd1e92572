"""How fast is the linear mixed-model engine, beside statsmodels and mixedlm, on one register in one run?

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python tests/bench/mixed_speed.py [patients ...] [--statsmodels
    1000]

Each fit runs in a fresh process. Printed: the best of three wall times (one for statsmodels and for fits
beyond 20,000 patients) and of processor times, ratios to ours, the difference of REML log-likelihoods, and
the peak memory of the process above what it held with the data loaded. Data: patients with 1 to 3
placements of 1 to 8 visits each, 22 fixed effects (a spline of month by zone, age, sex), patient intercept,
placement intercept and slope. The truth is invented.
"""

import argparse
import resource
import subprocess
import sys
import tempfile
import time
import warnings

import numpy as np

N_FIXED = 22
KNOTS = np.array([0.2, 0.5, 0.9, 1.3, 2.1])


def simulate(n_patients, seed=1):
    """Return y, X, patient, placement and Z with rows in random order."""
    rng = np.random.default_rng(seed)
    patient_of = np.repeat(np.arange(n_patients), rng.choice([1, 2, 3], n_patients, p=[0.25, 0.5, 0.25]))
    placements = len(patient_of)
    visits = rng.integers(1, 8, placements) + (rng.random(placements) < 0.25)
    placement = np.repeat(np.arange(placements), visits)
    patient, n = patient_of[placement], len(placement)
    years = (rng.choice([1, 3, 6, 9, 12, 15, 18, 24], n) + rng.normal(0, 0.4, n)) / 12
    zone = np.eye(4)[rng.integers(0, 4, placements)[placement]]
    person = np.column_stack([rng.normal(size=n_patients), rng.random(n_patients) < 0.3])[patient]
    spline = _natural_spline(years)
    x = np.column_stack([zone, *(zone[:, [k]] * spline for k in range(4)), person])
    z = np.column_stack([np.ones(n), years])
    effects = rng.normal(size=(placements, 2)) @ np.array([[5.0, -1.0], [0.0, 3.0]])
    y = 60 + x @ rng.normal(scale=5, size=N_FIXED) + rng.normal(0, 6, n_patients)[patient]
    y += (z * effects[placement]).sum(axis=1) + rng.normal(0, 7, n)
    turned = rng.permutation(n)
    return y[turned], x[turned], patient[turned], placement[turned], z[turned]


def _natural_spline(t):
    """Return the natural cubic spline in its truncated-power form, constant left out (n, 4)."""

    def part(knot):
        return (np.maximum(t - knot, 0) ** 3 - np.maximum(t - KNOTS[-1], 0) ** 3) / (KNOTS[-1] - knot)

    return np.column_stack([t, *(part(k) - part(KNOTS[-2]) for k in KNOTS[:-2])])


def ours(data):
    """Fit with the engine; return a function that fits, and one that reads the log-likelihood."""
    from analytics.numerics import mixed

    y, x, patient, placement, z = data
    levels = [(patient, z[:, :1]), (placement, z)]
    return lambda: mixed.fit(y, x, levels), lambda f: (f.loglik, f"{f.optimum.n_exchanges} passes")


def ours_df(data):
    """Fit with the engine, Satterthwaite's degrees of freedom of all fixed effects included."""
    from analytics.numerics import mixed

    y, x, patient, placement, z = data
    levels = [(patient, z[:, :1]), (placement, z)]

    def run():
        fit = mixed.fit(y, x, levels)
        return fit, fit.beta_df

    return run, lambda f: (f[0].loglik, f"df {f[1].min():.0f} to {f[1].max():.0f}")


def rival_mixedlm(data):
    """Fit with mixedlm."""
    import mixedlm
    import pandas as pd

    y, x, patient, placement, z = data
    frame = pd.DataFrame(x, columns=[f"x{k}" for k in range(N_FIXED)])
    frame = frame.assign(y=y, t=z[:, 1], patient=patient.astype(str), placement=placement.astype(str))
    fixed = " + ".join(f"x{k}" for k in range(N_FIXED))
    formula = f"y ~ 0 + {fixed} + (1 | patient) + (1 + t | placement)"
    return lambda: mixedlm.lmer(formula, frame), lambda f: (
        float(f.logLik().value),
        f"converged {f.converged}",
    )


def rival_statsmodels(data):
    """Fit with statsmodels, whose inner level takes independent intercept and slope only."""
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    y, x, patient, placement, z = data
    order = np.argsort(patient, kind="stable")
    edges = np.flatnonzero(np.diff(patient[order])) + 1
    rows = np.split(order, edges)
    mats, names = [], []
    for column in z.T:
        own = [np.unique(placement[at]) for at in rows]
        mats.append(
            [(placement[at][:, None] == u) * column[at][:, None] for at, u in zip(rows, own, strict=True)]
        )
        names.append([[str(k) for k in u] for u in own])
    spec = VCSpec(["intercept", "slope"], names, mats)
    model = MixedLM(y, x, groups=patient, exog_re=np.ones((len(y), 1)), exog_vc=spec)
    return lambda: model.fit(reml=True), lambda f: (float(f.llf), f"converged {f.converged}")


def ours_independent(data):
    """Fit the model statsmodels can fit."""
    from analytics.numerics import mixed

    y, x, patient, placement, z = data
    levels = [(patient, z[:, :1]), (placement, z, "diagonal")]
    return lambda: mixed.fit(y, x, levels), lambda f: (f.loglik, f"{f.optimum.n_exchanges} passes")


FITS = {
    "ours": ours,
    "ours + df": ours_df,
    "mixedlm": rival_mixedlm,
    "ours, independent": ours_independent,
    "statsmodels": rival_statsmodels,
}


def one(name, file, repeats):
    """Run one kind of fit; print wall seconds, processor seconds, log-likelihood, MB, rows and a note."""
    warnings.simplefilter("ignore")
    with np.load(file) as stored:
        data = [stored[f"arr_{k}"] for k in range(5)]
    run, read = FITS[name](data)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    walls, cpus = [], []
    for _ in range(repeats):
        wall, cpu = time.perf_counter(), time.process_time()
        fit = run()
        walls.append(time.perf_counter() - wall)
        cpus.append(time.process_time() - cpu)
    more = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    loglik, note = read(fit)
    print(min(walls), min(cpus), repr(loglik), more, len(data[0]), note, sep="|")


def table(sizes, statsmodels_up_to):
    """Run every kind at every size and print the table."""
    print(
        f"{'patients':>9} {'rows':>8} {'fit':18} {'wall s':>8} {'cpu s':>8} {'x ours':>7} "
        f"{'loglik - ours':>14} {'MB':>6}"
    )
    for size in sizes:
        with tempfile.TemporaryDirectory() as folder:
            file = f"{folder}/register.npz"
            make = [sys.executable, __file__, "--make", str(size), file]
            subprocess.run(make, check=True)
            base = {}
            for name, against in AGAINST.items():
                small_only = name in ("statsmodels", "ours, independent")
                if size > (statsmodels_up_to if small_only else 20_000 if name == "mixedlm" else size):
                    continue
                repeats = 1 if name == "statsmodels" or size > 20_000 else 3
                command = [sys.executable, __file__, "--one", name, file, str(repeats)]
                done = subprocess.run(command, capture_output=True, text=True, check=True)
                wall, cpu, loglik, memory, rows, note = done.stdout.strip().split("|")
                base[name] = float(cpu), float(loglik)
                ratio, gap = float(cpu) / base[against][0], float(loglik) - base[against][1]
                print(
                    f"{size:9,} {int(rows):8,} {name:18} {float(wall):8.2f} {float(cpu):8.2f} {ratio:7.1f} "
                    f"{gap:14.1e} {float(memory):6.0f}  {note}",
                    flush=True,
                )


# Which of ours each fit is compared with: the one of the same model.
AGAINST = {
    "ours": "ours",
    "ours + df": "ours",
    "mixedlm": "ours",
    "ours, independent": "ours, independent",
    "statsmodels": "ours, independent",
}


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("patients", nargs="*", type=int, default=[300, 1_000, 3_000, 10_000, 100_000])
    parser.add_argument("--statsmodels", type=int, default=1_000, help="largest size statsmodels is run at")
    parser.add_argument("--one", nargs=3, help=argparse.SUPPRESS)
    parser.add_argument("--make", nargs=2, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one:
        one(given.one[0], given.one[1], int(given.one[2]))
    elif given.make:
        np.savez(given.make[1], *simulate(int(given.make[0])))
    else:
        table(given.patients, given.statsmodels)
