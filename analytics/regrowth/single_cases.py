"""What is one placement's own yield, and what will its next count be, given its readings and its patient's?

Each placement's likelihood on the grid (`regrowth.likelihood`) meets the practice's distribution of plateaus
(`regrowth.distribution`). A patient's placements are alike in two things, a common factor of plateau
(Gaussian copula on the regular part; poor growth comes upon placements one by one) and the patient's own
tempo: both are summed over nodes, the other placements in by their own likelihood. No refit.

* The prior is the practice's distribution averaged over its draws, so that its own error widens it.
* True yield at a month: quantiles of plateau x F(month / (H exp(t))) over the posterior, uniform within
  cells of the grid, widened by the error of the rate of native loss. Without the error of any count or of
  planted density.
* Count to come: a mixture of normals over the posterior, with what is not known of the region's native hair,
  of planted density (an error that multiplies the case's own growth) and of the reader, the count's own
  error and the practice's curve's; limits where its distribution function says.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy.special import ndtr

from analytics import measurement
from analytics.numerics import deconvolution
from analytics.numerics.nonlinear import share
from analytics.regrowth import case_rows, likelihood
from analytics.regrowth.distribution import (
    CENTRES,
    POOR,
    WIDTH,
    PlateauDistribution,
    tempo_given,
    tempo_of_patient,
)
from analytics.regrowth.layout import PLATEAU
from analytics.regrowth.likelihood import LEAST_PLATEAU, Placements
from analytics.results import LEVEL

TEMPO_OF_PATIENT_NODES = 5
BISECTIONS = 18  # to within a thousandth of the range
NEGLIGIBLE = 1e-7  # weight of a cell that a limit does without
HIGHEST_YIELD = 150.0


@dataclass(frozen=True, slots=True)
class Posterior:
    """The posterior of placements, in the order of `of.names`.

    `weights` (j, A, T), which sum to 1 each; `others` (j, nodes), what a patient's other placements say of
    what they share.
    """

    dist: PlateauDistribution
    of: Placements
    weights: np.ndarray
    others: np.ndarray


def posterior(dist: PlateauDistribution, frame: pd.DataFrame) -> Posterior:
    """Return the posterior of every placement in rows of one patient or of many.

    Parameters
    ----------
    dist
        The practice's distribution.
    frame
        Rows of `regrowth.rows_for(records, dist.fit).frame`; all rows of a patient or none.
    """
    return _posterior(dist, likelihood.lay_out(dist.fit, frame))


def _posterior(dist: PlateauDistribution, of: Placements, common: "_Given | None" = None) -> Posterior:
    # What all readers have in common the practice's distribution cannot tell: one case's yield errs by it.
    of = replace(of, cv=np.hypot(of.cv, dist.fit.habit_cv))
    log_l = likelihood.log_likelihood(of, likelihood.shared_by(dist.fit), dist.grid)
    likely = log_l.reshape(len(log_l), -1)
    likely = np.exp(likely - likely.max(axis=1, keepdims=True))
    given, log_weight = _given_common(dist) if common is None else common
    marginal = np.empty((len(likely), len(log_weight)))
    for k in np.unique(of.zone):
        here = of.zone == k
        marginal[here] = likely[here] @ given[:, k].T
    log_m = np.log(np.maximum(marginal, 1e-300))
    together = np.zeros((int(of.patient.max()) + 1, len(log_weight)))
    np.add.at(together, of.patient, log_m)
    others = together[of.patient] - log_m + log_weight
    others = np.exp(others - others.max(axis=1, keepdims=True))
    weights = np.empty_like(likely)
    for k in np.unique(of.zone):
        here = of.zone == k
        weights[here] = likely[here] * (others[here] @ given[:, k])
    weights /= weights.sum(axis=1, keepdims=True)
    return Posterior(dist, of, weights.reshape(log_l.shape), others)


_Given = tuple[np.ndarray, np.ndarray]


def _given_common(dist: PlateauDistribution) -> _Given:
    """Return the prior on the grid given what a patient's placements share, and the nodes' log weights.

    Prior (nodes, zones, A x T).
    """
    regular, pi = dist.predictive()
    whole = (1 - pi) * deconvolution.given_common(regular, dist.alike) + pi * POOR
    sd = np.sqrt(tempo_of_patient(dist.fit))
    nodes, weight = np.polynomial.hermite_e.hermegauss(TEMPO_OF_PATIENT_NODES if sd > 1e-6 else 1)
    tempo = tempo_given(dist.fit, dist.tempos, of_patient=sd * nodes)
    both = whole[:, None, :, :, None] * tempo[None]
    log_weight = np.log(deconvolution.NODE_WEIGHTS)[:, None] + np.log(weight / weight.sum())
    return both.reshape(log_weight.size, len(dist.fit.zones), -1), log_weight.ravel()


@dataclass(frozen=True, slots=True)
class _Cells:
    """Placements chosen, at months (n, m): weights (n, A, T), share emerged (n, m, T), edges (n, A)."""

    weights: np.ndarray
    emerged: np.ndarray
    lower: np.ndarray
    upper: np.ndarray

    def below(self, value: np.ndarray) -> np.ndarray:
        """Return the chance (n, m) that the true yield lies below values (n, m)."""
        out = np.empty(value.shape)
        wide = (self.upper - self.lower)[:, :, None]
        for m in range(value.shape[1]):
            needed = value[:, m, None] / np.maximum(self.emerged[:, m], 1e-12)
            inside = np.clip((needed[:, None, :] - self.lower[:, :, None]) / wide, 0.0, 1.0)
            out[:, m] = np.einsum("nat,nat->n", self.weights, inside)
        return out

    def quantile(self, tail: float) -> np.ndarray:
        """Return the true yield (n, m) below which the placement's lies with a chance."""
        low, high = np.zeros(self.emerged.shape[:2]), np.full(self.emerged.shape[:2], HIGHEST_YIELD)
        for _ in range(BISECTIONS):
            middle = (low + high) / 2
            under = self.below(middle) < tail
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return (low + high) / 2


