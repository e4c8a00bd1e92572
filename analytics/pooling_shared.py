"""What does an error that all of a clinic's readings share do to the pooled curve?

A yield from a zone's average planted density is divided by the mean ratio of region over zone, and that ratio
has a standard error (`yields_planted`): one number for all such readings of a clinic, which does not shrink
with their number. It moves the readings by a known pattern c and the coefficients by A c, as in
`yields_means`; A = (X'H^-1 X)^-1 X'H^-1 at the fit reached. A clinic adds X'H^-1 c to its sums. Where it has
its own ratio, from double counts, its error is its own, and clinics' squares add up; where it has the stated
one, the error is one and the same for all of them, and they add up before they are squared.

c is y times the ratio's standard error times the share of the zone's readings that rest on an average: the
same share for every reading of a zone, so that no sum tells which patients have one.
"""

import numpy as np
import pandas as pd

from analytics import yields
from analytics.numerics import mixed
from analytics.numerics.mixed import MixedFit, Plan
from analytics.records import Records
from analytics.yields_planted import MIN_BOTH

OWN, COMMON = "ratio_own", "ratio_common"


def patterns(rows: pd.DataFrame, y: pd.Series, records: Records) -> dict[str, pd.Series]:
    """Return what one standard error of the ratio does to each reading, the clinic's own or everybody's.

    Parameters
    ----------
    rows
        Rows of `yields.by_visit`.
    y
        Yield over the ratio, percent.
    """
    error = yields.planted_error(records)
    from_zone = rows["planted_source"].eq("zone")
    share = from_zone.groupby(rows["zone"]).transform("mean").astype(float)
    moved = y * share * error.zone_ratio_se / error.zone_ratio
    is_own = error.n_both >= MIN_BOTH
    return {OWN: moved * is_own, COMMON: moved * (not is_own)}


def sums(designs: dict[str, mixed.Design], theta: np.ndarray, form: Plan) -> dict[str, np.ndarray]:
    """Return a part's sums at theta: squares of its own shared error, (p, p), and the common one's, (p,).

    Parameters
    ----------
    designs
        The part's rows with the pattern OWN or COMMON in the place of y.
    theta, form
        As for `mixed.contributions`.
    """
    own, common = (_moved(designs[name], theta, form) for name in (OWN, COMMON))
    return {OWN: np.outer(own, own), COMMON: common}


def _moved(given: mixed.Design, theta: np.ndarray, form: Plan) -> np.ndarray:
    """Return X'H^-1 c in working columns. They hold y less a multiple of X, which is put back."""
    p = form.p
    found = mixed.contributions(theta, mixed.prepare(given, form), form, probe=np.zeros((form.m, 1)))
    shift = np.linalg.solve(form.basis[:p, :p], form.basis[:p, p])
    return found.cross[:p, p] - found.cross[:p, :p] @ shift


def covariance(fit: MixedFit, total: dict[str, np.ndarray]) -> np.ndarray:
    """Return what shared errors add to the covariance of the coefficients, (p, p).

    Parameters
    ----------
    fit
        The fit reached.
    total
        The parts' `sums` at its theta, added up.
    """
    p = fit.form.p
    common = np.asarray(total[COMMON], dtype=float)
    squares = np.asarray(total[OWN], dtype=float) + np.outer(common, common)
    takes = fit.form.basis[:p, :p] @ np.linalg.inv(fit.optimum.sums.cross[:p, :p])
    return fit.form.unit**2 * (takes @ squares @ takes.T)
