"""How do plateaus differ from placement to placement: the share past a milestone, the share that grew poorly?

The emergence model gives means, curve, tempo and errors; its normal plateau gives wrong shares and wrong
single cases, because real plateaus are bounded, skewed, and sometimes failures. Here the fit is kept and the
distribution is found anew by empirical Bayes on a grid (`numerics.deconvolution`), from the likelihood of
each placement (`regrowth.likelihood`):

    plateau ~ beta on (0, U), or with probability pi poor growth, uniform on 0 to 60 %

one mean per zone, one spread and one pi for all, U averaged over TOPS by likelihood (U = 100 is a bounded
skewed plateau, a large U a nearly normal one). Log tempo given plateau is normal as in the fit. A weak
penalty (half a pseudo-placement of poor growth against 25 of the other) keeps pi off its edges; a zone with
few followed placements is drawn to the fit's plateau.

Definitions, for a placement drawn at random, case mix average: share past q % at month m is P(plateau F(m /
(H exp(t))) >= q); the median month is where that share is one half. True yields: no count's error, nor that
of planted density, is in them.

Errors: DRAWS Bayesian bootstraps over patients, U averaged again in each (in a large register draws from the
sandwich over patients, which agrees); what the likelihood holds (half
month, steepness, mean planted ratio, counting error, CV of planted density) is moved by its own error in each
draw, to first order (two steps: Murphy & Topel 1985, J Bus Econ Stat 3:370, from memory). Limits: t quantiles
(patients of the zone less one) times the SD of the logit draws; percentile limits undercover. Patients'
placements are alike; the copula's correlation serves single cases (`regrowth.single_cases`).

Source of the method: Efron 2016, Biometrika 103:1 (empirical Bayes on a grid); bound of poor growth, pseudo
counts and tops are choices of ours, tried by simulation (`tests/bench/worlds.py`).
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
from scipy import stats
from scipy.special import expit, logit

from analytics.errors import ParameterError
from analytics.numerics import deconvolution
from analytics.numerics.deconvolution import Family, Penalty
from analytics.numerics.nonlinear import share
from analytics.regrowth import likelihood
from analytics.regrowth.emergence import Emergence
from analytics.regrowth.emergence import from_plain as fit_from_plain
from analytics.regrowth.layout import HALF, PLATEAU, STEEPNESS
from analytics.regrowth.likelihood import Grid, Placements, Shared
from analytics.regrowth.quantities import Quantity, degrees, parameters, variances
from analytics.regrowth.rows import EmergenceRows
from analytics.results import LEVEL

WIDTH = 2.0
CENTRES = np.arange(1.0, 140.0, WIDTH)
TEMPO_NODES, TEMPO_REACH = 11, 3.0
TOPS = (100.0, 105.0, 112.0, 122.0, 140.0, 170.0, 220.0)
POOR_BELOW = 60.0
POOR = np.where(CENTRES < POOR_BELOW, WIDTH / POOR_BELOW, 0.0)
POOR_PSEUDO = (0.5, 25.0)
DRAWS = 100
BOOTSTRAP_UP_TO = 6_000  # placements; beyond, draws from the sandwich, which agrees with the bootstrap
SLOPES_FROM = 3_000  # placements that serve to see how the prior moves with what is held
MOST_PLACEMENTS = 20_000  # of patients drawn at random: the shares' errors are then under a point
FEW_PLACEMENTS = 15  # followed, in a zone: its mean is drawn to the fit's plateau
FEWEST_PATIENTS = 12  # under this how alike a patient's placements are is not estimated
ALIKE = 0.5
LEAST_SD = 3.0  # points: the spread of plateaus that a fit is begun from
CORRELATION_LIMIT = 0.5  # of plateau and tempo
BEND_LIMIT = 2.5  # SDs of plateau past which tempo follows it no further
# How far the held errors may be off (SD of their logarithm; choices of ours).
PHI_SD, WITHIN_SD, PLANTED_SD = 0.15, 0.10, 0.15
STEP = 0.02
COARSE = slice(1, None, 2)  # nodes of tempo that serve for small changes of the likelihood
NEGLIGIBLE = 1e-4  # of the likelihood: tops left out of the bootstraps
LEAST_SHARE = 1e-6
# A limit within this of 0 or 1 is 0 or 1: the poor part and its pseudo-placements can come no nearer.
EDGE = 0.01
FURTHEST_MONTH = 1000.0


@dataclass(frozen=True, slots=True)
class PlateauDistribution:
    """The distribution of plateaus and tempos of a practice: arrays and plain values only.

    `fit` the emergence model it stands on; `regular` (zones, A) and `pi`, the two parts of the prior on
    CENTRES; `alike` the correlation of a patient's placements on the normal scale; `tops` the share of each
    upper end; `tempos` (T,) nodes of log tempo and `tempo_given` (zones, A, T) their probability given
    plateau. Of each draw: `whole_draws` (b, zones, A), `pi_draws` (b,), `log_half_draws` and `log_k_draws`
    (b, zones). `n_placements` followed, by zone; `n_used`, how many of them the distribution rests on;
    `seed`.
    """

    fit: Emergence
    regular: np.ndarray
    pi: float
    alike: float
    tops: np.ndarray
    tempos: np.ndarray
    tempo_given: np.ndarray
    whole_draws: np.ndarray
    pi_draws: np.ndarray
    log_half_draws: np.ndarray
    log_k_draws: np.ndarray
    n_placements: np.ndarray
    n_used: int
    converged: bool
    seed: int

    @property
    def whole(self) -> np.ndarray:
        """Return both parts of the prior together (zones, A)."""
        return (1 - self.pi) * self.regular + self.pi * POOR

    def predictive(self) -> tuple[np.ndarray, float]:
        """Return the regular part (zones, A) and pi, averaged over the draws, to hold single cases against.

        The error of the practice's distribution stands in it as a wider distribution.
        """
        pi = float(self.pi_draws.mean())
        return np.maximum(self.whole_draws.mean(axis=0) - pi * POOR, 0.0) / (1 - pi), pi

    def cells(self, zone: str, *, only_regular: bool = False) -> np.ndarray:
        """Return the probability of every cell (A, T) of a zone's plateau and log tempo."""
        k = self.fit.zone_index(zone)
        plateau = self.regular[k] if only_regular else self.whole[k]
        return plateau[:, None] * self.tempo_given[k]

    @property
    def grid(self) -> Grid:
        """Return the cells of the grid."""
        return Grid(CENTRES, WIDTH / 2, self.tempos)