def _cells(post: Posterior, months, which: np.ndarray | None, *, widened: bool = True) -> _Cells:
    at = np.arange(len(post.of.names)) if which is None else which
    months = np.asarray(months, dtype=float)
    months = months if months.ndim == 2 else np.tile(np.atleast_1d(months), (len(at), 1))
    by = likelihood.shared_by(post.dist.fit)
    zone = post.of.zone[at]
    ratio = months[:, :, None] * np.exp(-by.log_half[zone][:, None, None] - post.dist.tempos)
    emerged = share(by.shape, ratio, by.log_k[zone][:, None, None])[0]
    centre = CENTRES + post.of.shift[at, None]
    lower = np.maximum(centre - WIDTH / 2, 0.0)
    weights = _widened(post, at) if widened else post.weights[at]
    return _Cells(weights, emerged, lower, np.maximum(centre + WIDTH / 2, lower + LEAST_PLATEAU))


def _widened(post: Posterior, at: np.ndarray) -> np.ndarray:
    """Return weights (n, A, T) spread over plateaus by the error of the rate of native loss.

    A wrong rate moves what every reading says and the practice's distribution alike, so that no count of the
    case makes it smaller. The width of a cell stands for its own part of the variance.
    """
    fit = post.dist.fit
    start = fit.slices[PLATEAU][0]
    moves = fit.shared["native loss"][start : start + len(fit.zones)]
    sd = np.sqrt(np.maximum(moves**2 - WIDTH**2 / 12, 1e-12))
    ends = CENTRES[1:] - WIDTH / 2
    below = ndtr((ends[None, :, None] - CENTRES) / sd[:, None, None])
    kernel = np.diff(below, axis=1, prepend=0.0, append=1.0)
    out, zone = post.weights[at], post.of.zone[at]
    for k in np.unique(zone):
        here = zone == k
        out[here] = kernel[k] @ out[here]
    return out


def yields_at(
    post: Posterior, months, *, levels: tuple[float, ...] = (LEVEL,), which: np.ndarray | None = None
) -> dict[str, np.ndarray]:
    """Return the true yield of placements at months, percent of planted hairs.

    Parameters
    ----------
    months
        Shape (m,), the same for all, or (n, m): months after the session.
    levels
        Of the limits.
    which
        Numbers of the placements wanted (n,); all if not given.

    Returns
    -------
    dict of arrays
        `mean` and `var` (n, m); `low`, `high` (levels, n, m).
    """
    cells = _cells(post, months, which)
    middle = (cells.lower + cells.upper) / 2
    of_plateau = np.einsum("nat,na->nt", cells.weights, middle)
    of_square = np.einsum("nat,na->nt", cells.weights, middle**2 + (cells.upper - cells.lower) ** 2 / 12)
    mean = np.einsum("nt,nmt->nm", of_plateau, cells.emerged)
    variance = np.einsum("nt,nmt->nm", of_square, cells.emerged**2) - mean**2
    low, high = (np.stack([cells.quantile(0.5 + side * level / 2) for level in levels]) for side in (-1, 1))
    return {"mean": mean, "var": variance, "low": low, "high": high}


