"""Errors that all placements share: what one standard error of each does to the emergence model.

They do not shrink with the number of patients. The error of the ratio of region over zone moves plateaus that
rest on zone averages; that of the rate of native loss moves the share of native hair kept in every row; what
the clinic's readers together read above the truth moves native density and plateau alike.
"""

import numpy as np

from analytics import measurement
from analytics.measurement import CountError
from analytics.regrowth.layout import NATIVE, PLATEAU, Layout


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
