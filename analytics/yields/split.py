"""How does the gain of an overlapping region split between its sessions, and how firmly?

From the joint fit made linear at its estimates: a patient's effects given his readings are normal, with
mean M (y - mean) and covariance Psi - M Z Psi, M = Psi Z' V^-1; the fixed effects' own covariance is added as
for any predicted random effect (Searle, Casella & McCulloch 1992, Variance Components, chapter 7, from
memory). A region's gains are a function of its plateau, half month, steepness and session deviations; limits
are by the delta method, of shares on the logit scale. Before any reading the same is done with Psi alone.

Which sessions had planted a region by the time it was counted, how long before, and how densely?

The arrays of the joint view (`yields.joint`), from rows of `yields.by_visit` that may serve it. Only zones in
which some region was planted again before it was mature are laid out; there, regions planted once are kept
beside the others. Planted densities from a zone average are multiplied by the clinic's mean ratio of region
over zone. A session's deviation is the wider, the less its planted density is known: its size beside that
of a session counted in the region is set by the two errors and by PLACEMENT_SD. Repeated counts of one
attendance are averaged, the error of one kept.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit, logit
from scipy.stats import norm

from analytics.numerics.nonlinear import NonlinearFit, share
from analytics.records import Records
from analytics.yields import link
from analytics.yields.choices import Choices
from analytics.yields.link import planted_error
from analytics.yields.native import path

NO_OVERLAP = (
    "no region was planted again before its earlier session was mature and counted since; every reading "
    "belongs to one session and stands in its own yield"
)
NO_DENSITY = "every region planted again carries a session whose planted density is not known"
REGION = ["patient_id", "zone", "region_id"]
# Points of plateau between placements of a patient, and a plateau, to weigh the errors of planted densities
# against each other (assumed; the size of the whole is estimated).
PLACEMENT_SD = 6.0
USUAL_PLATEAU_PCT = 85.0


@dataclass(frozen=True, slots=True)
class JointRows:
    """Arrays of the joint view, one entry a count; sessions stand side by side, (n, s), earliest first.

    `spread` is the size of a session's deviation beside that of one counted in the region (1). `is_first`
    marks counts before any planting; `overlaps` has one row a region planted again too early and counted
    since: its code, number, and the row of its last count.
    """

    y: np.ndarray
    kept: np.ndarray
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


def prepare(visits: pd.DataFrame, records: Records, choices: Choices) -> JointRows | str:
    """Return the rows of the joint view in arrays; where no region may be in it, why not, in words."""
    usable = visits[visits["for_joint"] & visits["density"].notna() & visits["reads_as"].eq("own session")]
    usable = usable[usable["zone"].isin(_zones_with_overlap(usable))]
    if usable.empty:
        return NO_OVERLAP
    rows = _averaged(usable)
    plantings = _plantings(rows, records)
    rows, (planted, months, spread), n_unknown = _side_by_side(rows, plantings)
    if rows.empty:
        return f"{NO_DENSITY}: {n_unknown} region(s)"
    now = rows["register_month"].to_numpy(dtype=float)
    span = (rows["first_at"].to_numpy(dtype=float), now)
    kept = path(rows, records, span, choices).factor
    zones = tuple(sorted(rows["zone"].unique()))
    region = rows.groupby(REGION, sort=False).ngroup().to_numpy()
    overlaps = _overlaps(rows, region, months)
    if overlaps.empty:
        return f"{NO_DENSITY}: {n_unknown} region(s)"
    return JointRows(
        y=rows["density"].to_numpy(dtype=float),
        kept=kept,
        planted=planted,
        months=months,
        spread=spread,
        zone=rows["zone"].map({z: k for k, z in enumerate(zones)}).to_numpy(dtype=int),
        patient=pd.factorize(rows["patient_id"])[0],
        region=region,
        is_first=np.max(months, axis=1) <= 0,
        counting=(
            rows["counted_area_cm2"].to_numpy(dtype=float),
            rows["both_marked"].to_numpy(dtype=bool),
            (rows["reader_changed"] & ~rows["is_baseline"]).to_numpy(dtype=bool),
        ),
        zones=zones,
        n_regions=len(np.unique(region[(months > 0).any(axis=1)])),
        n_unknown=n_unknown,
        overlaps=overlaps,
    )


def numbered(used: pd.DataFrame, laid: JointRows) -> pd.DataFrame:
    """Return the rows of `by_visit` with the number of the overlap each belongs to, empty where to none."""
    names = laid.overlaps[[*REGION, "overlap"]]
    marked = used.merge(names, on=REGION, how="left", validate="many_to_one")
    return marked.assign(overlap=marked["overlap"].fillna(""))


def _zones_with_overlap(rows: pd.DataFrame) -> set[str]:
    since = rows["is_overlap"] & rows["month"].gt(0)
    return set(rows.loc[since, "zone"])


def _averaged(rows: pd.DataFrame) -> pd.DataFrame:
    key = ["placement_id", "region_id", "month"]
    mean = rows.groupby(key, sort=False)["density"].transform("mean")
    rows = rows.assign(density=mean)[~rows.duplicated(key)]
    return rows.sort_values([*REGION, "register_month", "month"]).reset_index(drop=True)


def _plantings(rows: pd.DataFrame, records: Records) -> pd.DataFrame:
    """Return, for each counted placement, every session that had planted its ground, its own too."""
    error = planted_error(records)
    placed = link.placed(records, error)
    placed["planted_hairs_cm2"] *= placed["planted_ratio"]
    placed["spread"] = np.hypot(PLACEMENT_SD, USUAL_PLATEAU_PCT * placed["planted_cv"]) / np.hypot(
        PLACEMENT_SD, USUAL_PLATEAU_PCT * error.region_cv
    )
    pairs = link.on_the_same_ground(placed)
    of_session = ["session_id", "patient_month", "session_month", "planted_hairs_cm2", "spread"]
    own = placed.rename(columns={c: f"{c}_before" for c in of_session})
    pairs = pairs.merge(
        placed[["placement_id", "spread"]].add_suffix("_before"),
        on="placement_id_before",
        validate="many_to_one",
    )
    columns = ["placement_id", *(f"{c}_before" for c in of_session)]
    both = pd.concat([pairs[columns], own[columns]])
    both = both[both["placement_id"].isin(rows["placement_id"])]
    a_session = link.sessions_before(
        both,
        planted_in=("patient_month_before", "first"),
        planted_at=("session_month_before", "first"),
        spread=("spread_before", "max"),
    )
    a_session = a_session.sort_values(["placement_id", "planted_in", "session_id_before"])
    return a_session.assign(slot=a_session.groupby("placement_id").cumcount())


def _side_by_side(
    rows: pd.DataFrame, plantings: pd.DataFrame
) -> tuple[pd.DataFrame, tuple[np.ndarray, np.ndarray, np.ndarray], int]:
    """Return rows whose sessions are all known; planted density, months since and spread of each, (n, s)."""
    wide = plantings.pivot(index="placement_id", columns="slot", values=["planted", "planted_in", "spread"])
    known = plantings["planted"].notna().groupby(plantings["placement_id"]).all()
    is_known = rows["placement_id"].map(known).to_numpy(dtype=bool)
    n_unknown = len(rows.loc[~is_known, REGION].drop_duplicates())
    rows = rows[is_known].reset_index(drop=True)
    mine = wide.loc[rows["placement_id"]]
    planted = mine["planted"].fillna(0.0).to_numpy(dtype=float)
    planted_in = mine["planted_in"].to_numpy(dtype=float)
    time = (rows["patient_month"] + rows["month"]).to_numpy(dtype=float)
    months = np.nan_to_num(time[:, None] - planted_in, nan=0.0)
    is_own = np.isclose(planted_in, rows["patient_month"].to_numpy(dtype=float)[:, None])
    months = np.where(
        is_own & rows["is_baseline"].to_numpy(dtype=bool)[:, None], 0.0, np.maximum(months, 0.0)
    )
    first = plantings[plantings["slot"].eq(0)].set_index("placement_id")["planted_at"]
    spread = mine["spread"].fillna(1.0).to_numpy(dtype=float)
    return rows.assign(first_at=rows["placement_id"].map(first)), (planted, months, spread), n_unknown


def _overlaps(rows: pd.DataFrame, region: np.ndarray, months: np.ndarray) -> pd.DataFrame:
    """Return one row a region that carries overlapping sessions: its last count and its number."""
    last = months[np.arange(len(rows)), np.maximum((months > 0).sum(axis=1) - 1, 0)]
    since = rows["is_overlap"] & ~rows["is_baseline"] & (last > 0)
    frame = rows.assign(code=region, row=np.arange(len(rows)))[since.to_numpy()]
    found = frame.groupby("code", as_index=False).last()
    number = found.groupby("zone").cumcount() + 1
    return found[["code", "row", *REGION]].assign(overlap="overlap " + number.astype(str))


PLATEAU, HALF, STEEPNESS, SESSIONS = range(1, 5)
FIRM_PCT = 50.0


@dataclass(frozen=True, slots=True)
class Region:
    """What is known of one region's growth: parameters (3 + s,), before and after the readings.

    Parameters are plateau, log half month, log steepness, a deviation a session. Covariances come apart: that
    of the fixed effects (p, p) enters through `fixed` (3 + s, p), that of the patient's effects is `inner`.
    """

    patient: int
    mean: np.ndarray
    fixed: np.ndarray
    by_effect: np.ndarray
    inner: np.ndarray
    before_mean: np.ndarray
    before_fixed: np.ndarray
    before_inner: np.ndarray
    planted: np.ndarray
    months: np.ndarray


def tables(
    fit: NonlinearFit, laid: JointRows, curve: str, offsets: np.ndarray, level: float
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the table by zone and overlapping region, and the splits with limits before any reading."""
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
        rows += _zone_rows(name, here, of_zone, curve, cov, level)
        rows += [_region_row(row, level) for _, row in of_zone.iterrows()]
    return pd.DataFrame(rows), splits


