"""What do the counts of one placement say of its own plateau and tempo, whatever the other placements are?

The likelihood of every placement on a grid of plateau a (percent of planted hairs) and log tempo t, what the
practice shares (half month H, steepness, native density, counting error) held at the emergence fit:

    grown_i = planted_i a/100 F(month_i / (H exp(t)))
    count_i = kept_i (native + b_region) + grown_i (1 + eps) + e_i

b is normal with the fit's spread of native density between regions, eps normal with the CV of planted density
and of readers' habits together: such an error multiplies the case's own growth, so that it is nothing for
hair that did not grow. e has the variance of a count at the density expected (`measurement.count_variance`,
native hair at its baseline count drawn towards the zone's mean) and the fit's residual. b and eps are
integrated out exactly, region by region; what remains of each region is kept, because a forecast needs it.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy

from analytics import measurement
from analytics.measurement import CountError
from analytics.numerics.nonlinear import Shape, share
from analytics.regrowth import case_rows
from analytics.regrowth.emergence import Emergence
from analytics.regrowth.layout import NATIVE, PLATEAU, SHED
from analytics.regrowth.quantities import parameters, true_plateau_variances

LEAST_PLATEAU = 0.5  # percent: a case-mix shift takes no cell of the grid below
LEAST_CV, LEAST_NATIVE_VAR = 1e-3, 1e-4
BLOCK = 200_000  # cells of the grid worked on at once


@dataclass(frozen=True, slots=True)
class Placements:
    """Rows of placements in arrays, in order of placement and region.

    One entry a row: `month, planted, kept` (with `kept_se`, what one standard error of the rate of native
    loss does to it), `fixed` (native density expected before any region's own), `density, area, marked,
    changed, region`. One a region: `placement, native_var, native_hat`. One a placement: `names, patient,
    zone, cv, shift` (case mix, points), `leans` on the zone's mean ratio.
    """

    month: np.ndarray
    planted: np.ndarray
    kept: np.ndarray
    kept_se: np.ndarray
    fixed: np.ndarray
    density: np.ndarray
    area: np.ndarray
    marked: np.ndarray
    changed: np.ndarray
    region: np.ndarray
    placement: np.ndarray
    native_var: np.ndarray
    native_hat: np.ndarray
    region_names: np.ndarray
    names: np.ndarray
    patient: np.ndarray
    zone: np.ndarray
    cv: np.ndarray
    shift: np.ndarray
    leans: np.ndarray

    @property
    def row_placement(self) -> np.ndarray:
        """Return the number of each row's placement."""
        return self.placement[self.region]


def lay_out(fit: Emergence, frame: pd.DataFrame) -> Placements:
    """Return the arrays of rows from `regrowth.rows_for(...).frame` (one patient's, or all)."""
    patients = frame["patient_id"].to_numpy() if "patient_id" in frame else np.zeros(len(frame))
    leans = frame["leans"].to_numpy(dtype=float) if "leans" in frame else np.zeros(len(frame))
    return from_rows(fit, case_rows.arrays(fit, frame), patients, leans)


def from_rows(fit: Emergence, rows: case_rows.Rows, patients: np.ndarray, leans: np.ndarray) -> Placements:
    """Return the arrays of rows; one without a density (NaN) is a count to come and says nothing."""
    place = pd.factorize(rows["placement_id"])[0]
    order = np.lexsort((pd.factorize(rows["region"])[0], place))
    rows, place = case_rows.pick(rows, order), place[order]
    first = np.unique(place, return_index=True)[1]
    region = pd.factorize(rows["region"])[0]
    once = np.unique(region, return_index=True)[1]
    zone = np.array([fit.zone_index(z) for z in rows["group"]])
    fixed, kept = native(fit, rows, zone)
    native_var = np.maximum(named(fit)["region: native"], 0.0) * fit.native_scale[zone[once]] ** 2
    native_var = np.maximum(native_var, LEAST_NATIVE_VAR)
    return Placements(
        month=np.where(rows["is_baseline"], 0.0, np.maximum(rows["month"], 0.0)),
        planted=rows["planted"],
        kept=kept,
        kept_se=rows["kept_se"],
        fixed=fixed,
        density=rows["density"],
        area=rows["counted_area_cm2"],
        marked=rows["both_marked"],
        changed=rows["reader_changed"] & ~rows["is_baseline"],
        region=region,
        placement=pd.factorize(rows["placement_id"])[0][once],
        native_var=native_var,
        native_hat=_native_hat(fit, rows, region, fixed, native_var),
        region_names=rows["region_id"][once],
        names=rows["placement_id"][first],
        patient=pd.factorize(patients[order][first])[0],
        zone=zone[first],
        cv=error_cv(fit, rows["planted_source"][first]),
        shift=mix_shift(fit, rows["mix"][first]),
        leans=leans[order][first],
    )


def named(fit: Emergence) -> dict[str, float]:
    """Return the variances of a fit by name."""
    return dict(zip(fit.spread_names, fit.spread.tolist(), strict=True))


def native(fit: Emergence, rows: case_rows.Rows, zone: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return native density by the fixed effects alone, and the share of it standing at each row."""
    start, end = fit.slices[NATIVE]
    fixed = fit.beta[start:end][zone]
    if fit.has_carried:
        fixed = fixed + fit.beta[end - 1] * np.where(rows["is_later"], rows["planted_before"], 0.0)
    shed = fit.beta[fit.slices[SHED][0]] if fit.has_shed else 0.0
    return fixed, rows["kept"] * (1 - shed * rows["shed"])


def error_cv(fit: Emergence, sources: np.ndarray) -> np.ndarray:
    """Return how far a placement's growth is read wrong by planted density and reader, as a share of it."""
    most = max(fit.planted_cv.values())
    planted = np.array([fit.planted_cv.get(s, most) for s in sources])
    return np.maximum(np.hypot(planted, fit.reader_cv), LEAST_CV)


def mix_shift(fit: Emergence, mix: np.ndarray) -> np.ndarray:
    """Return what case mix adds to the plateau of each placement, in points."""
    start = fit.slices[PLATEAU][0] + len(fit.zones)
    return mix @ fit.beta[start : start + len(fit.mix)]


def _native_hat(fit: Emergence, rows, region, fixed, native_var) -> np.ndarray:
    """Return each region's native density: its baseline counts drawn towards what is expected of it."""
    before = rows["is_baseline"].astype(bool) & np.isfinite(rows["density"])
    once = np.unique(region, return_index=True)[1]
    count = np.bincount(region, weights=before)
    mean = np.bincount(region, weights=np.where(before, rows["density"], 0.0)) / np.maximum(count, 1)
    expected = fixed[once]
    variance = float(fit.spread[-1]) + measurement.count_variance(
        np.maximum(expected, 1.0 / rows["counted_area_cm2"][once]),
        rows["counted_area_cm2"][once],
        marked=rows["both_marked"][once],
        reader_changed=False,
        error=fit.count_error,
    )
    share_own = np.where(count > 0, native_var / (native_var + variance / np.maximum(count, 1)), 0.0)
    return np.maximum(expected + share_own * (mean - expected), 0.0)


@dataclass(frozen=True, slots=True)
class Grid:
    """Cells of the grid: centres and half width of plateau (percent), nodes of log tempo."""

    centres: np.ndarray
    half_width: float
    tempos: np.ndarray


@dataclass(frozen=True, slots=True)
class Shared:
    """What the practice shares and the likelihood holds; one entry a zone where an array."""

    shape: Shape
    log_half: np.ndarray
    log_k: np.ndarray
    count_error: CountError
    residual: float


def shared_by(fit: Emergence) -> Shared:
    """Return what a fit holds for all placements."""
    _, log_half, log_k = parameters(fit, fit.beta)
    return Shared(fit.shape, log_half, log_k, fit.count_error, float(fit.spread[-1]))


@dataclass(frozen=True, slots=True)
class Sums:
    """What the counts leave of a, t on the grid, b integrated out: see the module's formulas.

    By placement (j, A, T): `C, D, Q, L`; by region (r, A, T), where kept: `A, B, E`.
    """

    C: np.ndarray
    D: np.ndarray
    Q: np.ndarray
    L: np.ndarray
    A: np.ndarray
    B: np.ndarray
    E: np.ndarray

    def log_likelihood(self, cv: np.ndarray) -> np.ndarray:
        """Return the log-likelihood (j, A, T), eps of the given CVs (j,) integrated out."""
        around = 1 / cv[:, None, None] ** 2
        p = around + self.C
        return -0.5 * (self.Q - self.D**2 / p + self.L + np.log(p / around))


def log_likelihood(of: Placements, by: Shared, grid: Grid) -> np.ndarray:
    """Return the log-likelihood of every placement (j, A, T)."""
    return np.concatenate([block for _, block in blocks(of, by, grid)])


def blocks(of: Placements, by: Shared, grid: Grid) -> Iterator[tuple[slice, np.ndarray]]:
    """Yield the places and log-likelihoods of some placements after others: a large register is much."""
    cells = len(grid.centres) * len(grid.tempos)
    upto = np.searchsorted(of.row_placement, np.arange(len(of.names) + 1))
    start = 0
    while start < len(of.names):
        most = upto[start] + max(BLOCK // cells, 1)
        stop = max(int(np.searchsorted(upto, most, side="right")) - 1, start + 1)
        part = _between(of, start, stop)
        yield slice(start, stop), sums(part, by, grid).log_likelihood(part.cv)
        start = stop


def _between(of: Placements, start: int, stop: int) -> Placements:
    """Return neighbouring placements with all their rows."""
    regions = slice(*np.searchsorted(of.placement, [start, stop]))
    rows = slice(*np.searchsorted(of.region, [regions.start, regions.stop]))
    values = {}
    for name in Placements.__dataclass_fields__:
        pick = rows if name in _BY_ROW else regions if name in _BY_REGION else slice(start, stop)
        values[name] = getattr(of, name)[pick]
    values["region"] = values["region"] - regions.start
    values["placement"] = values["placement"] - start
    return Placements(**values)


def chosen(of: Placements, placements: np.ndarray) -> Placements:
    """Return some placements (numbers in rising order) with all their rows."""
    wanted = np.zeros(len(of.names), dtype=bool)
    wanted[placements] = True
    regions = wanted[of.placement]
    rows = regions[of.region]
    number, region_number = np.cumsum(wanted) - 1, np.cumsum(regions) - 1
    values = {}
    for name in Placements.__dataclass_fields__:
        value = getattr(of, name)
        pick = rows if name in _BY_ROW else regions if name in _BY_REGION else wanted
        values[name] = value[pick]
    values["region"] = region_number[values["region"]]
    values["placement"] = number[values["placement"]]
    return Placements(**values)


_BY_ROW = ("month", "planted", "kept", "kept_se", "fixed", "density", "area", "marked", "changed", "region")
_BY_REGION = ("placement", "native_var", "native_hat", "region_names")


def sums(of: Placements, by: Shared, grid: Grid) -> Sums:
    """Return what the counts of placements leave on the grid."""
    grown = grown_on(of, by, grid)
    expected = (of.native_hat[of.region] * of.kept)[:, None, None] + grown
    variance = by.residual + measured_variance(of, by, expected)
    is_count = np.isfinite(of.density)
    left = np.where(is_count, of.density - of.kept * of.fixed, 0.0)
    w = is_count[:, None, None] / variance
    w_grown = w * grown
    n, shape = len(of.region), (len(of.placement), *grown.shape[1:])
    starts = np.append(np.flatnonzero(np.r_[True, np.diff(of.region) > 0]), n)

    def total(values: np.ndarray, by_row: np.ndarray) -> np.ndarray:
        """Sum values times a number a row over each region's rows."""
        adds = scipy.sparse.csr_array((by_row, np.arange(n), starts), shape=(shape[0], n))
        return (adds @ values.reshape(n, -1)).reshape(shape)

    A = total(w, of.kept**2) + 1 / of.native_var[:, None, None]
    B = total(w_grown, of.kept)
    E = total(w, of.kept * left) - B
    grown2, grown_left = total(w_grown * grown, np.ones(n)), total(w_grown, left)
    C = grown2 - B**2 / A
    D = grown_left - grown2 - B * E / A
    Q = total(w, left**2) - 2 * grown_left + grown2 - E**2 / A
    L = total(np.log(variance), is_count * 1.0) + np.log(A * of.native_var[:, None, None])
    if shape[0] > len(of.names):
        first = np.flatnonzero(np.r_[True, np.diff(of.placement) > 0])
        C, D, Q, L = (np.add.reduceat(v, first, axis=0) for v in (C, D, Q, L))
    return Sums(C, D, Q, L, A, B, E)


def grown_on(of: Placements, by: Shared, grid: Grid) -> np.ndarray:
    """Return the planted hair grown at each row, hairs/cm2, on the grid (rows, A, T)."""
    j = of.row_placement
    zone = of.zone[j]
    ratio = of.month[:, None] * np.exp(-by.log_half[zone][:, None] - grid.tempos)
    emerged = share(by.shape, ratio, by.log_k[zone][:, None])[0]
    plateau = np.maximum(grid.centres + of.shift[:, None], LEAST_PLATEAU) / 100
    return of.planted[:, None, None] * plateau[j][:, :, None] * emerged[:, None, :]


def measured_variance(of: Placements, by: Shared, expected: np.ndarray) -> np.ndarray:
    """Return the counting variance of each row at densities expected on the grid (rows, A, T)."""
    area, marked, changed = (v[:, None, None] for v in (of.area, of.marked, of.changed))
    return measurement.count_variance(
        np.maximum(expected, 1.0 / area), area, marked=marked, reader_changed=changed, error=by.count_error
    )


def simulated(fit: Emergence, of: Placements, n_sets: int, rng: np.random.Generator) -> np.ndarray:
    """Return the counts (n_sets, rows) that the fitted model would make in the place of those made."""
    spread = named(fit)
    by_patient, by_placement = (max(v, 0.0) for v in true_plateau_variances(fit, fit.beta, fit.spread))
    tempo, both = (spread.get(f"patient: log tempo{w}", 0.0) for w in ("", " with plateau"))
    variances, axes = np.linalg.eigh([[by_patient, both], [both, tempo]])

    def draw(*shape: int) -> np.ndarray:
        return rng.standard_normal((n_sets, *shape))

    patient = draw(int(of.patient.max()) + 1, 2) @ (axes * np.sqrt(np.maximum(variances, 0.0))).T
    own = patient[:, of.patient]
    n, j, zone = len(of.names), of.row_placement, of.zone
    plateau, log_half, log_k = (values[zone] for values in parameters(fit, fit.beta))
    yields = plateau + of.shift + own[..., 0] + np.sqrt(by_placement) * draw(n)
    late = own[..., 1] + np.sqrt(max(spread.get("placement: log tempo", 0.0), 0.0)) * draw(n)
    emerged = share(fit.shape, of.month * np.exp(-(log_half + late)[:, j]), log_k[j])[0]
    grown = of.planted / 100 * (yields * (1 + of.cv * draw(n)))[:, j] * emerged
    native_hair = of.fixed + (np.sqrt(of.native_var) * draw(len(of.placement)))[:, of.region]
    mean = of.kept * native_hair + grown
    variance = float(fit.spread[-1]) + measurement.count_variance(
        np.maximum(mean, 1.0 / of.area), of.area, marked=of.marked, reader_changed=of.changed,
        error=fit.count_error,
    )  # fmt: skip
    return mean + np.sqrt(variance) * draw(len(of.month))
