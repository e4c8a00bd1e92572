"""Which split of a given number of grafts falls least short of the densities aimed at?

    minimise  sum over zones of  priority x E[shortfall^2] x area,   shortfall = max(target - density, 0)

over grafts by zone that sum to the total, with a floor of 0 and a ceiling at the densest planting this
practice has followed. The expectation is over the density at maturity: what will stand there without the
session (normal, `planning.outlook`) and planted x yield, the practice's distribution of yields with an error
of planted density that multiplies it. It is convex in the grafts: the density of every possible case is
linear in them, and the squared shortfall is convex. A formal aid to compare splits; what a patient needs is
a clinical judgement that this does not make.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import scipy

from analytics import dictionary
from analytics.errors import FitError, ParameterError
from analytics.results import OF_ONE, Result, line

GRAFTS, PLANTED = "grafts", "planted density"
TARGET, EXPECTED, SHORTFALL = "target", "expected density", "expected shortfall"
CHANCE = "chance of reaching the target"
CHANCE_OF_ALL = "chance of reaching every target"


@dataclass(frozen=True, slots=True)
class Target:
    """One zone to plan for.

    `target` and `standing` are densities in hairs/cm2 (aimed at, and without the session at maturity, known
    to within an SD of `standing_sd`); `yields` (cells,) percent grown of planted hairs at maturity, with
    `weights` that sum to 1; `planted_cv` the error of planted density; `most_planted` the densest planting
    with experience behind it, hairs/cm2. `together` (nodes, cells) parts the weights by what zones share.
    """

    zone: str
    area_cm2: float
    target: float
    standing: float
    hairs_per_graft: float
    yields: np.ndarray
    weights: np.ndarray
    most_planted: float
    priority: float = 1.0
    standing_sd: float = 0.0
    planted_cv: float = 0.0
    together: np.ndarray | None = None

    @property
    def most_grafts(self) -> int:
        """Return how many grafts the zone takes at the densest planting followed."""
        return int(self.most_planted * self.area_cm2 / self.hairs_per_graft)


def allocate(total_grafts: int, targets: Sequence[Target]) -> Result:
    """Return the split of grafts that minimises the priority-weighted expected squared shortfall.

    Parameters
    ----------
    total_grafts
        Grafts to divide, 1 to 8000.
    targets
        Zones with areas, targets and what grows there.

    Returns
    -------
    Result
        By zone: `grafts` (whole), `planted density`, `target`, and at maturity `expected density`, `expected
        shortfall`, and `chance of reaching the target`.

    Raises
    ------
    ParameterError
        When the total is out of range, a target is impossible, or the total is more than the zones can take.
    FitError
        When the optimiser does not converge.

    Examples
    --------
    Two zones alike share alike.

    >>> alike = (50.0, 60.0, 10.0, 2.0, np.array([70.0, 90.0]), np.array([0.5, 0.5]), 80.0)
    >>> split = allocate(2000, [Target("frontal", *alike), Target("crown", *alike)]).table()
    >>> split.loc[split["term"] == "grafts", "estimate"].round().tolist()
    [1000.0, 1000.0]
    """
    _check(total_grafts, targets)
    most = np.array([t.most_grafts for t in targets], dtype=float)
    if most.sum() < total_grafts:
        raise ParameterError(
            f"planning.allocate(total_grafts): the zones take {most.sum():,.0f} grafts at the densest "
            "planting this practice has followed; give fewer grafts or a larger area"
        )
    weight = np.array([t.priority * t.area_cm2 for t in targets])
    scale = float(weight.sum()) * 100.0

    def loss(grafts: np.ndarray) -> float:
        short2 = [judged(t, g).short2 for t, g in zip(targets, grafts, strict=True)]
        return float(weight @ short2) / scale

    found = scipy.optimize.minimize(
        loss,
        most * total_grafts / most.sum(),
        method="SLSQP",
        bounds=[(0.0, m) for m in most],
        constraints=[{"type": "eq", "fun": lambda g: (g.sum() - total_grafts) / total_grafts}],
        options={"ftol": 1e-12, "maxiter": 500},
    )
    if not found.success:
        raise FitError(
            "planning.allocate: the split did not converge; change the targets or priorities a little"
        )
    grafts = _whole(np.minimum(found.x * total_grafts / found.x.sum(), most), total_grafts)
    lines = [row for t, g in zip(targets, grafts, strict=True) for row in _lines(t, g)]
    method = (
        "least expected squared shortfall from the target densities at maturity, weighed by area and "
        "priority, grafts summing to the total, no zone denser than this practice has followed; density as "
        "predicted for a draft; a formal comparison, not advice"
    )
    notes = tuple(
        f"{t.zone}: {t.area_cm2:g} cm2, target {t.target:g} and without the session {t.standing:.0f} (SD "
        f"{t.standing_sd:.0f}) hairs/cm2, {t.hairs_per_graft:.2f} hairs a graft, yield "
        f"{t.weights @ t.yields:.0f} %, priority {t.priority:g}"
        for t in targets
    )
    used = pd.DataFrame({"zone": [t.zone for t in targets], "reason": ""})
    checks = {"converged": bool(found.success)}
    return Result(pd.DataFrame(lines), used, method, by=("zone",), notes=notes, checks=checks)


def _check(total: int, targets: Sequence[Target]) -> None:
    if not 1 <= total <= 8000:
        raise ParameterError("planning.allocate(total_grafts): out of range; expected 1 to 8000")
    if not targets:
        raise ParameterError(
            "planning.allocate(targets): none given; give a target density for at least one zone"
        )
    for t in targets:
        bounds = (
            (0 < t.area_cm2 <= 300, "area_cm2", "above 0 to 300 cm2"),
            (0 < t.target <= 260, "target", "above 0 to 260 hairs/cm2"),
            (0 <= t.standing <= 260, "standing", "0 to 260 hairs/cm2"),
            (1 <= t.hairs_per_graft <= 4.5, "hairs_per_graft", "1 to 4.5"),
            (t.priority > 0, "priority", "above 0"),
            (t.standing_sd >= 0, "standing_sd", "0 or more"),
        )
        for holds, name, rule in bounds:
            if not holds:
                raise ParameterError(f"planning.allocate({t.zone}.{name}): out of range; expected {rule}")


@dataclass(frozen=True, slots=True)
class Judged:
    """One zone with a number of grafts: hairs/cm2 planted and expected at maturity, and against its target.

    `short` is the expected shortfall, `short2` the expected squared one, `chance` to be at the target or
    above.
    """

    planted: float
    expected: float
    short: float
    short2: float
    chance: float


def judged(t: Target, grafts: float) -> Judged:
    """Return what grafts in a zone would be expected to give against its target.

    Parameters
    ----------
    t
        The target.
    grafts
        Grafts planted, 0 or more.

    Returns
    -------
    Judged
        Planted density, expected density, expected shortfall and its square, chance of reaching the target.

    Examples
    --------
    Shown with `allocate`, which takes the split that it judges best.
    """
    planted = grafts * t.hairs_per_graft / t.area_cm2
    mean, sd = _by_cell(t, planted)
    gap = t.target - mean
    under, height = scipy.stats.norm.cdf(gap / sd), scipy.stats.norm.pdf(gap / sd)
    return Judged(
        planted,
        float(t.weights @ mean),
        float(t.weights @ (gap * under + sd * height)),
        float(t.weights @ ((gap**2 + sd**2) * under + gap * sd * height)),
        float(t.weights @ (1 - under)),
    )


def _by_cell(t: Target, planted: float) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and SD (cells,) of the density at maturity with hairs/cm2 planted."""
    grown = planted * t.yields / 100
    return t.standing + grown, np.maximum(np.hypot(t.planted_cv * grown, t.standing_sd), 1e-6)