def session_variance(fit: NonlinearFit) -> float:
    """Return the variance of the plateau between sessions counted in one region, points squared."""
    return float(fit.covariances[-1][-1, -1])


def _regions(fit, laid: JointRows, offsets: np.ndarray) -> list[Region]:
    """Return every overlapping region, each patient's effects worked out once."""
    by_patient = laid.overlaps.groupby(laid.patient[laid.overlaps["row"]])
    found: dict[int, Region] = {}
    for patient, overlaps in by_patient:
        rows = np.flatnonzero(laid.patient == patient)
        Z, psi, place = _effects(fit, rows)
        X = fit.working.X[rows]
        V = Z @ psi @ Z.T + np.diag(fit.known_variance[rows] + fit.sigma**2)
        M = np.linalg.solve(V, Z @ psi).T
        modes = M @ (fit.model.y[rows] - fit.working.mean[rows])
        inner = psi - M @ Z @ psi
        for code, row in zip(overlaps["code"], overlaps["row"], strict=True):
            n = int((laid.planted[row] > 0).sum())
            A, B = _of_region(fit, laid, int(row), int(code), place, len(psi), n)
            start = A @ fit.beta + np.concatenate([[0.0], offsets[row], np.zeros(n)])
            found[int(code)] = Region(
                patient=int(patient),
                mean=start + B @ modes,
                fixed=A - B @ M @ X,
                by_effect=B,
                inner=inner,
                before_mean=start,
                before_fixed=A,
                before_inner=psi,
                planted=laid.planted[row, :n] / 100,
                months=laid.months[row, :n],
            )
    return [found[int(c)] for c in laid.overlaps["code"]]


