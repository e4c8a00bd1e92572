"""The rows of a case in arrays, for `posterior` and `deviations`: readings, and months to predict.

Frames are turned into plain arrays once: a case has few rows, and a frame costs more to slice than the
model to solve.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.regrowth.emergence import Emergence
from analytics.regrowth.layout import STEEPNESS, TAIL
from analytics.regrowth.rows import SHED_MONTHS, SHED_SHARES

# Effects of the patient: true plateau, log tempo, and what the reader's habit adds to the plateau; then
# three by placement: true plateau, error of planted density, log tempo; then one by region: native density.
OF_PATIENT = 3
KEYS = ("placement_id", "region_id", "group", "planted_source")
FILLED = {
    "is_later": False,
    "planted_before": 0.0,
    "counted_area_cm2": 1.0,
    "both_marked": False,
    "reader_changed": False,
    "is_baseline": False,
    "month": 0.0,
    "density": 0.0,
    "planted": 0.0,
    "kept": 1.0,
    "kept_se": 0.0,
    "shed": 0.0,
    "native_share": 1.0,
}
Rows = dict[str, np.ndarray]


@dataclass(frozen=True, slots=True)
class Places:
    """Numbers of this case's placements and regions, and where their effects stand."""

    placements: list[str]
    zones: list[int]
    sources: list[str]
    mixes: np.ndarray
    regions: list[str]

    @property
    def size(self) -> int:
        """Return the number of effects of the case."""
        return OF_PATIENT + 3 * len(self.placements) + len(self.regions)

    def own(self, j: int) -> int:
        """Return where the effects of placement j begin."""
        return OF_PATIENT + 3 * j

    def native(self, r: int) -> int:
        """Return where the effect of region r stands."""
        return OF_PATIENT + 3 * len(self.placements) + r


@dataclass(frozen=True, slots=True)
class Laid:
    """Rows of a case in arrays: curve input, fixed part of the parameters, designs of both effects."""

    y: np.ndarray
    x: np.ndarray
    base: np.ndarray
    fixed: list[np.ndarray]
    effects: list[np.ndarray]
    variance_terms: tuple[np.ndarray, np.ndarray, np.ndarray]


def arrays(fit: Emergence, frame: pd.DataFrame | None) -> Rows:
    """Return the columns a prediction needs, what is not given filled in."""
    n = 0 if frame is None else len(frame)
    if frame is None or not n:
        return {
            **{c: np.empty(0, dtype=object) for c in KEYS},
            **{c: np.full(0, v) for c, v in FILLED.items()},
            "region": np.empty(0, dtype=object),
            "mix": np.empty((0, len(fit.mix))),
        }
    rows: Rows = {c: np.array([str(v) for v in frame[c].array], dtype=object) for c in KEYS}
    for name, value in FILLED.items():
        kind = bool if isinstance(value, bool) else float
        given = frame[name].to_numpy(dtype=kind) if name in frame else np.full(n, value)
        rows[name] = np.nan_to_num(given, nan=0.0) if name == "planted_before" else given
    rows["region"] = rows["placement_id"] + "|" + rows["region_id"]
    mixes = [f"mix_{i}" for i in range(len(fit.mix))]
    columns = [frame[m].to_numpy(dtype=float) if m in frame else np.zeros(n) for m in mixes]
    rows["mix"] = np.column_stack(columns) if columns else np.empty((n, 0))
    return rows


def pick(rows: Rows, at: np.ndarray) -> Rows:
    """Return the rows at positions."""
    return {name: values[at] for name, values in rows.items()}


def first_of(rows: Rows, name: str) -> np.ndarray:
    """Return the position of the first row of every value, in the order they appear."""
    seen: dict[str, int] = {}
    for i, value in enumerate(rows[name]):
        seen.setdefault(value, i)
    return np.array(list(seen.values()), dtype=int)


def positions(values: np.ndarray) -> list[np.ndarray]:
    """Return the positions of every value, values in the order they appear.

    >>> [at.tolist() for at in positions(np.array(["b", "a", "b"]))]
    [[0, 2], [1]]
    """
    codes, known = pd.factorize(values)
    ends = np.cumsum(np.bincount(codes, minlength=len(known)))
    return np.split(np.argsort(codes, kind="stable"), ends)[: len(known)]


def places(fit: Emergence, rows: Rows) -> Places:
    """Return the placements and regions of readings."""
    once = pick(rows, first_of(rows, "placement_id"))
    return Places(
        placements=list(once["placement_id"]),
        zones=[fit.zone_index(z) for z in once["group"]],
        sources=list(once["planted_source"]),
        mixes=once["mix"],
        regions=list(dict.fromkeys(rows["region"])),
    )


