"""What is true of the simulator's placements: what no clinic knows, for the tests and benches alone."""

import numpy as np

from analytics.simulate import Latent, Truth, emerged
from analytics.simulate.clinic import plateaus


def true_yields(latent: Latent, months) -> np.ndarray:
    """Return the true yield of every placement (j, m) at months, percent of planted hairs."""
    months = np.atleast_1d(np.asarray(months, dtype=float))
    placed, truth = latent.placements, latent.truth
    shape = placed["zone"].map({z: t.shape for z, t in truth.zones.items()}).to_numpy(dtype=float)
    ratio = months / placed["half_month"].to_numpy()[:, None]
    return placed["plateau_pct"].to_numpy()[:, None] * emerged(ratio, shape[:, None], curve=truth.curve)


def drawn_placements(
    truth: Truth, zone: str, *, n: int = 100_000, seed: int = 1
) -> tuple[np.ndarray, np.ndarray]:
    """Return true plateau (percent) and half month of placements of a zone, (n,) each.

    No covariate has an effect; failures of a stated number are not among them. A true share past a milestone
    is a mean over these.
    """
    rng = np.random.default_rng(seed)
    of = truth.zones[zone]
    z = rng.standard_normal((4, n))
    apart = truth.plateau_sd_patient * z[0] + truth.plateau_sd_placement * z[1]
    plateau = plateaus(np.full(n, of.plateau_yield), apart, truth)
    is_poor = rng.random(n) < truth.poor_growth
    plateau = np.where(is_poor, rng.uniform(0, truth.poor_growth_below, n), plateau)
    r = truth.plateau_with_tempo
    tempo = truth.log_tempo_sd_patient * (np.sqrt(1 - r**2) * z[2] + r * z[0])
    return plateau, of.half_month * np.exp(tempo + truth.log_tempo_sd_placement * z[3])
