"""How the emergence model is laid out for the engine: curve input, designs, starts, random effects.

The model and its definition stand in `regrowth.emergence`. Last come errors that all placements share: what
one standard error of each does to the fitted model. They do not shrink with the number of patients.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from itertools import product

import numpy as np
import pandas as pd

from analytics import measurement
from analytics.errors import FitError
from analytics.measurement import CountError
from analytics.numerics import nonlinear
from analytics.numerics.nonlinear import TAILED, NonlinearFit, curves
from analytics.regrowth.rows import SOURCES, EmergenceRows

# Followed placements a zone needs for a half month, and for a steepness, of its own: first choice, then
# what is tried where the fit does not settle. A zone with fewer shares that of the zone with most.
OWN_HALF = (8.0, 8.0, 15.0, np.inf)
OWN_STEEPNESS = (15.0, 30.0, np.inf, np.inf)
# No pass moves a parameter of any row further than this (hairs/cm2, points, log months, log).
LONGEST_STEP = (50.0, 30.0, 0.3, 0.4, 0.5, 0.2)
MIN_SOURCE = 15
MIN_PATIENTS_FOR_TEMPO = 12
NATIVE, PLATEAU, HALF, STEEPNESS, TAIL, SHED = range(6)
# The log tail of the emergence curve, one for all zones, before any data: 0 is the log-logistic. Curves tried
# lie between -0.7 (gamma) and 0.8 (a lag before a log-logistic); a choice of ours.
TAIL_SD = 0.7
LOG_TAIL = "log tail"
# Log steepness of the log-normal less that of the log-logistic of the same spread of log month.
LOG_NORMAL_STEEPNESS = float(np.log(np.sqrt(3) / np.pi))


@dataclass(frozen=True, slots=True)
class Layout:
    """Rows of the emergence model in arrays; designs and starts hold one entry per parameter."""

    rows: EmergenceRows
    curve_name: str
    x: np.ndarray
    y: np.ndarray
    zone: np.ndarray
    designs: list[np.ndarray]
    names: list[str]
    start: list[np.ndarray]
    half_of_zone: tuple[int, ...]
    steepness_of_zone: tuple[int, ...]
    held: np.ndarray
    held_tail: float
    patient: np.ndarray
    placement: np.ndarray
    region: np.ndarray
    sources: np.ndarray
    source_names: tuple[str, ...]
    native_z: np.ndarray
    native_scale: np.ndarray
    counting: tuple[np.ndarray, ...]
    has_carried: bool
    shared: tuple[str, ...]


def density_curve(shape: str, x, parameters):
    """Return expected density and its slopes; x: month, planted, kept, shed profile, held steepness, tail."""
    kept, shed, held, held_tail = x[:, 2:].T
    base = parameters[:, :5].copy()
    base[:, STEEPNESS] += held
    base[:, TAIL] += held_tail
    mean, slopes = curves.density(shape)(x[:, :3], base)
    native, share = parameters[:, NATIVE], parameters[:, SHED]
    lost = kept * shed
    slopes[:, NATIVE] -= lost * share
    return mean - native * lost * share, np.column_stack([slopes, -native * lost])


@dataclass(frozen=True, slots=True)
class HeldShape:
    """What is taken from another fit and not estimated: log steepness by zone, and the log tail."""

    log_steepness: Mapping[str, float]
    log_tail: float = 0.0


def lay_out(
    rows: EmergenceRows, curve: str, early_shedding: bool, held: HeldShape | None, *, sharing: int = 0
) -> Layout:
    """Return the arrays of the model.

    `held` is the shape where it is not to be estimated; `sharing` is how far small zones share tempo with
    others (a place in OWN_HALF and OWN_STEEPNESS).
    """
    frame = rows.frame
    zone = pd.Index(rows.zones).get_indexer(pd.Index(frame["group"]))
    followed = _followed(rows, zone)
    half_of_zone = _groups(followed, OWN_HALF[sharing])
    steepness_of_zone = _groups(followed, OWN_STEEPNESS[sharing])
    of_zone = {} if held is None else held.log_steepness
    held_steepness = np.array([of_zone.get(z, 0.0) for z in rows.zones])
    held_tail = 0.0 if held is None else held.log_tail
    x = np.column_stack(
        [frame[c].to_numpy(dtype=float) for c in ("month", "planted", "kept", "shed")]
        + [held_steepness[zone], np.full(len(frame), held_tail)]
    )
    # A baseline count up to six months early is month 0 of the curve.
    x[:, 0] = np.where(frame["is_baseline"].astype(bool), 0.0, np.maximum(x[:, 0], 0.0))
    y = frame["density"].to_numpy(dtype=float)
    by_zone = np.eye(len(rows.zones))[zone]
    carried = np.where(frame["is_later"], frame["planted_before"].fillna(0.0), 0.0).astype(float)
    has_carried = bool(np.any(carried > 0))
    mix = frame[[f"mix_{i}" for i in range(len(rows.mix))]].to_numpy(dtype=float)
    nothing = np.empty((len(y), 0))
    designs = [
        np.hstack([by_zone, carried[:, None]]) if has_carried else by_zone,
        np.hstack([by_zone, mix]),
        _by_group(half_of_zone, zone),
        nothing if held is not None else _by_group(steepness_of_zone, zone),
        np.ones((len(y), 1)) if held is None and curve == TAILED else nothing,
        np.ones((len(y), 1)) if early_shedding else nothing,
    ]
    start = _starts(rows, curve, x, y, zone, (half_of_zone, steepness_of_zone), designs, has_carried)
    source_names, sources = _sources(frame)
    native_scale = np.maximum(start[NATIVE][: len(rows.zones)], 5.0)
    return Layout(
        rows=rows,
        curve_name=curve,
        x=x,
        y=y,
        zone=zone,
        designs=designs,
        names=_names(rows, half_of_zone, steepness_of_zone, has_carried, designs),
        start=start,
        half_of_zone=half_of_zone,
        steepness_of_zone=steepness_of_zone,
        held=held_steepness,
        held_tail=held_tail,
        patient=_codes(frame["patient_id"]),
        placement=_codes(frame["placement_id"]),
        region=frame.groupby(["placement_id", "region_id"], dropna=False).ngroup().to_numpy(),
        sources=sources,
        source_names=source_names,
        native_z=native_scale[zone],
        native_scale=native_scale,
        counting=(
            frame["counted_area_cm2"].to_numpy(dtype=float),
            frame["both_marked"].to_numpy(dtype=bool),
            frame["reader_changed"].to_numpy(dtype=bool) & ~frame["is_baseline"].to_numpy(dtype=bool),
        ),
        has_carried=has_carried,
        shared=_shared(rows.zones, half_of_zone, steepness_of_zone, held is not None),
    )


def _codes(labels) -> np.ndarray:
    return pd.factorize(labels, sort=True)[0]


def _followed(rows: EmergenceRows, zone: np.ndarray) -> np.ndarray:
    """Return how many placements of each zone have a reading after the session."""
    after = ~rows.frame["is_baseline"].to_numpy(dtype=bool)
    placements = rows.frame["placement_id"]
    return np.array([placements[after & (zone == k)].nunique() for k in range(len(rows.zones))])


def _groups(followed: np.ndarray, needed: float) -> tuple[int, ...]:
    """Return the group of each zone: its own, or that of the zone with most placements."""
    largest = int(np.argmax(followed))
    own = followed >= needed
    own[largest] = True
    index = {int(k): i for i, k in enumerate(np.flatnonzero(own))}
    return tuple(index.get(k, index[largest]) for k in range(len(followed)))


def _by_group(group_of_zone: tuple[int, ...], zone: np.ndarray) -> np.ndarray:
    return np.eye(max(group_of_zone) + 1)[np.array(group_of_zone)[zone]]


def _shared(zones, half_of_zone, steepness_of_zone, is_held: bool) -> tuple[str, ...]:
    """Return in words which zones share tempo or steepness for want of placements."""
    said = []
    for what, groups in (("half month", half_of_zone), ("steepness", steepness_of_zone)):
        for group in range(max(groups) + 1):
            alike = [z for z, g in zip(zones, groups, strict=True) if g == group]
            if len(alike) > 1 and not (is_held and what == "steepness"):
                said.append(f"too few followed placements: {', '.join(alike)} share one {what}")
    return tuple(said)


def _starts(rows, curve, x, y, zone, groups, designs, has_carried) -> list[np.ndarray]:
    by_zone = np.array(
        [
            curves.start(
                curve, x[zone == k, 0], y[zone == k], fixed=x[zone == k, 2], scale=x[zone == k, 1] / 100
            )
            for k in range(len(rows.zones))
        ]
    )
    plateau = np.clip(by_zone[:, 1], 20.0, 150.0)
    size = np.bincount(zone)
    half, steepness = (
        np.array(
            [
                np.average(by_zone[:, column], weights=size * (np.array(of_zone) == g))
                for g in range(max(of_zone) + 1)
            ]
        )
        for of_zone, column in zip(groups, (2, 3), strict=True)
    )
    return [
        np.append(by_zone[:, 0], [0.85] * has_carried),
        np.append(plateau, np.zeros(len(rows.mix))),
        half,
        steepness if designs[STEEPNESS].shape[1] else np.empty(0),
        np.zeros(designs[TAIL].shape[1]),
        np.zeros(designs[SHED].shape[1]),
    ]


def _names(rows, half_of_zone, steepness_of_zone, has_carried, designs) -> list[str]:
    def first(groups):
        return [rows.zones[groups.index(g)] for g in range(max(groups) + 1)]

    return [
        *(f"native density: {z}" for z in rows.zones),
        *(["share of earlier planted hair standing"] * has_carried),
        *(f"plateau: {z}" for z in rows.zones),
        *(m.term for m in rows.mix),
        *(f"log half month: {z}" for z in first(half_of_zone)),
        *(f"log steepness: {z}" for z in first(steepness_of_zone) if designs[STEEPNESS].shape[1]),
        *([LOG_TAIL] * designs[TAIL].shape[1]),
        *(["native hair shed"] * designs[SHED].shape[1]),
    ]


def _sources(frame) -> tuple[tuple[str, ...], np.ndarray]:
    """Return which kinds of planted density have a spread of their own, and their columns."""
    of = frame["planted_source"].to_numpy(dtype=object)
    counts = frame.groupby("planted_source")["placement_id"].nunique()
    large = [s for s in SOURCES if counts.get(s, 0) >= MIN_SOURCE]
    if len(large) < 2:
        only = str(counts.idxmax())
        return (only,), np.ones((len(frame), 1))
    return tuple(large), np.column_stack([of == s for s in large]).astype(float)


def expected_variance(counting, error: CountError, expected: np.ndarray) -> np.ndarray:
    """Return sampling variances at the densities a model expects, at least one hair in the counted area."""
    area, marked, reader_changed = counting
    return measurement.count_variance(
        np.maximum(expected, 1.0 / area), area, marked=marked, reader_changed=reader_changed, error=error
    )


def _without_tail(layout: Layout) -> Layout:
    """Return the layout with the tail held at that of a log-logistic."""
    nothing = {TAIL: np.empty((len(layout.y), 0))}
    return replace(
        layout,
        designs=[nothing.get(k, d) for k, d in enumerate(layout.designs)],
        start=[np.empty(0) if k == TAIL else s for k, s in enumerate(layout.start)],
        names=[n for n in layout.names if n != LOG_TAIL],
    )


def prior_precision(layout: Layout) -> np.ndarray:
    """Return how precisely the fixed effects are known beforehand to be 0, (p,): the log tail alone is.

    Parameters
    ----------
    layout
        Of `lay_out`.

    Returns
    -------
    numpy.ndarray
        Shape (p,), 0 where nothing is known beforehand.
    """
    of_parameter = [1 / TAIL_SD**2 if k == TAIL else 0.0 for k in range(len(layout.designs))]
    return np.repeat(of_parameter, [d.shape[1] for d in layout.designs])


def _levels(layout: Layout, simpler: int) -> list[tuple]:
    """Return the random effects, fewer of them at each step of simplification."""
    has_patients = layout.patient.max() + 1 <= 0.9 * (layout.placement.max() + 1)
    enough = layout.patient.max() + 1 >= MIN_PATIENTS_FOR_TEMPO
    patient: dict = {PLATEAU: "full", HALF: "full"} if enough and simpler < 1 else {PLATEAU: "diagonal"}
    placement: dict = {PLATEAU: ("diagonal", layout.sources)}
    if simpler < 2:
        placement[HALF] = "diagonal"
    levels: list[tuple] = [(layout.patient, patient)] if has_patients else []
    levels.append((layout.placement, placement))
    levels.append((layout.region, {NATIVE: ("diagonal", layout.native_z)}))
    return levels


@dataclass(frozen=True, slots=True)
class Near:
    """Estimates of a similar fit by name, to begin from: fixed effects and variances, and its shape."""

    beta: Mapping[str, float]
    spread: Mapping[str, float]
    curve: str

    def start(self, layout: Layout) -> np.ndarray:
        """Return the fixed effects of a layout, from this fit where it has them."""
        flat = np.concatenate(layout.start)
        turn = LOG_NORMAL_STEEPNESS * ((layout.curve_name == "log-normal") - (self.curve == "log-normal"))
        return np.array(
            [
                self.beta[name] + turn * name.startswith("log steepness") if name in self.beta else value
                for name, value in zip(layout.names, flat, strict=True)
            ]
        )

    def covariances(self, layout: Layout) -> list[np.ndarray]:
        """Return the covariances of a layout's random effects; 0 where this fit has none."""
        of_level = {
            "patient": ["plateau", "log tempo"],
            "placement": [*(f"plateau ({s})" for s in layout.source_names), "log tempo"],
            "region": ["native"],
        }
        levels = list(of_level)[-len(_levels(layout, 0)) :]
        return [self._covariance(level, of_level[level]) for level in levels]

    def _covariance(self, level: str, names: list[str]) -> np.ndarray:
        out = np.diag([self.spread.get(f"{level}: {a}", 0.0) for a in names])
        for i, a in enumerate(names):
            for j, b in enumerate(names[:i]):
                out[i, j] = out[j, i] = self.spread.get(f"{level}: {b} with {a}", 0.0)
        return out