def _effects(fit, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, dict]:
    """Return a patient's random effects: Z (n, q), their covariance, and where (parameter, group) stands."""
    columns: list[np.ndarray] = []
    sizes: list[np.ndarray] = []
    place: dict[tuple[int, int], int] = {}
    for b, (block, slopes) in enumerate(zip(fit.model.blocks, fit.working.Z, strict=True)):
        codes = block.codes[rows]
        for group in np.unique(codes):
            columns.append(slopes[rows] * (codes == group)[:, None])
            for j, (parameter, _) in enumerate(block.columns):
                place[parameter, int(group)] = sum(s.shape[0] for s in sizes) + j
            sizes.append(fit.linear.covariances[b])
    psi = np.zeros((sum(len(s) for s in sizes),) * 2)
    at = 0
    for s in sizes:
        psi[at : at + len(s), at : at + len(s)] = s
        at += len(s)
    return np.hstack(columns), psi, place


def _of_region(fit, laid: JointRows, row: int, code: int, place: dict, q: int, n: int):
    """Return a region's parameters as sums of fixed effects (3 + n, p) and of random effects (3 + n, q)."""
    A, B = np.zeros((3 + n, len(fit.beta))), np.zeros((3 + n, q))
    patient_block = fit.model.blocks[0]
    group = int(patient_block.codes[row])
    for i, parameter in enumerate((PLATEAU, HALF, STEEPNESS)):
        A[i, fit.slices[parameter]] = fit.model.designs[parameter][row]
        if (parameter, group) in place and parameter != STEEPNESS:
            B[i, place[parameter, group]] = 1.0
    region = int(fit.model.blocks[-1].codes[row])
    for j in range(n):
        B[3 + j, place[SESSIONS + j, region]] = laid.spread[row, j]
    return A, B


def _gains(curve: str, planted: np.ndarray, months: np.ndarray, parameters: np.ndarray) -> np.ndarray:
    """Return hairs/cm2 gained from each session, (s,)."""
    emerged = share(curve, months / np.exp(parameters[1]), parameters[2])[0]
    return planted * (parameters[0] + parameters[3:]) * emerged


