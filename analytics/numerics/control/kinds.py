"""Control charts: centre line and limits of a series, and the points outside them.

Each chart takes its limits from a baseline (the first points up to a declared change, or all of them) and
is judged beyond it without moving them; or from an earlier chart's rule (`Rule`), which new points do not
move. Limits are three standard errors wide unless said otherwise.

* `individuals`: sigma is the mean moving range / 1.128. NIST/SEMATECH e-Handbook 6.3.2.2. `screened` leaves
  moving ranges above 3.267 times their mean out of a second mean, as public-sector programmes do. Where
  points are means of different numbers of units, a moving range is divided by sqrt((1/n + 1/m) / 2) first,
  the centre is weighted and the limits of a point are sigma / sqrt(n) wide: the plain chart where all n are
  alike.
* `p` and `u`: binomial and Poisson limits by point. NIST/SEMATECH e-Handbook 6.3.3. With `exact` quantiles
  where few events (or few without) are expected, moved for skewness elsewhere (Winterbottom 1993, Qual
  Reliab Eng Int 9:105-109, from memory), and never narrower than counting error: plain ones signal too often.
* `p_prime` and `u_prime`: the same, widened by the sigma of the standardised points, for series whose points
  differ by more than counting error. Laney 2002, Quality Engineering 14:531-537.
* `g`: cases between events, geometric. Benneyan 2001, Health Care Manag Sci 4:305-318.
* `t`: time between events, made near-normal by the power 1 / 3.6. Nelson 1994, J Qual Technol 26:239-240.

As the review draws charts (`chart`), points past the baseline have prediction limits, wider by what it leaves
unknown: Student's t on the degrees of freedom of a mean moving range (`widths`).

The limit functions work along the last axis, so that thousands of simulated series are charted in one call.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numpy.typing import ArrayLike

from analytics.errors import ParameterError
from analytics.numerics.control.lines import Chart, Rule
from analytics.numerics.control.shares import p, p_prime, u, u_prime
from analytics.numerics.control.values import g, individuals, t

KINDS = ("individuals", "p", "p_prime", "u", "u_prime", "g", "t")


def chart(
    kind: str,
    events: ArrayLike,
    sizes: ArrayLike | None = None,
    *,
    n_baseline: int | None = None,
    rule: Rule | None = None,
) -> Chart:
    """Return the chart of the kind named (one of KINDS), as the review draws it.

    Parameters
    ----------
    kind
        One of KINDS; p, u and their prime forms with exact limits, g with geometric limits.
    events
        What that kind charts, shape (..., n).
    sizes
        Sizes or exposures, for p, u and their prime forms; units of each mean, for individuals.
    n_baseline, rule
        As in `individuals`; u, u_prime and t take no rule.

    Raises
    ------
    ParameterError
        When the kind is unknown, or sizes are missing.

    Examples
    --------
    >>> chart("individuals", [10.0, 12.0, 10.0, 12.0]).kind
    'individuals'
    """
    ruled: dict[str, Any] = {} if rule is None else {"rule": rule}
    with_sizes: dict[str, Callable] = {"p": p, "p_prime": p_prime, "u": u, "u_prime": u_prime}
    alone: dict[str, Callable] = {"g": g, "t": t}
    if kind in with_sizes and sizes is not None:
        return with_sizes[kind](events, sizes, n_baseline=n_baseline, exact=True, **ruled)
    if kind == "individuals":
        return individuals(events, sizes, n_baseline=n_baseline, ahead=True, **ruled)
    if kind in alone:
        return alone[kind](events, n_baseline=n_baseline, **ruled)
    raise ParameterError(
        f"control.chart(kind): unknown, or sizes are missing for p or u; use one of {', '.join(KINDS)}"
    )