def fit_distribution(rows: EmergenceRows, fit: Emergence, *, seed: int = 1) -> PlateauDistribution:
    """Fit the distribution of plateaus that an emergence fit's rows show.

    Parameters
    ----------
    rows
        The rows the fit rests on: `regrowth.rows_for(records, fit)`.
    fit
        The emergence model, made on the same rows.
    seed
        Of the bootstraps.

    Raises
    ------
    FitError
        When no prior gives the placements a finite likelihood.
    """
    every = _followed(likelihood.lay_out(fit, rows.frame))
    of = _some_patients(every, MOST_PLACEMENTS, seed)
    sd = np.sqrt(max(variances(fit, fit.beta, fit.spread)[1], 0.0))
    tempos = np.linspace(-TEMPO_REACH * sd, TEMPO_REACH * sd, TEMPO_NODES) if sd > 1e-6 else np.zeros(1)
    given = tempo_given(fit, tempos)
    table = _table(of, likelihood.shared_by(fit), tempos, given)
    some = _some_patients(of, SLOPES_FROM, seed)
    found, moves, converged = _priors(table, of, fit, _held(some, fit, rows.ratio_cv), tempos, seed)
    alike = ALIKE
    if of.patient.max() + 1 >= FEWEST_PATIENTS:
        alike = _alike(deconvolution.units(table, of.zone, n_groups=len(fit.zones)), found, of, fit)
    log_half, log_k = _moved_curves(fit, moves)
    return PlateauDistribution(
        fit=fit,
        regular=found.regular[0],
        pi=float(found.pi[0]),
        alike=alike,
        tops=found.share[0],
        tempos=tempos,
        tempo_given=given,
        whole_draws=found.whole()[1:],
        pi_draws=found.pi[1:],
        log_half_draws=log_half,
        log_k_draws=log_k,
        n_placements=np.bincount(every.zone, minlength=len(fit.zones)),
        n_used=len(of.names),
        converged=converged,
        seed=seed,
    )


