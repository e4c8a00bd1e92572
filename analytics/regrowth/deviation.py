"""How unusual are one placement's readings among the practice's own cases? What does the model leave over?

Of one placement, all readings are taken together.

Readings are weighed by how much they tell of the placement's true yield at its last one (best linear
prediction, with the patient's other placements in it). The share of the practice's cases whose readings,
weighed alike, lie lower is a sum over cells of the placement's own plateau and log tempo
(`regrowth.distribution`): given those, readings are normal about the curve, with what the other effects, the
practice's estimated curve and the counts add. The practice's cases are here those of its regular growth: held
against all of them, failures among them, no failure would be unusual. The share is uniform over such cases,
however many readings there are and wherever they lie on the curve.

The effects of a case are those of the emergence model: plateau, log tempo and reader's habit of the patient;
plateau, error of planted density and log tempo of each placement; native density of each region. The error
of planted density multiplies the placement's own growth.

What a fitted model leaves over. A patient is judged whole: the distance r' V^-1 r of all of a patient's
readings together, V being the model's covariance of them. Zones, months and quarters of what is expected: the
mean observed less the mean expected. Quantiles of residuals made independent (L' r with V^-1 = L L') stand
against those of a normal distribution; only between the 5th and the 95th centile, so that no reading is told.
So does each gain (count less the native hair of the count before) among those that the model simulates for it
(`numerics.diagnostics.among_simulated`): there curve, effects and counting errors are not linearised.

Sources: Houseman, Ryan & Coull 2004, J Am Stat Assoc 99:383-394 (independent residuals); Pinheiro & Bates
2000, Mixed-Effects Models in S and S-PLUS, ch. 4.
"""

from collections.abc import Mapping
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import scipy
from scipy.special import ndtr, ndtri

from analytics import measurement
from analytics.numerics import diagnostics
from analytics.numerics.nonlinear import share
from analytics.records import Records
from analytics.regrowth import case_rows, likelihood
from analytics.regrowth.case_rows import Laid, Places
from analytics.regrowth.distribution import CENTRES, PlateauDistribution
from analytics.regrowth.emergence import Emergence
from analytics.regrowth.layout import density_curve
from analytics.regrowth.quantities import parameters, true_plateau_variances
from analytics.regrowth.rows import select
from analytics.results import LEVEL, Curve, limits, line

_MOST = 8.0
_LEAST_VARIANCE = 1e-12
ODD = 0.01  # named where a patient's p-value times the number of patients is under this (Bonferroni)
MONTHS = (0.0, 9.0, 12.0, 15.0, 18.0, 24.0, np.inf)
SPANS = tuple(
    f"from {low:g} to under {high:g} months" if np.isfinite(high) else f"from {low:g} months"
    for low, high in pairwise(MONTHS)
)
QUARTERS = ("lowest quarter", "second quarter", "third quarter", "highest quarter")
FEWEST_FOR_QUANTILES = 20  # no source: a centile then rests on more than one
CENTILES = np.linspace(0.05, 0.95, 37)
SETS, MOST_PLACEMENTS = 199, 1500  # simulated sets, and placements they are made of at most (our choice)
UNLIKE = 0.05  # a departure whose p-value is smaller is named (common practice)


def deviations(plateaus: PlateauDistribution, rows: pd.DataFrame) -> pd.DataFrame:
    """Return how far placements' readings lie from the practice's, and what such readings tell.

    Cases that were read alike (the same zones, months, densities planted, ways of counting) are weighed once.

    Parameters
    ----------
    plateaus
        The practice's model: `regrowth.fit_plateaus`.
    rows
        Rows of one patient or of many, as for `posterior`, with all of a patient's rows.

    Returns
    -------
    pandas.DataFrame
        By placement_id, those with a reading after the session: `z`, the deviation, standard normal over the
        practice's cases; `told`, the share of the variance of true yield between cases at the last reading
        that such readings tell, 0 to 1.

    Examples
    --------
    Shown by `course.call_back`, which lists them: it needs a fitted practice.
    """
    known = case_rows.arrays(plateaus.fit, rows)
    weighed: dict[bytes, _Weighed] = {}
    found: dict[str, tuple[float, float]] = {}
    for at in case_rows.positions(rows["patient_id"].to_numpy()):
        own = case_rows.pick(known, at)
        places = case_rows.places(plateaus.fit, own)
        seen = case_rows.lay_out(plateaus.fit, own, places)
        alike = _read_as(seen, places)
        for j, name in enumerate(places.placements):
            is_own = own["placement_id"] == name
            if seen.x[is_own, 0].max() > 0:
                key = b"%d|%s" % (j, alike)
                if key not in weighed:
                    last = int(np.flatnonzero(is_own)[np.argmax(seen.x[is_own, 0])])
                    weighed[key] = _weighed(plateaus, seen, places, (j, last))
                found[name] = (weighed[key].deviation(seen.y), weighed[key].told)
    index = pd.Index(list(found), name="placement_id", dtype=object)
    return pd.DataFrame(list(found.values()), index=index, columns=["z", "told"], dtype=float)