def chance_of_all(targets: Sequence[Target], grafts: Sequence[float]) -> float:
    """Return the chance that every target is reached.

    What the zones share (a patient who grows well does so everywhere) is summed over; given it, zones are
    independent, as placements of one patient are in the practice's model.

    Parameters
    ----------
    targets
        Zones of one patient, `together` given.
    grafts
        Grafts of each, 0 or more.

    Examples
    --------
    Half of patients grow 100 % everywhere, the others nothing: both zones reach 40 as often as one does.

    >>> one_fate = np.array([[0.5, 0.0], [0.0, 0.5]])
    >>> zone = (10.0, 40.0, 0.0, 2.0, np.array([0.0, 100.0]), np.array([0.5, 0.5]), 80.0)
    >>> two = [Target(name, *zone, together=one_fate) for name in ("frontal", "crown")]
    >>> chance_of_all(two, [300, 300])
    0.5
    """
    shared = np.asarray(targets[0].together).sum(axis=1)
    chance = np.ones_like(shared)
    for t, n in zip(targets, grafts, strict=True):
        mean, sd = _by_cell(t, n * t.hairs_per_graft / t.area_cm2)
        reached = np.asarray(t.together) @ scipy.stats.norm.sf((t.target - mean) / sd)
        chance *= reached / np.maximum(shared, 1e-300)
    return float(shared @ chance)


def lines_of(
    t: Target, grafts: float, *, ends: tuple[float, float] | None = None, **own: Any
) -> list[dict[str, Any]]:
    """Return the table rows of a zone against its target; `ends` are limits of the expected density."""
    found, month = judged(t, grafts), float(dictionary.MATURITY_MONTH[t.zone])
    return [
        line(TARGET, t.target, "hairs/cm2", x=month, **own),
        line(EXPECTED, found.expected, "hairs/cm2", x=month, ci=ends, **own),
        line(SHORTFALL, found.short, "hairs/cm2", x=month, **own),
        line(CHANCE, 100 * found.chance, "%", x=month, **own),
    ]


def _lines(t: Target, grafts: float) -> list[dict[str, Any]]:
    planted = grafts * t.hairs_per_graft / t.area_cm2
    flag = "at the densest planting followed" if planted > 0.999 * t.most_planted else ""
    own: dict[str, Any] = {"by": {"zone": t.zone}, "flag": flag, "basis": "model", **OF_ONE}
    return [
        line(GRAFTS, float(grafts), "FU", **own),
        line(PLANTED, planted, "hairs/cm2", **own),
        *lines_of(t, grafts, **own),
    ]


def _whole(grafts: np.ndarray, total: int) -> np.ndarray:
    """Return whole grafts that add up to the total, the largest remainders rounded up."""
    floor = np.floor(grafts)
    up = np.argsort(floor - grafts, kind="stable")[: round(total - float(floor.sum()))]
    floor[up] += 1
    return floor