def _followed(of: Placements) -> Placements:
    """Return the placements with a count after the session: others say nothing."""
    after = np.bincount(of.row_placement, weights=of.month > 0)
    return likelihood.chosen(of, np.flatnonzero(after))


def _some_patients(of: Placements, most: int, seed: int) -> Placements:
    """Return all placements, or those of patients drawn at random, about so many."""
    if len(of.names) <= most:
        return of
    n_patients = int(of.patient.max()) + 1
    kept = np.random.default_rng(seed).random(n_patients) < most / len(of.names)
    some = likelihood.chosen(of, np.flatnonzero(kept[of.patient]))
    return replace(some, patient=np.unique(some.patient, return_inverse=True)[1])


def tempo_given(fit: Emergence, tempos: np.ndarray, *, of_patient: np.ndarray | None = None) -> np.ndarray:
    """Return the probability of each node of log tempo given plateau (zones, A, T), as in the fit.

    With `of_patient` (n,), values of the patient's own log tempo that plateau does not tell: given those too
    (n, zones, A, T).
    """
    total, tempo, covariance = variances(fit, fit.beta, fit.spread)
    sigma2, slope = max(total, LEAST_SD**2), 0.0
    if tempo > 1e-12:
        most = CORRELATION_LIMIT * np.sqrt(sigma2 * tempo)
        slope = float(np.clip(covariance, -most, most)) / sigma2
    plateau = parameters(fit, fit.beta)[0]
    reach = BEND_LIMIT * np.sqrt(sigma2)
    centre = slope * np.clip(CENTRES - plateau[:, None], -reach, reach)
    left = max(tempo - slope**2 * sigma2, 1e-12)
    if of_patient is not None:
        centre = centre + of_patient[:, None, None]
        left = max(left - tempo_of_patient(fit), 0.0)
    spacing = tempos[1] - tempos[0] if len(tempos) > 1 else 1.0
    log_p = -0.5 * (tempos - centre[..., None]) ** 2 / max(left, (0.6 * spacing) ** 2)
    p = np.exp(log_p - log_p.max(axis=-1, keepdims=True))
    return p / p.sum(axis=-1, keepdims=True)


def tempo_of_patient(fit: Emergence) -> float:
    """Return the variance of log tempo between patients that plateau does not tell."""
    named = likelihood.named(fit)
    total, tempo, covariance = variances(fit, fit.beta, fit.spread)
    told = min(covariance**2, CORRELATION_LIMIT**2 * total * tempo) / max(total, LEAST_SD**2)
    return max(named.get("patient: log tempo", 0.0) - max(told, 0.0), 0.0)


def _table(of: Placements, by: Shared, tempos: np.ndarray, given: np.ndarray) -> np.ndarray:
    """Return the log-likelihood of every placement's plateau (j, A), tempo summed out."""
    out = np.empty((len(of.names), len(CENTRES)))
    for at, both in likelihood.blocks(of, by, Grid(CENTRES, WIDTH / 2, tempos)):
        most = both.max(axis=(1, 2), keepdims=True)
        summed = np.einsum("jat,jat->ja", np.exp(both - most), given[of.zone[at]])
        out[at] = np.log(np.maximum(summed, 1e-300)) + most[:, :, 0]
    return out


