"""How does the gain of an overlapping region split between its sessions, and how firmly?

From the joint fit made linear at its estimates: a patient's effects given his readings are normal, with
mean M (y - mean) and covariance Psi - M Z Psi, M = Psi Z' V^-1; the fixed effects' own covariance is added as
for any predicted random effect (Searle, Casella & McCulloch 1992, Variance Components, chapter 7, from
memory). A region's gains are a function of its plateau, half month, steepness and session deviations; limits
are by the delta method, of shares on the logit scale. Before any reading the same is done with Psi alone.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import scipy
from scipy.special import expit, logit

from analytics.dictionary import MATURITY_MONTH
from analytics.numerics.nonlinear import NonlinearFit, share
from analytics.results import counted, limits, line

PLATEAU, HALF, STEEPNESS, SESSIONS = range(1, 5)
FIRM_PCT = 50.0
WINDOW_OPENS_MONTHS_EARLY = 1.0  # as of a mature reading (`yields.rows`)


@dataclass(frozen=True, slots=True)
class JointRows:
    """Arrays of the joint view, one entry per count; sessions stand side by side, (n, s), earliest first.

    `native_left` is the share of native hair still there; `spread` the size of a session's deviation beside
    that of one counted in the region (1). `is_first` marks counts before any planting; `overlaps` has one
    row per region planted again too early and counted since: its code, number, and the row of its last count.
    """

    y: np.ndarray
    native_left: np.ndarray
    planted: np.ndarray
    months: np.ndarray
    spread: np.ndarray
    zone: np.ndarray
    patient: np.ndarray
    region: np.ndarray
    is_first: np.ndarray
    counting: tuple[np.ndarray, np.ndarray, np.ndarray]
    zones: tuple[str, ...]
    n_regions: int
    n_unknown: int
    overlaps: pd.DataFrame

    @property
    def n_overlaps(self) -> int:
        """Return how many regions carry overlapping sessions."""
        return len(self.overlaps)


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a region's parameters, before or after its readings.

    `mean` (3 + s,) plateau, log half month, log steepness, a deviation for each session. Their covariance
    comes apart: that of the fixed effects (p, p) enters through `fixed` (3 + s, p), that of the patient's
    effects is `inner` (q, q) and enters through the region's `by_effect`.
    """

    mean: np.ndarray
    fixed: np.ndarray
    inner: np.ndarray


@dataclass(frozen=True, slots=True)
class Region:
    """One overlapping region: what is known of it; hairs/cm2 planted by each session, months since, (s,)."""

    patient: int
    by_effect: np.ndarray
    after: Known
    before: Known
    planted: np.ndarray
    months: np.ndarray
    on_average: np.ndarray


