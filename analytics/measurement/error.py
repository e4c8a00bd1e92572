"""How far a reading strays: the variance of a density, by how it was counted.

The formulas and their sources stand in `measurement`, whose back room this is.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.errors import ParameterError

PHI_DEFAULT = "published default (at most 1.5 from the sizes of follicular units)"
WITHIN_DEFAULT = "published default (5 % assumed inside the published 2.6 to 9.8 %)"
BETWEEN_DEFAULT = "published default (4.5 % assumed inside the published 2.9 to 6.3 %)"
CALIBRE_DEFAULT = "assumed (no source)"


@dataclass(frozen=True, slots=True)
class CountError:
    """How far a count strays, each number with the words that say where it comes from.

    `phi` is the over-dispersion of an unmarked field's count (1 is Poisson), `within_cv` the coefficient
    of variation of one reader recounting a marked region, `between_reader_cv` the standard deviation of
    readers about each other, as a share of the density; `calibre_cv` that of a region's mean calibre measured
    again.
    """

    phi: float = 1.5
    within_cv: float = 0.05
    between_reader_cv: float = 0.045
    calibre_cv: float = 0.03
    phi_source: str = PHI_DEFAULT
    within_source: str = WITHIN_DEFAULT
    between_source: str = BETWEEN_DEFAULT
    calibre_source: str = CALIBRE_DEFAULT


def count_variance(
    expected_density, counted_area_cm2, *, marked, reader_changed, error: CountError
) -> np.ndarray:
    """Return the variance of density readings, in (hairs/cm2) squared.

    Unmarked: phi x density / area. Marked: (within-reader CV x density) squared. Where the reader is not
    the one of the baseline, 2 x (between-reader CV x density) squared is added in either case.

    Parameters
    ----------
    expected_density
        Shape (n,), hairs/cm2, 0 or more: what the model expects, or `plus_one_hair(...)` of the reading;
        never the bare reading.
    counted_area_cm2
        Shape (n,), cm2, above 0: the area of one field times the number of fields.
    marked
        Shape (n,), yes where the very same marked region was counted at both visits.
    reader_changed
        Shape (n,), yes where another reader counted than at the baseline.
    error
        The clinic's `error_model`, or `CountError()` for the published defaults.

    Returns
    -------
    numpy.ndarray
        Variances, shape (n,), in (hairs/cm2) squared.

    Raises
    ------
    ParameterError
        When an expected density is negative or missing, or an area is not above 0.

    Examples
    --------
    An unmarked field of 1.5 cm2 at 100 hairs/cm2 with phi 1.5, and a marked one with a CV of 5 %:

    >>> count_variance([100.0, 100.0], [1.5, 1.5], marked=[False, True], reader_changed=[False, False],
    ...                error=CountError(phi=1.5, within_cv=0.05))
    array([100.,  25.])
    """
    density, area = np.broadcast_arrays(
        np.asarray(expected_density, dtype=float), np.asarray(counted_area_cm2, dtype=float)
    )
    is_marked, is_changed = np.asarray(marked, dtype=bool), np.asarray(reader_changed, dtype=bool)
    if not np.all(density >= 0):
        raise ParameterError(
            f"measurement.count_variance(expected_density): {int((~(density >= 0)).sum())} value(s) "
            "negative or missing; an expected density is 0 or more; pass what a model expects"
        )
    if not np.all(area > 0):
        raise ParameterError(
            f"measurement.count_variance(counted_area_cm2): {int((~(area > 0)).sum())} value(s) not above 0; "
            "multiply the area of one field by the number of fields"
        )
    repeat = np.where(is_marked, (error.within_cv * density) ** 2, error.phi * density / area)
    return repeat + np.where(is_changed, 2.0 * (error.between_reader_cv * density) ** 2, 0.0)


def plus_one_hair(density, counted_area_cm2) -> np.ndarray:
    """Return a safe expected density, in hairs/cm2, where no model is at hand: one hair more than read.

    A variance from the bare reading makes low readings look precise; one added hair keeps a count of zero
    uncertain. A model's expectation is better and is used wherever there is one.

    Parameters
    ----------
    density
        Shape (n,), hairs/cm2, as read.
    counted_area_cm2
        Shape (n,), cm2, above 0.

    Returns
    -------
    numpy.ndarray
        Expected densities, shape (n,), hairs/cm2, above 0.

    Examples
    --------
    No hair in 2 cm2 is read as one hair in 2 cm2:

    >>> plus_one_hair([0.0, 60.0], [2.0, 1.0])
    array([ 0.5, 61. ])
    """
    return np.asarray(density, dtype=float) + 1.0 / np.asarray(counted_area_cm2, dtype=float)


def habit_cv(readers, between_reader_cv: float) -> float:
    """Return how far a clinic's readers together may read above or below the truth, as a share of a density.

    Readers are taken as drawn from readers at large, whose habits differ by the between-reader CV about the
    truth. The mean of a clinic's own then errs by that CV times the root of the sum of their squared shares
    of the counts. More patients do not make it smaller, more readers do. Nothing in the clinic's own counts
    tells its sign.

    Parameters
    ----------
    readers
        Shape (n,), who read each count; those who say no reader are one of no name.
    between_reader_cv
        0 or more.

    Returns
    -------
    float
        Coefficient of variation, 0 to `between_reader_cv`.

    Examples
    --------
    One reader alone; and two who read half each, of CV 6 %:

    >>> habit_cv(["A", "A"], 0.06), round(habit_cv(["A", "B"], 0.06), 4)
    (0.06, 0.0424)
    """
    shares = pd.Series(readers, dtype=object).fillna("").value_counts(normalize=True)
    return between_reader_cv * float(np.sqrt((shares**2).sum())) if len(shares) else between_reader_cv