def _read_as(seen: Laid, places: Places) -> bytes:
    """Return all that is known of a case but its counts."""
    arrays = (seen.x, seen.base, *seen.fixed, *seen.effects, *seen.variance_terms)
    return repr((places.zones, places.sources)).encode() + b"".join(a.tobytes() for a in arrays)


class _Weighed(NamedTuple):
    """How the readings of cases read alike are weighed, and what they then say.

    `read` (n,) weights of the readings; `expected` (A, T) and `sd` (A, T) of their weighed sum by cell of the
    practice's regular growth, whose probability is `cells` (A, T); `told` as in `deviations`.
    """

    read: np.ndarray
    expected: np.ndarray
    sd: np.ndarray
    cells: np.ndarray
    told: float

    def deviation(self, counts: np.ndarray) -> float:
        """Return the deviation of one case's counts (n,), by the share of the practice's that lie lower."""
        lower = 0.5
        if np.all(self.sd > 0):
            lower = float(np.sum(self.cells * ndtr((counts @ self.read - self.expected) / self.sd)))
        return float(np.clip(ndtri(lower), -_MOST, _MOST))


def _weighed(plateaus: PlateauDistribution, seen: Laid, places: Places, which: tuple[int, int]) -> _Weighed:
    """Return the weights of a case's readings for placement and last reading `which`."""
    fit = plateaus.fit
    cells = plateaus.cells(fit.zones[places.zones[which[0]]], only_regular=True)
    cells = cells / cells.sum()
    weight = cells.sum(axis=0)
    at = _given_tempo(fit, seen, places, which, plateaus.tempos)
    apart, off = at.mean - weight @ at.mean, at.true - weight @ at.true
    whole = np.tensordot(weight, at.spread, axes=1) + (apart.T * weight) @ apart
    with_yield = weight @ (at.emerged[:, None] * at.by_plateau * at.left + apart * off[:, None])
    read = np.linalg.solve(whole, with_yield)
    between = float(weight @ (at.left * at.emerged**2 + off**2))
    told = float(read @ with_yield) / between if between > _LEAST_VARIANCE else 0.0  # 0: cases are all alike
    slope, error = at.by_plateau @ read, at.error @ read
    rest = at.spread @ read @ read - slope**2 * at.left - error**2
    variance = np.maximum(rest, 0.0) + (error * CENTRES[:, None] / np.maximum(at.own, 1.0)) ** 2
    expected = at.mean @ read + slope * (CENTRES[:, None] - at.own)
    return _Weighed(read, expected, np.sqrt(variance), cells, min(max(told, 0.0), 1.0))


class _Nodes(NamedTuple):
    """By node of log tempo (T): what the readings are, given it, where plateaus are normal.

    `mean` (T, n) and `spread` (T, n, n) of the readings; `true`, the last true yield, and `emerged`, its
    share of the plateau (T,); `left`, the variance of the own plateau; `by_plateau` (T, n), how the
    readings' means follow it; `own` (T,), the plateau of `mean`; `error` (T, n), what one SD of the own error
    of planted density adds to each reading.
    """

    mean: np.ndarray
    spread: np.ndarray
    true: np.ndarray
    emerged: np.ndarray
    left: float
    by_plateau: np.ndarray
    own: np.ndarray
    error: np.ndarray