def _shared_sd(post: Posterior) -> np.ndarray:
    """Return how far the practice's own error moves a placement's plateau (j,), points."""
    fit = post.dist.fit
    start = fit.slices[PLATEAU][0]
    se = np.sqrt(np.diag(fit.beta_cov))[start : start + len(fit.zones)][post.of.zone]
    plateau = post.weights.sum(axis=2)
    variance = plateau @ CENTRES**2 - (plateau @ CENTRES) ** 2
    whole = post.dist.whole
    prior = (whole @ CENTRES**2 - (whole @ CENTRES) ** 2)[post.of.zone]
    return se * np.clip(variance / np.maximum(prior, 1.0), 0.0, 1.0)


def chance_below(
    post: Posterior, months, yield_pct, *, which: np.ndarray | None = None, of_practice: bool = False
) -> np.ndarray:
    """Return the chance (n, m) that the true yield at months lies below a yield, one number or (n, m).

    `of_practice`: the yield is one of the practice's own centiles, which errs with the case's by the same
    rate of native loss.
    """
    cells = _cells(post, months, which, widened=not of_practice)
    return cells.below(np.broadcast_to(np.asarray(yield_pct, dtype=float), cells.emerged.shape[:2]))


def slow_or_low(post: Posterior, *, tail: float = 0.1) -> dict[str, np.ndarray]:
    """Return the chances (j,) of slow only, low only, both and neither.

    Low: plateau in the lowest tenth of its zone's placements; slow: log tempo in the slowest tenth.
    """
    dist = post.dist
    below = np.cumsum(dist.whole, axis=1)
    before = below - dist.whole
    part_low = np.clip((tail - before) / np.maximum(dist.whole, 1e-300), 0.0, 1.0)[post.of.zone]
    tempo = np.einsum("ka,kat->kt", dist.whole, dist.tempo_given)
    beyond = np.cumsum(tempo[:, ::-1], axis=1)[:, ::-1] - tempo
    part_slow = np.clip((tail - beyond) / np.maximum(tempo, 1e-300), 0.0, 1.0)[post.of.zone]
    low = np.einsum("jat,ja->j", post.weights, part_low)
    slow = np.einsum("jat,jt->j", post.weights, part_slow)
    both = np.einsum("jat,ja,jt->j", post.weights, part_low, part_slow, optimize=True)
    return {"slow_only": slow - both, "low_only": low - both, "both": both, "neither": 1 - slow - low + both}