def lay_out(fit: Emergence, rows: Rows, of: Places) -> Laid:
    """Return curve input and designs of rows."""
    number = {p: j for j, p in enumerate(of.placements)}
    region = {r: j for j, r in enumerate(of.regions)}
    j = np.array([number[p] for p in rows["placement_id"]], dtype=int)
    r = np.array([region[k] for k in rows["region"]], dtype=int)
    zone = np.array(of.zones, dtype=int)[j]
    month = np.where(rows["is_baseline"], 0.0, np.maximum(rows["month"], 0.0))
    held = [fit.held_log_steepness[zone], np.full(len(zone), fit.held_log_tail)]
    x = np.column_stack([month, rows["planted"], rows["kept"], rows["shed"], *held])
    carried = np.where(rows["is_later"], rows["planted_before"], 0.0)
    fixed = _fixed_designs(fit, zone, carried, of.mixes[j])
    effects = [np.zeros((len(j), of.size)) for _ in range(3)]
    at, first = np.arange(len(j)), OF_PATIENT + 3 * j
    effects[0][at, of.native(0) + r] = fit.native_scale[zone]
    effects[1][at, 0] = effects[1][at, 2] = 1.0
    effects[1][at, first] = effects[1][at, first + 1] = 1.0
    effects[2][at, 1] = effects[2][at, first + 2] = 1.0
    base = np.column_stack([d @ fit.beta[a:b] for d, (a, b) in zip(fixed, fit.slices, strict=True)])
    changed = rows["reader_changed"] & ~rows["is_baseline"]
    counting = (rows["counted_area_cm2"], rows["both_marked"], changed)
    return Laid(rows["density"], x, base, fixed, effects, counting)


def _fixed_designs(fit: Emergence, zone, carried, mix) -> list[np.ndarray]:
    by_zone = np.eye(len(fit.zones))[zone]
    half, steep = (
        np.eye(max(groups) + 1)[np.array(groups)[zone]]
        for groups in (fit.half_of_zone, fit.steepness_of_zone)
    )
    has_own = {k: fit.slices[k][1] > fit.slices[k][0] for k in (STEEPNESS, TAIL)}
    one, nothing = np.ones((len(zone), 1)), np.empty((len(zone), 0))
    return [
        np.hstack([by_zone, carried[:, None]]) if fit.has_carried else by_zone,
        np.hstack([by_zone, mix]),
        half,
        steep if has_own[STEEPNESS] else nothing,
        one if has_own[TAIL] else nothing,
        one if fit.has_shed else nothing,
    ]


def ahead(fit: Emergence, rows: Rows, wanted: Rows, months: np.ndarray) -> Rows:
    """Return the rows to predict: every target at every month, (m,) the same for all or (targets, m)."""
    n = len(wanted["region"])
    months = months if months.ndim == 2 else np.tile(months, (n, 1))
    repeated = pick(wanted, np.repeat(np.arange(n), months.shape[1]))
    month = months.ravel()
    kept = _kept_ahead(fit, rows, wanted["region"], months)
    return {
        **repeated,
        "month": month,
        "kept": 1 - repeated["native_share"] * (1 - kept),
        "shed": np.interp(month, SHED_MONTHS, SHED_SHARES),
        "is_baseline": np.zeros(len(month), dtype=bool),
        "reader_changed": np.zeros(len(month), dtype=bool),
    }


def _kept_ahead(fit: Emergence, rows: Rows, regions: np.ndarray, months: np.ndarray) -> np.ndarray:
    """Return native hair still standing: along the readings' own path, then at the untreated rate."""
    rate = -np.log1p(-fit.native.loss_pct / 100) / 12
    after = np.flatnonzero(~rows["is_baseline"].astype(bool))
    of_region = {rows["region"][after[at[0]]]: after[at] for at in positions(rows["region"][after])}
    nothing = np.empty(0, dtype=int)
    out = np.empty(months.shape)
    for i, region in enumerate(regions):
        known = of_region.get(region, nothing)
        month, first = np.unique(rows["month"][known], return_index=True)
        at = np.concatenate([[0.0], month])
        log_kept = np.concatenate([[0.0], np.log(rows["kept"][known][first])])
        out[i] = np.interp(months[i], at, log_kept) - rate * np.maximum(months[i] - at[-1], 0.0)
    return np.exp(out.ravel())