def _slopes(function: Callable[[np.ndarray], float], at: np.ndarray) -> np.ndarray:
    step = 1e-4 * np.maximum(np.abs(at), 1.0)
    moves = np.diag(step)
    return np.array([function(at + m) - function(at - m) for m in moves]) / (2 * step)


def _split(region: Region, curve: str, cov: np.ndarray, level: float) -> dict:
    def last_share(parameters: np.ndarray) -> float:
        gains = _gains(curve, region.planted, region.months, parameters)
        return float(gains[-1] / gains.sum())

    after = _share(last_share, region.mean, region.fixed, region.by_effect, region.inner, cov, level)
    before = _share(
        last_share, region.before_mean, region.before_fixed, region.by_effect, region.before_inner, cov, level
    )
    n = len(region.planted)
    contrast = np.concatenate([np.zeros(3), np.full(n - 1, -1.0 / (n - 1)), [1.0]])
    a, b = contrast @ region.fixed, contrast @ region.by_effect
    left = a @ cov @ a + b @ region.inner @ b
    prior = b @ region.before_inner @ b
    return {
        "n_patients": 1,
        "n_sessions": n,
        "estimate": after[0],
        "se": after[1],
        "ci_low": after[2],
        "ci_high": after[3],
        "before_estimate": before[0],
        "before_low": before[2],
        "before_high": before[3],
        "contrast_variance": left,
        "contrast_before": prior,
        "decided_pct": 100 * max(1 - left / prior, 0.0) if prior > 0 else np.nan,
    }


def _share(function, mean, fixed, by_effect, inner, cov, level: float) -> tuple[float, float, float, float]:
    """Return a share in percent with its standard error, and limits made on the logit scale."""
    slopes = _slopes(function, mean)
    a, b = slopes @ fixed, slopes @ by_effect
    se = float(np.sqrt(a @ cov @ a + b @ inner @ b))
    value = function(mean)
    if not 0 < value < 1:
        return 100 * value, 100 * se, np.nan, np.nan
    half = norm.ppf(0.5 + level / 2) * se / (value * (1 - value))
    return (
        100 * value,
        100 * se,
        100 * float(expit(logit(value) - half)),
        100 * float(expit(logit(value) + half)),
    )


def _zone_rows(
    zone: str, regions: list[Region], splits: pd.DataFrame, curve: str, cov: np.ndarray, level: float
) -> list[dict]:
    """Return the mean yield of all sessions together, and the share of the split that the readings decide."""
    total, by_beta = 0.0, np.zeros(len(cov))
    by_patient: dict[int, list] = {}
    for r in regions:

        def together(parameters: np.ndarray, r: Region = r) -> float:
            return 100 * float(_gains(curve, r.planted, r.months, parameters).sum() / r.planted.sum() / 100)

        slopes = _slopes(together, r.mean) / len(regions)
        total += together(r.mean) / len(regions)
        by_beta += slopes @ r.fixed
        known = by_patient.setdefault(r.patient, [np.zeros(len(r.inner)), r.inner])
        known[0] = known[0] + slopes @ r.by_effect
    variance = by_beta @ cov @ by_beta + sum(b @ inner @ b for b, inner in by_patient.values())
    se = float(np.sqrt(variance))
    half = float(norm.ppf(0.5 + level / 2)) * se
    common = {
        "zone": zone,
        "overlap": "all",
        "level": level,
        "n_patients": len(by_patient),
        "n_rows": len(regions),
    }
    prior = splits["contrast_before"].sum()
    decided = 100 * max(1 - splits["contrast_variance"].sum() / prior, 0.0) if prior > 0 else np.nan
    return [
        {
            **common,
            "term": "yield, sessions together",
            "estimate": total,
            "se": se,
            "ci_low": total - half,
            "ci_high": total + half,
            "unit": "% of planted hairs",
            "flag": "" if len(by_patient) >= 5 else "fewer than 5 patients",
        },
        {
            **common,
            "term": "split decided by the readings",
            "estimate": decided,
            "unit": "% of prior variance",
            "flag": _said(decided),
        },
    ]


def _region_row(row: pd.Series, level: float) -> dict:
    return {
        **{c: row[c] for c in ("zone", "overlap", "estimate", "se", "ci_low", "ci_high")},
        "term": "last session's share of the gain",
        "level": level,
        "unit": "% of the gain",
        "n_patients": 1,
        "n_rows": 1,
        "flag": _said(row["decided_pct"]),
    }


def _said(decided: float) -> str:
    if np.isnan(decided):
        return "sessions show no spread of their own: the split is planted hairs and months alone"
    rest = "" if decided >= FIRM_PCT else "; the rest is planted hairs and months alone"
    return f"the readings decide {decided:.0f} % of the split{rest}"