@dataclass(frozen=True, slots=True)
class Forecast:
    """Counts to come of one patient's regions.

    `path`: one row per placement, region and month asked for: `placement_id, zone, region_id, month, kept,
    density, density_var, parameter_var, between_patient_var, within_patient_var, count_var, yield_pct,
    yield_var`, and for each level in percent `low_, high_` (density) and `yield_low_, yield_high_` (true
    yield); empty from `forecasts_of_each`. `mean, sd, weight` (rows, cells): the mixture a count comes from.
    `together`: by placement, the weight of each node of what a patient's placements share, with each cell
    (nodes, cells); empty likewise.
    """

    path: pd.DataFrame
    mean: np.ndarray
    sd: np.ndarray
    weight: np.ndarray
    together: Mapping[object, np.ndarray] = field(default_factory=dict)

    def below(self, density) -> np.ndarray:
        """Return the chance (rows,) that a count lies below the densities given, one each."""
        value = np.asarray(density, dtype=float)[:, None]
        return np.sum(self.weight * ndtr((value - self.mean) / self.sd), axis=1)

    def moments(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the mean and the variance (rows,) of each count."""
        mean = np.sum(self.weight * self.mean, axis=1)
        return mean, np.sum(self.weight * (self.sd**2 + self.mean**2), axis=1) - mean**2

    def quantile(self, tail: float) -> np.ndarray:
        """Return the density (rows,) below which a count lies with a chance."""
        likely = (self.weight > NEGLIGIBLE).any(axis=0)
        mean, sd, weight = self.mean[:, likely], self.sd[:, likely], self.weight[:, likely]
        low, high = np.min(mean - 8 * sd, axis=1), np.max(mean + 8 * sd, axis=1)
        for _ in range(BISECTIONS):
            middle = (low + high) / 2
            under = np.sum(weight * ndtr((middle[:, None] - mean) / sd), axis=1) < tail
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return (low + high) / 2


def forecast(
    dist: PlateauDistribution,
    rows: pd.DataFrame | None,
    months,
    *,
    targets: pd.DataFrame | None = None,
    counted_area_cm2: float = 1.0,
    marked: bool = False,
    reader_changed: bool = False,
    levels: tuple[float, ...] = (0.5, 0.8, LEVEL),
) -> Forecast:
    """Predict counts and true yields of one patient's placements, given the readings in `rows`.

    Parameters
    ----------
    dist
        The practice's distribution, `fit_plateaus`.
    rows
        Readings of one patient, rows of `regrowth.rows_for(records, dist.fit).frame`, baselines included;
        None where there are none and `targets` is given.
    months
        Months after the session, 0 or more.
    targets
        What to predict, one row per placement and region: `placement_id, region_id, group` (zone), `planted`
        (calibrated, hairs/cm2), `planted_source`, `mix_i` where the fit has case mix, `native_share` where
        some of the baseline is hair planted before, which does not thin. The placements of `rows` if not
        given.
    counted_area_cm2, marked, reader_changed
        How the counts will be made.
    levels
        Of the limits.

    Raises
    ------
    ParameterError
        When a zone is not in the fit.
    """
    fit = dist.fit
    known, wanted = case_rows.arrays(fit, rows), case_rows.arrays(fit, targets)
    if targets is None:
        wanted = case_rows.pick(known, case_rows.first_of(known, "region"))
    ahead = case_rows.ahead(fit, known, wanted, np.atleast_1d(np.asarray(months, dtype=float)))
    n = len(ahead["month"])
    ahead |= {
        "counted_area_cm2": np.full(n, float(counted_area_cm2)),
        "both_marked": np.full(n, marked),
        "reader_changed": np.full(n, reader_changed),
    }
    post = _posterior(dist, _with_ahead(dist, known, ahead, np.zeros(len(known["month"]) + n)))
    asked = np.flatnonzero(np.isnan(post.of.density))
    found, parameter, counting = _counts(post, asked)
    given = _given_common(dist)[0]
    together = {at: _together(post, at, given) for at in np.unique(post.of.row_placement[asked])}
    path = _path(post, asked, found, parameter, counting, levels, together)
    return replace(found, path=path, together={post.of.names[at]: w for at, w in together.items()})


def forecasts_of_each(
    dist: PlateauDistribution, rows: pd.DataFrame, ahead: pd.DataFrame
) -> Iterator[tuple[np.ndarray, Forecast]]:
    """Yield forecasts of one count each of many placements, without paths: places in `ahead`, and forecast.

    Parameters
    ----------
    rows
        Readings of many patients, rows of `regrowth.rows_for(records, dist.fit).frame`.
    ahead
        One row per placement, all in `rows`: `patient_id, placement_id, month`, and how the count will be
        made, `counted_area_cm2, both_marked, reader_changed`. Its first region in `rows` is predicted.
    """
    every, given = case_rows.arrays(dist.fit, rows), _given_common(dist)
    of_patient = {rows["patient_id"].iloc[at[0]]: at for at in case_rows.positions(rows["patient_id"])}
    asked = case_rows.positions(ahead["patient_id"])
    patients = ahead["patient_id"].to_numpy()[[at[0] for at in asked]]
    size = np.cumsum([len(of_patient[p]) + len(at) for p, at in zip(patients, asked, strict=True)])
    block = size * dist.whole.shape[1] * len(dist.tempos) // likelihood.BLOCK
    for some in case_rows.positions(block):
        of_known = np.concatenate([of_patient[patients[i]] for i in some])
        at = np.concatenate([asked[i] for i in some])
        known, made = case_rows.pick(every, of_known), ahead.iloc[at]
        first = case_rows.first_of(known, "placement_id")
        where = pd.Index(known["placement_id"][first]).get_indexer(made["placement_id"].astype(str))
        wanted = case_rows.pick(known, first[where])
        coming = case_rows.ahead(dist.fit, known, wanted, made["month"].to_numpy(dtype=float)[:, None])
        kinds = {"counted_area_cm2": float, "both_marked": bool, "reader_changed": bool}
        coming |= {name: made[name].to_numpy(dtype=kind) for name, kind in kinds.items()}
        whose = np.concatenate([rows["patient_id"].to_numpy()[of_known], made["patient_id"].to_numpy()])
        post = _posterior(dist, _with_ahead(dist, known, coming, whose), given)
        asked_for = np.flatnonzero(np.isnan(post.of.density))
        names = pd.Index(post.of.names[post.of.row_placement[asked_for]])
        yield at, _counts(post, asked_for[names.get_indexer(wanted["placement_id"])])[0]


def _with_ahead(
    dist: PlateauDistribution, known: case_rows.Rows, ahead: case_rows.Rows, patients: np.ndarray
) -> Placements:
    """Return readings in arrays, with the counts to come behind them (without a density)."""
    ahead = {**ahead, "density": np.full(len(ahead["month"]), np.nan)}
    both = {name: np.concatenate([known[name], ahead[name]]) for name in known}
    return likelihood.from_rows(dist.fit, both, patients, np.zeros(len(both["month"])))


def _counts(post: Posterior, asked: np.ndarray) -> tuple[Forecast, np.ndarray, np.ndarray]:
    """Return the forecast of the rows asked for, and the parts of its variance that a path tells apart.

    These are that of the practice's own error (rows,) and of counting (rows, cells).
    """
    dist, of = post.dist, post.of
    by = likelihood.shared_by(dist.fit)
    sums = likelihood.sums(of, by, dist.grid)
    r, j = of.region[asked], of.row_placement[asked]
    grown = likelihood.grown_on(of, by, dist.grid)[asked]
    kept = of.kept[asked, None, None]
    p = 1 / of.cv[j, None, None] ** 2 + sums.C[j]
    eps = sums.D[j] / p
    native = of.fixed[asked, None, None] + (sums.E[r] - sums.B[r] * eps) / sums.A[r]
    mean = np.maximum(kept * native + grown * (1 + eps), 0.0)
    unknown = kept**2 / sums.A[r] + (grown - kept * sums.B[r] / sums.A[r]) ** 2 / p
    counting = by.residual + measurement.count_variance(
        np.maximum(mean, 1 / of.area[asked, None, None]),
        of.area[asked, None, None],
        marked=of.marked[asked, None, None],
        reader_changed=of.changed[asked, None, None],
        error=by.count_error,
    )
    weight = post.weights[j]
    plateau = np.maximum(CENTRES + of.shift[j, None], LEAST_PLATEAU)
    a_point = np.einsum("iat,iat->i", weight, grown / plateau[:, :, None])
    parameter = (_shared_sd(post)[j] * a_point) ** 2
    sd = np.sqrt(unknown + counting)
    flat = (len(asked), -1)
    found = Forecast(pd.DataFrame(), mean.reshape(flat), sd.reshape(flat), weight.reshape(flat))
    return found, parameter, counting.reshape(flat)


def _path(post: Posterior, asked, found: Forecast, parameter, counting, levels, together) -> pd.DataFrame:
    of, fit = post.of, post.dist.fit
    j = of.row_placement[asked]
    density, variance = found.moments()
    count = np.sum(found.weight * counting, axis=1)
    between = np.minimum(_of_patient(together, j, found.mean, density), variance - count)
    parameter = np.minimum(parameter, variance - count - between)
    true = yields_at(post, of.month[asked][:, None], levels=levels, which=j)
    columns = {
        "placement_id": of.names[j],
        "zone": np.array(fit.zones, dtype=object)[of.zone[j]],
        "region_id": of.region_names[of.region[asked]],
        "month": of.month[asked],
        "kept": of.kept[asked],
        "density": density,
        "density_var": variance,
        "parameter_var": parameter,
        "between_patient_var": between,
        "within_patient_var": variance - count - parameter - between,
        "count_var": count,
        "yield_pct": true["mean"][:, 0],
        "yield_var": true["var"][:, 0],
    }
    for i, level in enumerate(levels):
        tag = f"{100 * level:g}"
        columns[f"low_{tag}"] = np.maximum(found.quantile(0.5 - level / 2), 0.0)
        columns[f"high_{tag}"] = found.quantile(0.5 + level / 2)
        columns[f"yield_low_{tag}"] = true["low"][i, :, 0]
        columns[f"yield_high_{tag}"] = true["high"][i, :, 0]
    return pd.DataFrame(columns)


def _together(post: Posterior, at: int, given: np.ndarray) -> np.ndarray:
    """Return the weight (nodes, cells) of what a patient's placements share with each cell of one of them."""
    of_zone = given[:, post.of.zone[at]]
    likely = post.weights[at].ravel() / np.maximum(post.others[at] @ of_zone, 1e-300)
    return post.others[at][:, None] * of_zone * likely


def _of_patient(together: Mapping, j, mean: np.ndarray, density: np.ndarray) -> np.ndarray:
    """Return the variance of the expected count over what the patient's placements share."""
    out = np.zeros(len(j))
    for at, joint in together.items():
        size = joint.sum(axis=1)
        mine = j == at
        each = (joint @ mean[mine].T) / np.maximum(size, 1e-300)[:, None]
        out[mine] = size @ (each - density[mine]) ** 2
    return out