@dataclass(frozen=True, slots=True)
class _Held:
    """One thing the likelihood holds: moved by `STEP`, which `of` and `by` the likelihood has then.

    `groups` (j,) says which of its `size` values a placement rests on.
    """

    of: Placements
    by: Shared
    groups: np.ndarray
    size: int


def _held(of: Placements, fit: Emergence, ratio_cv: float) -> tuple[list[_Held], np.ndarray]:
    """Return what is held, and the covariance of all its values in order."""
    by, one = likelihood.shared_by(fit), np.zeros(len(of.names), dtype=int)
    half, steep = (np.array(g)[of.zone] for g in (fit.half_of_zone, fit.steepness_of_zone))
    lean = of.leans[of.row_placement]
    error = by.count_error
    made = [_Held(of, replace(by, log_half=by.log_half + STEP), half, max(fit.half_of_zone) + 1)]
    curve = np.arange(*fit.slices[HALF])
    if fit.slices[STEEPNESS][1] > fit.slices[STEEPNESS][0]:
        size = max(fit.steepness_of_zone) + 1
        made.append(_Held(of, replace(by, log_k=by.log_k + STEP), steep, size))
        curve = np.append(curve, np.arange(*fit.slices[STEEPNESS]))
    made += [
        _Held(replace(of, planted=of.planted * (1 + STEP * lean)), by, one, 1),
        _Held(of, replace(by, count_error=replace(error, phi=error.phi * (1 + STEP))), one, 1),
        _Held(of, replace(by, count_error=replace(error, within_cv=error.within_cv * (1 + STEP))), one, 1),
        _Held(replace(of, cv=of.cv * (1 + STEP)), by, one, 1),
    ]
    own = np.array([ratio_cv, PHI_SD, WITHIN_SD, PLANTED_SD]) ** 2
    n = len(curve)
    covariance = np.zeros((n + len(own), n + len(own)))
    covariance[:n, :n] = fit.beta_cov[np.ix_(curve, curve)]
    covariance[n:, n:] = np.diag(own)
    return made, covariance


def _priors(table, of: Placements, fit: Emergence, held, tempos: np.ndarray, seed: int):
    """Return the averaged prior with its draws, the draws of what is held, and whether all converged."""
    rng = np.random.default_rng(seed)
    made, covariance = held
    moves = rng.multivariate_normal(np.zeros(len(covariance)), covariance, size=DRAWS, method="eigh")
    n_zones = len(fit.zones)
    units = deconvolution.units(table, of.zone, n_groups=n_zones)
    families = [deconvolution.beta(CENTRES, np.full(len(CENTRES), WIDTH), top, poor=POOR) for top in TOPS]
    starts = [_start(fit, top) for top in TOPS]
    penalties = [_penalty(fit, top, s, of) for top, s in zip(TOPS, starts, strict=True)]
    once = [
        deconvolution.fit(units, f, penalty=p, start=s)
        for f, p, s in zip(families, penalties, starts, strict=True)
    ]
    objective = np.array([f.objective[0] for f in once])
    kept = np.flatnonzero(objective > objective.max() + np.log(NEGLIGIBLE))
    families, penalties = [families[i] for i in kept], [penalties[i] for i in kept]
    once = [once[i] for i in kept]
    main = deconvolution.average(families, once)
    draw = _bootstrapped if len(of.names) <= BOOTSTRAP_UP_TO else _sandwiched
    thetas, share, converged = draw(units, families, penalties, once, of, main.share, rng)
    coarse = tempos[COARSE] if len(tempos) > 1 else tempos
    given = tempo_given(fit, coarse)
    some = made[0].of
    as_is = _Held(some, likelihood.shared_by(fit), made[0].groups, 0)
    tables = [
        deconvolution.units(_table(h.of, h.by, coarse, given), some.zone, n_groups=n_zones)
        for h in (as_is, *made)
    ]
    of_all = len(of.names) / len(some.names)
    parts = [
        deconvolution.parts(family, theta + of_all * moves @ _slopes(tables, made, family, o).T, n_zones)
        for family, theta, o in zip(families, thetas, once, strict=True)
    ]
    moved = deconvolution.combine(families, share, parts)
    tops = np.zeros((1 + DRAWS, len(TOPS)))
    tops[:, kept] = np.vstack([main.share, share])
    both = deconvolution.Averaged(
        tops, np.vstack([main.regular, moved.regular]), np.append(main.pi, moved.pi), main.poor
    )
    return both, moves, converged and all(f.converged.all() for f in once)