def tables(
    fit: NonlinearFit,
    laid: JointRows,
    curve: str,
    offsets: np.ndarray,
    level: float,
    *,
    ratio_cv: float = 0.0,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the table by zone and overlapping region, and the splits with limits before any reading.

    `ratio_cv` is the error, one and the same, of all planted densities that rest on an average of their zone.
    """
    regions = _regions(fit, laid, offsets)
    cov = fit.beta_cov
    zone = [laid.zones[laid.zone[r]] for r in laid.overlaps["row"]]
    splits = pd.DataFrame([_split(r, curve, cov, level) for r in regions])
    splits.insert(0, "zone", zone)
    splits.insert(1, "overlap", laid.overlaps["overlap"].to_numpy())
    rows = []
    for name in dict.fromkeys(zone):
        here = [r for r, z in zip(regions, zone, strict=True) if z == name]
        of_zone = splits[splits["zone"].eq(name)]
        rows += [_together(name, here, curve, cov, level, ratio_cv), _decided(name, here, of_zone, level)]
        rows += [_region_row(row, level) for _, row in of_zone.iterrows()]
    return pd.DataFrame(rows), splits


def session_variance(fit: NonlinearFit) -> float:
    """Return the variance of the plateau between sessions counted in one region, points squared."""
    return float(fit.covariances[-1][-1, -1])


def _regions(fit, laid: JointRows, offsets: np.ndarray) -> list[Region]:
    """Return every overlapping region, each patient's effects worked out once."""
    by_code: dict[int, Region] = {}
    for patient, overlaps in laid.overlaps.groupby(laid.patient[laid.overlaps["row"]]):
        rows = np.flatnonzero(laid.patient == patient)
        Z, psi, place = _effects(fit, rows)
        X = fit.working.X[rows]
        V = Z @ psi @ Z.T + np.diag(fit.known_variance[rows] + fit.sigma**2)
        M = np.linalg.solve(V, Z @ psi).T
        modes = M @ (fit.model.y[rows] - fit.working.mean[rows])
        inner = psi - M @ Z @ psi
        for code, row in zip(overlaps["code"], overlaps["row"], strict=True):
            n = int((laid.planted[row] > 0).sum())
            A, B = _of_region(fit, laid, int(row), place, (n, len(psi)))
            mean = A @ fit.beta + np.concatenate([[0.0], offsets[row], np.zeros(n)])
            by_code[int(code)] = Region(
                patient=int(patient),
                by_effect=B,
                after=Known(mean + B @ modes, A - B @ M @ X, inner),
                before=Known(mean, A, psi),
                planted=laid.planted[row, :n] / 100,
                months=laid.months[row, :n],
                on_average=laid.spread[row, :n] > 1 + 1e-9,
            )
    return [by_code[int(c)] for c in laid.overlaps["code"]]


def _effects(fit, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, dict]:
    """Return a patient's random effects: Z (n, q), their covariance, and where (parameter, group) stands."""
    columns: list[np.ndarray] = []
    parts: list[np.ndarray] = []
    place: dict[tuple[int, int], int] = {}
    for b, (block, slopes) in enumerate(zip(fit.model.blocks, fit.working.Z, strict=True)):
        codes = block.codes[rows]
        for group in np.unique(codes):
            columns.append(slopes[rows] * (codes == group)[:, None])
            for j, (parameter, _) in enumerate(block.columns):
                place[parameter, int(group)] = sum(part.shape[0] for part in parts) + j
            parts.append(fit.linear.covariances[b])
    return np.hstack(columns), scipy.linalg.block_diag(*parts), place


def _of_region(
    fit, laid: JointRows, row: int, place: dict, shape: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray]:
    """Return a region's parameters as sums of fixed effects (3 + n, p) and of random effects (3 + n, q).

    `shape` is (n, q): how many sessions the region carries, and how many effects its patient has.
    """
    n, q = shape
    A, B = np.zeros((3 + n, len(fit.beta))), np.zeros((3 + n, q))
    group = int(fit.model.blocks[0].codes[row])
    for i, parameter in enumerate((PLATEAU, HALF, STEEPNESS)):
        A[i, fit.slices[parameter]] = fit.model.designs[parameter][row]
        if (parameter, group) in place and parameter != STEEPNESS:
            B[i, place[parameter, group]] = 1.0
    region = int(fit.model.blocks[-1].codes[row])
    for j in range(n):
        B[3 + j, place[SESSIONS + j, region]] = laid.spread[row, j]
    return A, B


def _gains(curve: str, region: Region, parameters: np.ndarray) -> np.ndarray:
    """Return hairs/cm2 gained from each session, (s,)."""
    emerged = share(curve, region.months / np.exp(parameters[1]), parameters[2])[0]
    return region.planted * (parameters[0] + parameters[3:]) * emerged


def _slopes(function: Callable[[np.ndarray], float], at: np.ndarray) -> np.ndarray:
    """Return the slopes of a function of the parameters, by central differences."""
    step = 1e-4 * np.maximum(np.abs(at), 1.0)
    moves = np.diag(step)
    return np.array([function(at + m) - function(at - m) for m in moves]) / (2 * step)


def _split(region: Region, curve: str, cov: np.ndarray, level: float) -> dict:
    """Return the last session's share of the gain with limits after and before the readings, in percent."""
    estimate, se, low, high = _last_share(region, region.after, curve, cov, level)
    before, _, before_low, before_high = _last_share(region, region.before, curve, cov, level)
    n = len(region.planted)
    contrast = np.concatenate([np.zeros(3), np.full(n - 1, -1.0 / (n - 1)), [1.0]])
    a, b = contrast @ region.after.fixed, contrast @ region.by_effect
    variance = a @ cov @ a + b @ region.after.inner @ b
    prior = b @ region.before.inner @ b
    return {
        "n_patients": 1,
        "n_sessions": n,
        "estimate": estimate,
        "se": se,
        "ci_low": low,
        "ci_high": high,
        "before_estimate": before,
        "before_low": before_low,
        "before_high": before_high,
        "contrast_variance": variance,
        "contrast_before": prior,
        "decided_pct": _decided_pct(variance, prior),
    }


def _decided_pct(variance: float, prior: float) -> float:
    return 100 * max(1 - variance / prior, 0.0) if prior > 0 else np.nan


def _last_share(
    region: Region, known: Known, curve: str, cov: np.ndarray, level: float
) -> tuple[float, float, float, float]:
    """Return the last session's share in percent with its standard error, and limits by the logit scale."""

    def last_share(parameters: np.ndarray) -> float:
        gains = _gains(curve, region, parameters)
        return float(gains[-1] / gains.sum())

    slopes = _slopes(last_share, known.mean)
    a, b = slopes @ known.fixed, slopes @ region.by_effect
    se = float(np.sqrt(a @ cov @ a + b @ known.inner @ b))
    value = last_share(known.mean)
    if not 0 < value < 1:
        return 100 * value, 100 * se, np.nan, np.nan
    low, high = limits(logit(value), se / (value * (1 - value)), level=level)
    return 100 * value, 100 * se, 100 * float(expit(low)), 100 * float(expit(high))


def _together(
    zone: str, regions: list[Region], curve: str, cov: np.ndarray, level: float, ratio_cv: float
) -> dict:
    """Return the line of the mean yield of all sessions together, over the regions of a zone.

    At the month in which the last session of each is mature, whenever it was last counted.
    """
    maturity = float(MATURITY_MONTH[zone])
    n_counted = sum(region.months[-1] >= maturity - WINDOW_OPENS_MONTHS_EARLY for region in regions)
    regions = [replace(one, months=one.months - one.months[-1] + maturity) for one in regions]
    total, by_beta, shared = 0.0, np.zeros(len(cov)), 0.0
    by_patient: dict[int, tuple[np.ndarray, np.ndarray]] = {}
    for region in regions:

        def yield_pct(parameters: np.ndarray, region: Region = region) -> float:
            return 100 * float(_gains(curve, region, parameters).sum() / region.planted.sum() / 100)

        known = region.after
        slopes = _slopes(yield_pct, known.mean) / len(regions)
        total += yield_pct(known.mean) / len(regions)
        on_average = _gains(curve, region, known.mean)[region.on_average].sum() / region.planted.sum()
        shared += ratio_cv * on_average / len(regions)
        by_beta += slopes @ known.fixed
        of_patient, _ = by_patient.get(region.patient, (np.zeros(len(known.inner)), known.inner))
        by_patient[region.patient] = of_patient + slopes @ region.by_effect, known.inner
    variance = by_beta @ cov @ by_beta + sum(b @ inner @ b for b, inner in by_patient.values())
    se = float(np.sqrt(variance + shared**2))
    ahead = (
        "" if n_counted == len(regions) else f"{counted(n_counted, of=len(regions))} regions counted by then"
    )
    return line(
        "yield, sessions together",
        total,
        "% of planted hairs",
        x=maturity,
        by={"zone": zone, "overlap": "all"},
        se=se,
        ci=limits(total, se, level=level),
        level=level,
        basis="model",
        n_patients=len(by_patient),
        n_rows=len(regions),
        flag=ahead,
    )


def _decided(zone: str, regions: list[Region], splits: pd.DataFrame, level: float) -> dict:
    """Return the line of what the readings decide of the splits of a zone."""
    decided = _decided_pct(splits["contrast_variance"].sum(), splits["contrast_before"].sum())
    return line(
        "split decided by the readings",
        decided,
        "% of prior variance",
        by={"zone": zone, "overlap": "all"},
        level=level,
        basis="model",
        n_patients=len({region.patient for region in regions}),
        n_rows=len(regions),
        flag=_how_firm(decided),
    )


def _region_row(split: pd.Series, level: float) -> dict:
    """Return the line of one region's split."""
    return line(
        "last session's share of the gain",
        split["estimate"],
        "% of the gain",
        by={"zone": split["zone"], "overlap": split["overlap"]},
        se=split["se"],
        ci=(split["ci_low"], split["ci_high"]),
        level=level,
        basis="model",
        n_patients=1,
        n_rows=1,
        flag=_how_firm(split["decided_pct"]),
        over_patients=False,
    )


def _how_firm(decided: float) -> str:
    """Return the flag that says how much of a split is read, and how much planted hairs and months alone."""
    if np.isnan(decided):
        return "sessions show no spread of their own: the split is planted hairs and months alone"
    rest = "" if decided >= FIRM_PCT else "; the rest is planted hairs and months alone"
    return f"the readings decide {decided:.0f} % of the split{rest}"
