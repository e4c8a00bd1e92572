"""How do plateaus differ from placement to placement: the share past a milestone, the share that grew poorly?

The emergence model gives means, curve, tempo and errors; its normal plateau gives wrong shares and wrong
single cases, because real plateaus are bounded, skewed, and sometimes failures. Here the fit is kept and the
distribution is found anew by empirical Bayes on a grid (`numerics.deconvolution`), from the likelihood of
each placement (`regrowth.likelihood`):

    plateau ~ beta on (0, U), or with probability pi poor growth, uniform on 0 to 60 %

one mean per zone, one spread and one pi for all, U averaged over TOPS by likelihood and TOPS_BEFORE (U = 100
is a bounded skewed plateau, a large U a nearly normal one). Log tempo given plateau is normal as in the fit.
A weak penalty (half a pseudo-placement of poor growth against 25 of the other) keeps pi off its edges; a zone
with few followed placements is drawn to the fit's plateau.

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

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit, logit

from analytics.numerics import deconvolution
from analytics.numerics.deconvolution import Family, Penalty
from analytics.regrowth import likelihood
from analytics.regrowth.distribution import (
    CENTRES,
    FEW_PLACEMENTS,
    LEAST_SD,
    POOR,
    WIDTH,
    PlateauDistribution,
    tempo_given,
)
from analytics.regrowth.emergence import Emergence
from analytics.regrowth.layout import HALF, PLATEAU, STEEPNESS, TAIL
from analytics.regrowth.likelihood import Grid, Placements, Shared
from analytics.regrowth.quantities import parameters, variances
from analytics.regrowth.rows import EmergenceRows

TEMPO_NODES, TEMPO_REACH = 11, 3.0
TOPS = (100.0, 105.0, 112.0, 122.0, 140.0, 170.0, 220.0)
# Before any count each top is a third as likely as the one below it: no more grows than was planted, and what
# seems to is counting. A choice of ours: all alike, shares past 80 % came out low (`tests/bench/worlds.py`).
TOPS_BEFORE = (1 / 3) ** np.arange(len(TOPS))
POOR_PSEUDO = (0.5, 25.0)
DRAWS = 100
BOOTSTRAP_UP_TO = 6_000  # placements; beyond, draws from the sandwich, which agrees with the bootstrap
SLOPES_FROM = 3_000  # placements that serve to see how the prior moves with what is held
MOST_PLACEMENTS = 20_000  # of patients drawn at random: the shares' errors are then under a point
FEWEST_PATIENTS = 12  # under this how alike a patient's placements are is not estimated
ALIKE = 0.5
# How far the held errors may be off (SD of their logarithm; choices of ours).
PHI_SD, WITHIN_SD, PLANTED_SD = 0.15, 0.10, 0.15
STEP = 0.02
COARSE = slice(1, None, 2)  # nodes of tempo that serve for small changes of the likelihood
NEGLIGIBLE = 1e-4  # of the likelihood: tops left out of the bootstraps


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
    log_half, log_k, log_tail = _moved_curves(fit, moves)
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
        log_tail_draws=log_tail,
        scale_draws=_scales(fit, seed),
        n_placements=np.bincount(every.zone, minlength=len(fit.zones)),
        seen=_seen(every, len(fit.zones)),
        n_used=len(of.names),
        converged=converged,
        seed=seed,
    )


def _followed(of: Placements) -> Placements:
    """Return the placements with a count after the session: others say nothing."""
    after = np.bincount(of.row_placement, weights=of.month > 0)
    return likelihood.chosen(of, np.flatnonzero(after))


def _seen(of: Placements, n_zones: int) -> np.ndarray:
    """Return which patient has a placement followed in which zone (patients, zones)."""
    seen = np.zeros((int(of.patient.max()) + 1, n_zones), dtype=bool)
    seen[of.patient, of.zone] = True
    return seen


def _some_patients(of: Placements, most: int, seed: int) -> Placements:
    """Return all placements, or those of patients drawn at random, about so many."""
    if len(of.names) <= most:
        return of
    n_patients = int(of.patient.max()) + 1
    kept = np.random.default_rng(seed).random(n_patients) < most / len(of.names)
    some = likelihood.chosen(of, np.flatnonzero(kept[of.patient]))
    return replace(some, patient=np.unique(some.patient, return_inverse=True)[1])


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
    """Return what is held, and the covariance of all its values in order.

    The error of the rate of native loss moves the curve too (`Emergence.shared`).
    """
    by, one = likelihood.shared_by(fit), np.zeros(len(of.names), dtype=int)
    made = _held_curve(of, fit)
    curve = _curve_places(fit)
    lean, error = of.leans[of.row_placement], by.count_error
    made += [
        _Held(replace(of, kept=of.kept + STEP * of.kept_se), by, one, 1),
        _Held(replace(of, planted=of.planted * (1 + STEP * lean)), by, one, 1),
        _Held(of, replace(by, count_error=replace(error, phi=error.phi * (1 + STEP))), one, 1),
        _Held(of, replace(by, count_error=replace(error, within_cv=error.within_cv * (1 + STEP))), one, 1),
        _Held(replace(of, cv=of.cv * (1 + STEP)), by, one, 1),
    ]
    own = np.array([1.0, ratio_cv, PHI_SD, WITHIN_SD, PLANTED_SD]) ** 2
    n = len(curve)
    covariance = np.zeros((n + len(own), n + len(own)))
    covariance[:n, :n] = fit.beta_cov[np.ix_(curve, curve)]
    covariance[n:, n:] = np.diag(own)
    covariance[:n, n] = covariance[n, :n] = fit.shared["native loss"][curve]
    return made, covariance


def _held_curve(of: Placements, fit: Emergence) -> list[_Held]:
    """Return the parts of the curve that are held: half months, steepness, tail."""
    by, one = likelihood.shared_by(fit), np.zeros(len(of.names), dtype=int)
    half, steep = (np.array(g)[of.zone] for g in (fit.half_of_zone, fit.steepness_of_zone))
    made = [_Held(of, replace(by, log_half=by.log_half + STEP), half, _size(fit, HALF))]
    if _size(fit, STEEPNESS):
        made.append(_Held(of, replace(by, log_k=by.log_k + STEP), steep, _size(fit, STEEPNESS)))
    if _size(fit, TAIL) and not isinstance(by.shape, str):
        made.append(_Held(of, replace(by, shape=(by.shape[0], by.shape[1] + STEP)), one, 1))
    return made


def _curve_places(fit: Emergence) -> np.ndarray:
    """Return where the parts of the curve that are held stand among the fixed effects."""
    return np.concatenate([np.arange(*fit.slices[k]) for k in (HALF, STEEPNESS, TAIL)]).astype(int)


def _size(fit: Emergence, parameter: int) -> int:
    start, end = fit.slices[parameter]
    return end - start


def _priors(table, of: Placements, fit: Emergence, held, tempos: np.ndarray, seed: int):
    """Return the averaged prior with its draws, the draws of what is held, and whether all converged."""
    rng = np.random.default_rng(seed)
    made, covariance = held
    # In pairs of opposite sign: what moves all placements alike leaves the mean over the draws where it is.
    half = rng.multivariate_normal(np.zeros(len(covariance)), covariance, size=DRAWS // 2, method="eigh")
    moves = np.vstack([half, -half])
    n_zones = len(fit.zones)
    units = deconvolution.units(table, of.zone, n_groups=n_zones)
    families = [deconvolution.beta(CENTRES, np.full(len(CENTRES), WIDTH), top, poor=POOR) for top in TOPS]
    starts = [_start(fit, top) for top in TOPS]
    penalties = [_penalty(fit, top, s, of) for top, s in zip(TOPS, starts, strict=True)]
    once = [
        deconvolution.fit(units, f, penalty=p, start=s)
        for f, p, s in zip(families, penalties, starts, strict=True)
    ]
    objective = np.array([f.objective[0] for f in once]) + np.log(TOPS_BEFORE)
    kept = np.flatnonzero(objective > objective.max() + np.log(NEGLIGIBLE))
    families, penalties = [families[i] for i in kept], [penalties[i] for i in kept]
    once, before = [once[i] for i in kept], TOPS_BEFORE[kept]
    main = deconvolution.average(families, once, before=before)
    draw = _bootstrapped if len(of.names) <= BOOTSTRAP_UP_TO else _sandwiched
    thetas, share, converged = draw(units, families, penalties, once, of, (before, main.share), rng)
    coarse = tempos[COARSE] if len(tempos) > 1 else tempos
    given = tempo_given(fit, coarse)
    some = made[0].of
    as_is = _Held(some, likelihood.shared_by(fit), made[0].groups, 0)
    tables = [
        deconvolution.units(_table(h.of, h.by, coarse, given), some.zone, n_groups=n_zones)
        for h in (as_is, *made)
    ]
    of_all = len(of.names) / len(some.names)
    shifts = [of_all * moves @ _slopes(tables, made, f, o).T for f, o in zip(families, once, strict=True)]
    parts = [
        deconvolution.parts(family, _moved(theta, by), n_zones)
        for family, theta, by in zip(families, thetas, shifts, strict=True)
    ]
    moved = deconvolution.combine(families, share, parts)
    tops = np.zeros((1 + DRAWS, len(TOPS)))
    tops[:, kept] = np.vstack([main.share, share])
    both = deconvolution.Averaged(
        tops, np.vstack([main.regular, moved.regular]), np.append(main.pi, moved.pi), main.poor
    )
    return both, moves, converged and all(f.converged.all() for f in once)


def _bootstrapped(units, families, penalties, once, of: Placements, shares, rng):
    """Return parameters by family (b, p) and shares of the families (b, families), patients resampled."""
    of_patients = rng.exponential(size=(DRAWS, int(of.patient.max()) + 1))
    weights = (of_patients / of_patients.mean(axis=1, keepdims=True))[:, of.patient]
    again = [
        deconvolution.fit(units, f, weights=weights, penalty=p, start=o.theta[0])
        for f, p, o in zip(families, penalties, once, strict=True)
    ]
    share = deconvolution.average(families, again, before=shares[0]).share
    return [f.theta for f in again], share, all(f.converged.all() for f in again)


def _sandwiched(units, families, _penalties, once, of: Placements, shares, rng):
    """Return the same from the patients' squared scores, the families' shares held: for large registers."""
    thetas = []
    for family, found in zip(families, once, strict=True):
        each = deconvolution.scores(units, family, found.theta[0])
        covariance = deconvolution.covariance(each, found.information[0], of.patient)
        thetas.append(rng.multivariate_normal(found.theta[0], covariance, size=DRAWS, method="eigh"))
    return thetas, np.repeat(shares[1], DRAWS, axis=0), True


def _moved(theta: np.ndarray, by: np.ndarray) -> np.ndarray:
    """Return parameters (b, p) moved, each beta's mean on the logit and its size on the log scale.

    To first order theta + by; a beta stays one however far it is moved.
    """
    p, q, pi = theta[:, :-2], theta[:, -2:-1], theta[:, -1:]
    size = q + 2
    mean = np.clip((p + 1) / size, 1e-6, 1 - 1e-6)
    rise = (by[:, :-2] - mean * by[:, -2:-1]) / size
    mean = expit(logit(mean) + rise / (mean * (1 - mean)))
    size = size * np.exp(np.clip(by[:, -2:-1] / size, -2.0, 2.0))
    return np.hstack([mean * size - 1, size - 2, pi + by[:, -1:]])


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


def _scales(fit: Emergence, seed: int) -> np.ndarray:
    """Return what all readers together read in each draw, over the truth (b,): a yield is that over it."""
    half = np.exp(fit.habit_cv * np.random.default_rng([seed, 1]).standard_normal(DRAWS // 2))
    return np.concatenate([half, 1 / half])


def _moved_curves(fit: Emergence, moves: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return log half month and log steepness of every zone (b, zones) and log tail (b,) in each draw."""
    beta = np.tile(fit.beta, (len(moves), 1))
    places = _curve_places(fit)
    beta[:, places] += moves[:, : len(places)]
    curves = [parameters(fit, b)[1:] for b in beta]
    log_half, log_k = (np.array([c[i] for c in curves]) for i in (0, 1))
    return log_half, log_k, beta[:, slice(*fit.slices[TAIL])].sum(axis=1) + fit.held_log_tail