def _given_tempo(fit: Emergence, seen: Laid, places: Places, which: tuple[int, int], tempos) -> _Nodes:
    """Return what the readings are at each node of log tempo, for placement and last reading `which`."""
    j, last = which
    prior = prior_of(fit, places)
    plateau, tempo = np.zeros(places.size), np.zeros(places.size)
    plateau[[0, places.own(j)]] = 1.0
    tempo[[1, places.own(j) + 2]] = 1.0
    with_tempo, spread = prior @ tempo, float(tempo @ prior @ tempo)
    slope = with_tempo / spread if spread > _LEAST_VARIANCE else np.zeros(places.size)
    left = prior - np.outer(slope, with_tempo)
    b = np.outer(tempos, slope)
    mean, by_effect, by_beta = evaluate(fit, seen, b)
    area, marked, changed = seen.variance_terms
    count = measurement.count_variance(
        np.maximum(mean, 1.0 / area), area, marked=marked, reader_changed=changed, error=fit.count_error
    )
    error = by_effect @ left @ np.swapaxes(by_effect, 1, 2)
    error += by_beta @ fit.beta_cov @ np.swapaxes(by_beta, 1, 2)
    diagonal = np.arange(len(seen.y))
    error[:, diagonal, diagonal] += float(fit.spread[-1]) + count
    ratio = seen.x[last, 0] * np.exp(-(seen.base[last, 2] + b @ seen.effects[2][last]))
    emerged = share(fit.shape, ratio, seen.base[last, 3] + seen.x[last, 4])[0]
    own = seen.base[last, 1] + b @ plateau
    variance = float(plateau @ left @ plateau)
    by_plateau = by_effect @ (left @ plateau) / max(variance, _LEAST_VARIANCE)
    at = places.own(j) + 1
    planted = by_effect[:, :, at] * float(np.sqrt(prior[at, at]))
    return _Nodes(mean, error, emerged * own, emerged, variance, by_plateau, own, planted)


def prior_of(fit: Emergence, places: Places) -> np.ndarray:
    """Return the prior covariance of the case's effects: patient, then placements, then regions."""
    named = dict(zip(fit.spread_names, fit.spread, strict=True))
    patient, placement = (max(v, 0.0) for v in true_plateau_variances(fit, fit.beta, fit.spread))
    plateau = float(np.average(parameters(fit, fit.beta)[0], weights=fit.n_placements))
    tempo = named.get("patient: log tempo", 0.0)
    # Where the readers' share was larger than the estimate the covariance must still be one.
    most = 0.99 * float(np.sqrt(patient * tempo))
    covariance = float(np.clip(named.get("patient: log tempo with plateau", 0.0), -most, most))
    prior = np.zeros((places.size, places.size))
    prior[0, 0], prior[1, 1], prior[2, 2] = patient, tempo, (plateau * fit.reader_cv) ** 2
    prior[0, 1] = prior[1, 0] = covariance
    for j, source in enumerate(places.sources):
        at = places.own(j)
        cv = fit.planted_cv.get(source, max(fit.planted_cv.values()))
        prior[at, at] = placement
        prior[at + 1, at + 1] = (plateau * cv) ** 2
        prior[at + 2, at + 2] = named.get("placement: log tempo", 0.0)
    for r in range(len(places.regions)):
        prior[places.native(r), places.native(r)] = named["region: native"]
    return prior


