"""What the data of an emergence model can tell: plateau reached or not, failed checks, errors shared by all.

A back room of `regrowth_emergence`.
"""

import numpy as np

from analytics.measurement import CountError
from analytics.numerics import curves
from analytics.regrowth_layout import HALF, PLATEAU, STEEPNESS, Layout

MIN_PAST = 3
REACHED = 0.9
ONE_SIDED_95 = 1.645


def ratio_cov(layout: Layout, found, named: dict[str, float]) -> np.ndarray:
    """Return what the error of the ratio of region over zone, shared by all placements, adds to the plateaus.

    A ratio one percent too high lowers every plateau that rests on zone averages alone by one percent, and
    others by the weight such placements have (inverse variance of a placement's plateau).
    """
    frame = layout.rows.frame
    if layout.rows.ratio_cv <= 0 or "leans" not in frame:
        return np.zeros((len(found.beta), len(found.beta)))
    between = named.get("patient: plateau", 0.0)
    by_source = np.array([named[f"placement: plateau ({s})"] for s in layout.source_names])
    weight = 1 / np.maximum(layout.sources @ by_source + between, 1.0)
    once = ~frame["placement_id"].duplicated().to_numpy()
    shift = np.zeros(len(found.beta))
    start = found.slices[PLATEAU].start
    for k in range(len(layout.rows.zones)):
        here = once & (layout.zone == k)
        lean = np.average(frame["leans"].to_numpy(dtype=float)[here], weights=weight[here])
        shift[start + k] = found.beta[start + k] * lean * layout.rows.ratio_cv
    return np.outer(shift, shift)


def reader_cv(frame, error: CountError) -> float:
    """Return the spread that readers' habits put between patients, as a share of a density.

    A patient is mostly read by one reader. Two patients share one with the sum of squared shares of the
    readers; the rest of the readers' variance stands between patients.
    """
    counted = frame.groupby(["patient_id", "reader_id"], sort=True).size().rename("n").reset_index()
    most = counted.sort_values(["patient_id", "n", "reader_id"], ascending=[True, False, True])
    main = most.drop_duplicates("patient_id").set_index("patient_id")["reader_id"]
    # Who says no reader counts as read by one of no name.
    main = main.reindex(frame["patient_id"].unique(), fill_value="")
    alike = float((main.value_counts(normalize=True) ** 2).sum())
    return error.between_reader_cv * float(np.sqrt(max(1.0 - alike, 0.0)))


def readings_past(layout: Layout, found, cov: np.ndarray, k: int, here: np.ndarray) -> int:
    """Return how many readings of a zone lie past the month of 90 % of its plateau, its upper limit taken.

    The month itself would not do: where readings end early, the fitted plateau comes down to meet them.
    """
    half = found.slices[HALF].start + layout.half_of_zone[k]
    steep = found.slices[STEEPNESS].start + layout.steepness_of_zone[k]
    is_held = found.slices[STEEPNESS].stop == found.slices[STEEPNESS].start
    log_k = layout.held[k] + (0.0 if is_held else found.beta[steep])
    since_half, slope = curves.log_time_of(layout.curve_name, REACHED, log_k)
    by = np.zeros(len(found.beta))
    by[half] = 1.0
    if not is_held:
        by[steep] = slope
    upper = found.beta[half] + since_half + ONE_SIDED_95 * np.sqrt(max(by @ cov @ by, 0.0))
    return int(np.sum(layout.x[here, 0] >= np.exp(upper)))


def last_supported(months: np.ndarray) -> float:
    """Return the month that MIN_PAST readings reach or pass."""
    return float(np.sort(months)[-min(MIN_PAST, len(months))])


def checks(found, cluster, reached, dropped: int, layout: Layout) -> dict[str, bool]:
    """Return the named checks of a fit, true where all is well."""
    tempo_se = np.sqrt(np.diag(cluster.robust_cov))[found.slices[HALF]]
    return {
        **{k: bool(v) for k, v in found.checks.items()},
        "finite_se": bool(np.isfinite(cluster.robust_cov).all()),
        "plateau_reached": bool(reached.all()),
        "tempo_determined": bool(np.all(tempo_se < 0.25)),
        "tempo_spread_estimated": dropped == 0,
        "own_tempo_by_zone": not layout.shared,
        "plateau_plausible": bool(
            np.all(np.abs(found.beta[found.slices[PLATEAU]][: len(reached)] - 75) < 75)
        ),
    }


def words(layout: Layout, reached, dropped: int) -> tuple[str, ...]:
    """Return in words what was shared, not reached or left out."""
    said = list(layout.shared)
    late = [z for z, ok in zip(layout.rows.zones, reached, strict=True) if not ok]
    if late:
        said.append(f"plateau not reached by the data in {', '.join(late)}")
    if dropped:
        what = "the patient spread of tempo" if dropped == 1 else "all spreads of tempo"
        said.append(f"{what} could not be estimated and is left out")
    return tuple(said)