def _bootstrapped(units, families, penalties, once, of: Placements, _share, rng):
    """Return parameters by family (b, p) and shares of the families (b, families), patients resampled."""
    of_patients = rng.exponential(size=(DRAWS, int(of.patient.max()) + 1))
    weights = (of_patients / of_patients.mean(axis=1, keepdims=True))[:, of.patient]
    again = [
        deconvolution.fit(units, f, weights=weights, penalty=p, start=o.theta[0])
        for f, p, o in zip(families, penalties, once, strict=True)
    ]
    share = deconvolution.average(families, again).share
    return [f.theta for f in again], share, all(f.converged.all() for f in again)


def _sandwiched(units, families, _penalties, once, of: Placements, share, rng):
    """Return the same from the patients' squared scores, the families' shares held: for large registers."""
    thetas = []
    for family, found in zip(families, once, strict=True):
        each = deconvolution.scores(units, family, found.theta[0])
        covariance = deconvolution.covariance(each, found.information[0], of.patient)
        thetas.append(rng.multivariate_normal(found.theta[0], covariance, size=DRAWS, method="eigh"))
    return thetas, np.repeat(share, DRAWS, axis=0), True


def _slopes(tables, made: list[_Held], family: Family, found) -> np.ndarray:
    """Return how the prior's parameters move with each value held (p, values); first table: nothing moved."""
    theta = found.theta[0]
    before = deconvolution.scores(tables[0], family, theta)
    columns = []
    for moved, h in zip(tables[1:], made, strict=True):
        change = (deconvolution.scores(moved, family, theta) - before) / STEP
        together = np.zeros((h.size, len(theta)))
        np.add.at(together, h.groups, change)
        columns.append(together)
    return np.linalg.solve(found.information[0], np.vstack(columns).T)


def _start(fit: Emergence, top: float) -> np.ndarray:
    """Return the parameters of the beta with the fit's means and SD, and a little poor growth."""
    mean = np.clip(parameters(fit, fit.beta)[0] / top, 0.05, 0.95)
    sd = np.sqrt(max(variances(fit, fit.beta, fit.spread)[0], LEAST_SD**2)) / top
    both = float(np.clip(np.median(mean * (1 - mean) / sd**2 - 1), 3.0, 500.0))
    return np.concatenate([both * mean - 1, [both - 2], [logit(0.02)]])


def _penalty(fit: Emergence, top: float, start: np.ndarray, of: Placements) -> Penalty:
    """Return the pseudo-placements, a weak hold on the spread, and a hold on the mean of small zones.

    The mean of a beta with parameters p, q is (p + 1) / (q + 2) of its top: linear in both for a given mean.
    """
    n = len(fit.zones)
    q = n
    forms, targets, precision = [np.eye(len(start))[q]], [start[q]], [1 / (start[q] + 2) ** 2]
    plateau, start_at = parameters(fit, fit.beta)[0], fit.slices[PLATEAU][0]
    count = np.bincount(of.zone, minlength=n)
    for k in np.flatnonzero(count < FEW_PLACEMENTS):
        mean = float(np.clip(plateau[k] / top, 0.05, 0.95))
        form = np.zeros(len(start))
        form[k], form[q] = 1.0, -mean
        se = np.clip(np.sqrt(fit.beta_cov[start_at + k, start_at + k]), 2.0, 15.0)
        forms.append(form)
        targets.append(2 * mean - 1)
        precision.append((top / se / (start[q] + 2)) ** 2)
    return Penalty(
        poor=POOR_PSEUDO, forms=np.array(forms), targets=np.array(targets), precision=np.array(precision)
    )