def fit_or_simplify(
    build: Callable[[int], Layout],
    known_variance: Callable[[Layout], object],
    criterion: str,
    near: Near | None = None,
) -> tuple[Layout, NonlinearFit, int]:
    """Return the first fit that settles, its layout, and how many times its random effects were made simpler.

    Tried in turn: all random effects, with small zones sharing tempo further and further; then no patient
    spread of tempo; then no spread of tempo at all; each with the tail of the curve free, then held.

    Raises
    ------
    FitError
        When not even the simplest settles.
    """
    last = len(OWN_HALF) - 1
    problem: FitError | None = None
    tried: set[tuple] = set()
    tries = (*((s, 0) for s in range(last + 1)), (last, 1), (last, 2))
    for (sharing, simpler), is_held in product(tries, (False, True)):
        layout = build(sharing)
        if is_held and not layout.designs[TAIL].shape[1]:
            continue
        layout = _without_tail(layout) if is_held else layout
        # Where zones are few, sharing further is the same model.
        model = (simpler, *(design.tobytes() for design in layout.designs))
        if model in tried:
            continue
        tried.add(model)
        precision = prior_precision(layout)
        try:
            found = nonlinear.fit(
                layout.y,
                layout.x,
                partial(density_curve, layout.curve_name),
                layout.start if near is None else near.start(layout),
                designs=layout.designs,
                levels=_levels(layout, simpler),
                method="marginal",
                known_variance=known_variance(layout),
                criterion=criterion,
                longest_step=LONGEST_STEP,
                near=None if near is None else near.covariances(layout),
                prior=(np.zeros(len(precision)), precision) if np.any(precision) else None,
            )
        except FitError as stopped:
            problem = stopped
            continue
        if found.converged:
            return layout, found, simpler
    raise FitError(
        "regrowth.fit_emergence: the emergence model does not settle, not even with one tempo for all zones "
        "and no spread of tempo; count more, or later"
    ) from problem