def evaluate(fit: Emergence, laid: Laid, b: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return curve (T, n) at effects b (T, q), and its slopes in them (T, n, q) and in beta (T, n, p)."""
    values = np.tile(laid.base, (len(b), 1, 1))
    for k in range(3):
        values[:, :, k] += b @ laid.effects[k].T
    flat = values.reshape(-1, values.shape[2])
    mean, slopes = density_curve(fit.curve, np.tile(laid.x, (len(b), 1)), flat)
    slopes = slopes.reshape(*values.shape[:2], -1)
    by_effect = sum(slopes[:, :, k, None] * laid.effects[k] for k in range(3))
    by_beta = np.concatenate([slopes[:, :, k, None] * d for k, d in enumerate(laid.fixed)], axis=2)
    return mean.reshape(values.shape[:2]), by_effect, by_beta


def leftover(records: Records, *, fit: Emergence) -> Curve:
    """Return what the emergence model leaves over of each count; `path` holds the quantiles.

    Parameters
    ----------
    fit
        `regrowth.fit_emergence` of the same records.

    Returns
    -------
    Curve
        By part: the share of patients further off than chance allows; observed less expected density by
        zone, month after the session and quarter of what is expected, with errors by patient.

    Examples
    --------
    >>> from analytics import simulate
    >>> from analytics.regrowth.emergence import fit_emergence
    >>> clinic = simulate.as_records(simulate.register(20)[0])
    >>> leftover(clinic, fit=fit_emergence(clinic)).table()["part"].iloc[0]
    'patients'
    """
    rows = select(records, choices=fit.choices, coded=fit.mix, from_month=fit.from_month, by=fit.by)
    frame, white = rows.frame, fit.independent
    codes = pd.factorize(frame["patient_id"])[0]
    distance, n_rows = np.bincount(codes, white**2), np.bincount(codes)
    p = scipy.stats.chi2.sf(distance, n_rows)
    after = ~frame["is_baseline"].to_numpy(dtype=bool)
    density = frame["density"].to_numpy(dtype=float)
    seen = observed(frame[after], density[after], fit.expected[after], month="month")
    off = far_off(p)
    # A sum of n squares as one normal number: below 0 where a patient lies nearer than most.
    whole = scipy.stats.norm.isf(np.clip(p, 1e-12, 1 - 1e-12))
    found, n = _among_simulated(fit, likelihood.lay_out(fit, frame))
    shape, checks = as_simulated(found, n)
    shown = {"residuals": white, "patients": whole, "gains as simulated": found.residual}
    return Curve(
        pd.DataFrame([off, *shape, *gaps(seen, "hairs/cm2", LEVEL)]), rows.used,
        f"{fit.likelihood}; observed less expected with errors by patient, coefficients taken as known; "
        f"gains since the count before among {SIMULATED}",
        checks={"no_patient_further_off_than_chance_allows": off["numerator"] == 0, **checks}, by=("part",),
        picture="quantiles", path=quantiles(shown, len(p)), x_name="normal quantile",
    )  # fmt: skip


SIMULATED = f"those of {SETS} sets simulated from the fitted model (randomised quantile residuals)"


def _among_simulated(fit: Emergence, of: likelihood.Placements) -> tuple[diagnostics.Simulated, int]:
    """Return where gains since the count before the session lie among simulated ones, and how many patients.

    Of a large register some patients, drawn by chance: the shape of a distribution needs no more.
    """
    rng = np.random.default_rng(1)
    patients = rng.permutation(int(of.patient.max()) + 1)
    upto = np.cumsum(np.bincount(of.patient)[patients])
    of = likelihood.chosen(of, np.flatnonzero(np.isin(of.patient, patients[upto <= MOST_PLACEMENTS])))
    before = of.month == 0
    n_before = np.bincount(of.region, weights=before, minlength=len(of.placement))
    kept = ~before & (n_before[of.region] > 0)
    mean = scipy.sparse.csr_array(
        (before / np.maximum(n_before, 1)[of.region], (np.arange(len(before)), of.region)),
        shape=(len(before), len(n_before)),
    )
    counts = np.vstack([of.density, likelihood.simulated(fit, of, SETS, rng)])
    gains = (counts - of.kept * (counts @ mean)[:, of.region])[:, kept]
    who = of.patient[of.row_placement][kept]
    return diagnostics.among_simulated(gains[0], gains[1:], step=1 / of.area[kept]), len(np.unique(who))


def as_simulated(
    found: diagnostics.Simulated, n_patients: int
) -> tuple[list[dict[str, Any]], dict[str, bool]]:
    """Return the line and the check of how far a distribution departs from the simulated one.

    Parameters
    ----------
    found
        Of `numerics.diagnostics.among_simulated`.
    n_patients
        Patients behind it.

    Returns
    -------
    tuple
        Lines (none where there are too few values) and checks by name.

    Examples
    --------
    >>> lines, checks = as_simulated(diagnostics.Simulated(np.zeros(30), 0.05, 0.4), 20)
    >>> lines[0]["estimate"], checks
    (5.0, {'distributed_as_simulated': True})
    """
    if len(found.residual) < FEWEST_FOR_QUANTILES:
        return [], {}
    told = line(
        "largest departure from the simulated distribution", 100 * found.departure, "points",
        by={"part": "as simulated"}, p_value=found.p_value, basis="model", n_patients=n_patients,
        n_rows=len(found.residual),
    )  # fmt: skip
    return [told], {"distributed_as_simulated": found.p_value >= UNLIKE}


def far_off(p: np.ndarray) -> dict[str, Any]:
    """Return the line of how many patients (p-value each) are further off than chance allows.

    Parameters
    ----------
    p
        A p-value for each patient, (n,).

    Returns
    -------
    dict
        A line of a result, percent of patients.

    Examples
    --------
    Of two patients, one whose p-value of 0.001 is unusual among two:

    >>> far_off(np.array([0.001, 0.5]))["estimate"]
    50.0
    """
    far, n = int((p * len(p) < ODD).sum()), len(p)
    return line(
        "further off than chance allows", 100 * far / n, "% of patients", by={"part": "patients"},
        basis="share", numerator=far, denominator=n, n_patients=n,
    )  # fmt: skip


def observed(frame: pd.DataFrame, y: np.ndarray, expected: np.ndarray, *, month: str) -> pd.DataFrame:
    """Return the mean observed and expected outcome by zone, month of the reading and quarter of expected.

    Columns: by, group, observed, expected, se (of observed less expected, by patient), n_rows, n_patients.

    Parameters
    ----------
    frame
        Rows (n,) with `patient_id`, and `zone` or a column of the month where there are such.
    y
        Observed outcome, (n,).
    expected
        What a model expects of it, (n,), in the same unit.
    month
        Name of the column of months since the session.

    Returns
    -------
    pandas.DataFrame
        Columns by, group, observed, expected, se (of observed less expected, by patient), n_rows, n_patients.

    Examples
    --------
    >>> rows = pd.DataFrame({"patient_id": ["a", "a", "b"], "zone": "crown"})
    >>> seen = observed(rows, np.array([3.0, 5.0, 7.0]), np.array([4.0, 5.0, 3.0]), month="month")
    >>> seen[["group", "observed", "expected", "n_patients"]].values.tolist()
    [['crown', 5.0, 4.0, 2]]
    """
    rows = []
    own = frame.assign(seen=y, expected=expected).reset_index(drop=True)
    sides = {"zone": own.get("zone")}
    if month in own:
        sides["month"] = pd.cut(own[month], MONTHS, right=False, labels=SPANS)
    if len(own) >= FEWEST_FOR_QUANTILES:
        rank = own["expected"].rank(method="average", pct=True)
        sides["what is expected"] = pd.cut(rank, np.linspace(0, 1, len(QUARTERS) + 1), labels=QUARTERS)
    for by, groups in sides.items():
        if groups is None or groups.isna().all():
            continue
        for group, some in own.groupby(groups, observed=True):
            gap = (some["seen"] - some["expected"]).groupby(some["patient_id"]).sum()
            rows.append(
                {
                    "by": by, "group": str(group), "observed": some["seen"].mean(),
                    "expected": some["expected"].mean(), "se": np.sqrt((gap**2).sum()) / len(some),
                    "n_rows": len(some), "n_patients": some["patient_id"].nunique(),
                }
            )  # fmt: skip
    columns = ["by", "group", "observed", "expected", "se", "n_rows", "n_patients"]
    return pd.DataFrame(rows, columns=columns)


def gaps(seen: pd.DataFrame, unit: str, level: float) -> list[dict]:
    """Return the lines of `observed`: observed less expected, with its interval.

    Parameters
    ----------
    seen
        Of `observed`.
    unit
        Of the outcome, in words.

    Returns
    -------
    list of dict
        A line of a result for each row.
    """
    rows = []
    for one in seen.itertuples():
        gap = float(one.observed - one.expected)
        counts: dict[str, Any] = {"n_patients": int(one.n_patients), "n_rows": int(one.n_rows)}
        ci = limits(gap, float(one.se), level=level) if one.n_patients > 1 else None
        by = {"part": f"observed less expected, by {one.by}"}
        rows.append(line(one.group, gap, unit, by=by, se=one.se, ci=ci, level=level, basis="model", **counts))
    return rows


def quantiles(shown: Mapping[str, np.ndarray], n_patients: int) -> pd.DataFrame:
    """Return quantiles against normal ones, and the line on which they would lie."""
    z = scipy.stats.norm.ppf(CENTILES).round(12)  # the median is 0 exactly, not by 1e-16
    made = []
    for part, values in shown.items():
        if len(values) < FEWEST_FOR_QUANTILES:
            continue
        for term, at in (("observed", np.quantile(values, CENTILES)), ("normal distribution", z)):
            made.append(pd.DataFrame({"part": part, "term": term, "x": z, "estimate": at}))
    if not made:
        return pd.DataFrame(columns=["part", "term", "x", "estimate", "unit", "basis", "n_patients"])
    return pd.concat(made, ignore_index=True).assign(
        unit="standard deviations", basis="model", n_patients=n_patients
    )