def _alike(units, found, of: Placements, fit: Emergence) -> float:
    """Return how alike a patient's true plateaus are; what one reader's habit makes alike is taken off."""
    main = deconvolution.Averaged(found.share[:1], found.regular[:1], found.pi[:1], found.poor)
    rho = deconvolution.likeness(units, main, of.patient)
    mean = found.regular[0] @ CENTRES
    variance = found.regular[0] @ CENTRES**2 - mean**2
    habit = np.average((fit.reader_cv * mean) ** 2 / np.maximum(variance, 1.0), weights=fit.n_placements)
    return float(np.clip(rho - habit, 0.0, 0.95))


def _moved_curves(fit: Emergence, moves: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return log half month and log steepness of every zone in each draw (b, zones)."""
    _, log_half, log_k = parameters(fit, fit.beta)
    n = fit.slices[HALF][1] - fit.slices[HALF][0]
    half = log_half + moves[:, list(fit.half_of_zone)]
    if fit.slices[STEEPNESS][1] > fit.slices[STEEPNESS][0]:
        return half, log_k + moves[:, [n + g for g in fit.steepness_of_zone]]
    return half, np.tile(log_k, (len(moves), 1))


def drawn(
    dist: PlateauDistribution, zone: str, n: int, rng: np.random.Generator, *, only_regular: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Return plateau (percent) and log tempo of n placements drawn from the practice, (n,) each."""
    cells = dist.cells(zone, only_regular=only_regular)
    at = rng.choice(cells.size, size=n, p=cells.ravel() / cells.sum())
    a, t = np.unravel_index(at, cells.shape)
    spacing = dist.tempos[1] - dist.tempos[0] if len(dist.tempos) > 1 else 0.0
    plateau = CENTRES[a] + WIDTH * (rng.random(n) - 0.5)
    return plateau, dist.tempos[t] + spacing * (rng.random(n) - 0.5)


def share_past(dist: PlateauDistribution, zone: str, months, percent: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the share of placements with a true yield of `percent` or more (m,), and its draws (b, m)."""
    k = dist.fit.zone_index(zone)
    _, log_half, log_k = parameters(dist.fit, dist.fit.beta)
    months = np.atleast_1d(np.asarray(months, dtype=float))
    estimate = _past(dist, k, dist.whole[None, k], log_half[[k]], log_k[[k]], months, percent)[0]
    draws = _past(
        dist, k, dist.whole_draws[:, k], dist.log_half_draws[:, k], dist.log_k_draws[:, k], months, percent
    )
    return estimate, draws


def _past(dist, k: int, prior, log_half, log_k, months, percent: float) -> np.ndarray:
    """Return shares (b, m) under priors (b, A) and curves (b,) of one zone."""
    ratio = months[:, None] * np.exp(-log_half[:, None, None] - dist.tempos)
    emerged = np.maximum(share(dist.fit.curve, ratio, log_k[:, None, None])[0], 1e-12)
    needed = percent / emerged
    out = np.empty(needed.shape[:2])
    top = CENTRES[:, None] + WIDTH / 2
    for m in range(len(months)):
        inside = np.clip((top - needed[:, m, None, :]) / WIDTH, 0.0, 1.0)
        out[:, m] = np.einsum("ba,at,bat->b", prior, dist.tempo_given[k], inside, optimize=True)
    return out


def share_quantities(
    dist: PlateauDistribution, zone: str, months, percent: float, *, level: float = LEVEL
) -> list[Quantity]:
    """Return the shares (0 to 1) past a milestone at each month, with limits made on the logit scale."""
    estimate, draws = share_past(dist, zone, months, percent)
    return [_limits(e, d, degrees(dist.fit, zone), level) for e, d in zip(estimate, draws.T, strict=True)]


def _limits(estimate: float, draws: np.ndarray, df: float, level: float) -> Quantity:
    inside = float(np.clip(estimate, LEAST_SHARE, 1 - LEAST_SHARE))
    sd = float(np.std(logit(np.clip(draws, EDGE / 2, 1 - EDGE / 2)), ddof=1))
    half = stats.t.ppf(0.5 + level / 2, df) * sd
    low, high = expit(logit(inside) - half), expit(logit(inside) + half)
    low, high = np.where(low < EDGE, 0.0, low), np.where(high > 1 - EDGE, 1.0, high)
    return Quantity(float(estimate), sd * inside * (1 - inside), float(low), float(high), df)


def share_below_quantity(
    dist: PlateauDistribution, zones: Sequence[str], threshold: float, *, level: float = LEVEL
) -> Quantity:
    """Return the share (0 to 1) of placements with a true yield under a threshold at maturity.

    Of zones together, each with the weight of its placements followed; of a zone whose data end before its
    maturity, at the last supported month.
    """
    if not threshold > 0:
        raise ParameterError("regrowth.share_below(threshold): not above 0; give percent of planted hairs")
    fit = dist.fit
    places = [fit.zone_index(z) for z in zones]
    weight = dist.n_placements[places] / dist.n_placements[places].sum()
    months = np.minimum(fit.maturity_month, fit.last_month)[places]
    found = [share_past(dist, z, [m], threshold) for z, m in zip(zones, months, strict=True)]
    estimate = 1 - float(weight @ [e[0] for e, _ in found])
    draws = 1 - np.column_stack([d[:, 0] for _, d in found]) @ weight
    return _limits(estimate, draws, max(degrees(fit, z) for z in zones), level)


def median_quantity(
    dist: PlateauDistribution, zone: str, percent: float, *, level: float = LEVEL
) -> Quantity | None:
    """Return the month at which half of a zone's placements are past a milestone; None where it never comes.

    Limits on the log of the month: the SD of the share's draws there over the share's steepness.
    """
    if share_past(dist, zone, [FURTHEST_MONTH], percent)[0][0] <= 0.5:
        return None
    low, high = np.log(0.05), np.log(FURTHEST_MONTH)
    for _ in range(40):
        middle = (low + high) / 2
        is_past = share_past(dist, zone, [np.exp(middle)], percent)[0][0] > 0.5
        low, high = (low, middle) if is_past else (middle, high)
    month, step = float(np.exp((low + high) / 2)), 0.02
    at, draws = share_past(dist, zone, month * np.exp([-step, 0.0, step]), percent)
    steepness = (at[2] - at[0]) / (2 * step)
    sd = float(np.std(draws[:, 1], ddof=1)) / max(steepness, 1e-9)
    df = degrees(dist.fit, zone)
    half = stats.t.ppf(0.5 + level / 2, df) * sd
    return Quantity(month, month * sd, month * np.exp(-half), month * np.exp(half), df)


def as_plain(dist: PlateauDistribution) -> dict:
    """Return the distribution as a dict of arrays and plain values, to be written as npz or JSON."""
    return asdict(dist)


def from_plain(plain: dict) -> PlateauDistribution:
    """Return the distribution that `as_plain` wrote, arrays made anew from lists where they were JSON."""
    made: dict = {}
    for name, kind in PlateauDistribution.__annotations__.items():
        made[name] = np.asarray(plain[name]) if kind is np.ndarray else plain[name]
    return PlateauDistribution(**{**made, "fit": fit_from_plain(plain["fit"])})