def kept_pattern(layout: Layout, found) -> np.ndarray:
    """Return what one standard error of the rate of native loss adds to every row, hairs/cm2."""
    native = layout.designs[NATIVE] @ found.beta[found.slices[NATIVE]]
    return native * layout.rows.frame["kept_se"].to_numpy(dtype=float)


def ratio_moves(layout: Layout, found, named: dict[str, float]) -> np.ndarray:
    """Return what the error of the ratio of region over zone, shared by all placements, does to the plateaus.

    A ratio one percent too high lowers every plateau that rests on zone averages alone by one percent, and
    others by the weight such placements have (inverse variance of a placement's plateau).
    """
    frame = layout.rows.frame
    shift = np.zeros(len(found.beta))
    if layout.rows.ratio_cv <= 0 or "leans" not in frame:
        return shift
    between = named.get("patient: plateau", 0.0)
    by_source = np.array([named[f"placement: plateau ({s})"] for s in layout.source_names])
    weight = 1 / np.maximum(layout.sources @ by_source + between, 1.0)
    once = ~frame["placement_id"].duplicated().to_numpy()
    start = found.slices[PLATEAU].start
    for k in range(len(layout.rows.zones)):
        here = once & (layout.zone == k)
        lean = np.average(frame["leans"].to_numpy(dtype=float)[here], weights=weight[here])
        shift[start + k] = found.beta[start + k] * lean * layout.rows.ratio_cv
    return shift


def habit_moves(layout: Layout, found, habit_cv: float) -> np.ndarray:
    """Return what readers who all read too high do: densities and yields rise by one share."""
    shift = np.zeros(len(found.beta))
    for parameter, n in ((NATIVE, len(layout.rows.zones)), (PLATEAU, found.slices[PLATEAU].stop)):
        start = found.slices[parameter].start
        here = slice(start, min(start + n, found.slices[parameter].stop))
        shift[here] = habit_cv * found.beta[here]
    return shift


def practice_reader_cv(frame, error: CountError) -> tuple[float, float]:
    """Return the spread that readers' habits put between patients, and what they have in common.

    Both as a share of a density (`measurement.habit_cv`).
    A patient is mostly read by one reader. Two patients share one with the sum of squared shares of the
    readers; the rest of the readers' variance stands between patients.
    """
    counted = frame.groupby(["patient_id", "reader_id"], sort=True).size().rename("n").reset_index()
    most = counted.sort_values(["patient_id", "n", "reader_id"], ascending=[True, False, True])
    main = most.drop_duplicates("patient_id").set_index("patient_id")["reader_id"]
    # Who says no reader counts as read by one of no name.
    main = main.reindex(frame["patient_id"].unique(), fill_value="")
    common = measurement.habit_cv(main, error.between_reader_cv)
    return float(np.sqrt(max(error.between_reader_cv**2 - common**2, 0.0))), common
