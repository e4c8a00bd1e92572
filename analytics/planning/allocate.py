"""Which split of a given number of grafts falls least short of the densities aimed at?

    minimise  sum over zones of  priority x E[shortfall]^2 x area,   shortfall = max(target - density, 0)

over grafts by zone that sum to the total, with a floor of 0 and a ceiling at the densest planting this
practice has followed. The expectation is over the model's prediction of density at maturity (normal, mean
native + yield x planted, its variance that of the native density and of the yield). It is convex in the
grafts: a convex increasing function of a linear one. A formal aid to compare splits; what a patient needs is
a clinical judgement that this does not make.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, stats

from analytics.errors import FitError, ParameterError
from analytics.results import Result, line


@dataclass(frozen=True, slots=True)
class Target:
    """One zone to plan for.

    `target` and `native` are densities in hairs/cm2 (aimed at, and native then, known to within an SD of
    `native_sd`), `yield_pct` the expected yield at maturity with its spread for one patient `yield_sd`,
    `most_planted` the densest planting with experience behind it, hairs/cm2.
    """

    zone: str
    area_cm2: float
    target: float
    native: float
    hairs_per_graft: float
    yield_pct: float
    yield_sd: float
    most_planted: float
    priority: float = 1.0
    native_sd: float = 0.0


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
        By zone: `grafts`, `planted density`, `expected density`, `expected shortfall`, and `chance of
        reaching the target`.

    Raises
    ------
    ParameterError
        When the total is out of range, a target is impossible, or the total is more than the zones can take.
    FitError
        When the optimiser does not converge.

    Examples
    --------
    Two zones alike share alike.

    >>> alike = (50.0, 60.0, 10.0, 2.0, 80.0, 10.0, 80.0)
    >>> split = allocate(2000, [Target("frontal", *alike), Target("crown", *alike)]).table()
    >>> split.loc[split["term"] == "grafts", "estimate"].round().tolist()
    [1000.0, 1000.0]
    """
    _check(total_grafts, targets)
    area = np.array([t.area_cm2 for t in targets])
    per_graft = np.array([t.hairs_per_graft for t in targets])
    most = np.array([t.most_planted for t in targets]) * area / per_graft
    if most.sum() < total_grafts:
        raise ParameterError(
            f"planning.allocate(total_grafts): the zones take {most.sum():,.0f} grafts at the densest "
            "planting this practice has followed; give fewer grafts or a larger area"
        )
    start = most * total_grafts / most.sum()
    weight = np.array([t.priority for t in targets]) * area
    scale = float(weight.sum()) * 100.0

    def loss(grafts: np.ndarray) -> float:
        short = np.array([_shortfall(t, g)[0] for t, g in zip(targets, grafts, strict=True)])
        return float(weight @ short**2) / scale

    found = optimize.minimize(
        loss,
        start,
        method="SLSQP",
        bounds=[(0.0, m) for m in most],
        constraints=[{"type": "eq", "fun": lambda g: (g.sum() - total_grafts) / total_grafts}],
        options={"ftol": 1e-12, "maxiter": 500},
    )
    if not found.success:
        raise FitError(
            "planning.allocate: the split did not converge; change the targets or priorities a little"
        )
    grafts = found.x * total_grafts / found.x.sum()
    lines = [row for t, g in zip(targets, grafts, strict=True) for row in _lines(t, g)]
    method = (
        "least priority-weighted expected squared shortfall from the target densities, grafts summing to the "
        "total, no zone denser than this practice has followed; density normal about native + "
        "yield x planted; a formal comparison, not advice"
    )
    notes = tuple(
        f"{t.zone}: {t.area_cm2:g} cm2, target {t.target:g} and native {t.native:.0f} (SD {t.native_sd:.0f}) "
        f"hairs/cm2, {t.hairs_per_graft:.2f} hairs a graft, yield {t.yield_pct:.0f} % (SD {t.yield_sd:.0f}), "
        f"priority {t.priority:g}"
        for t in targets
    )
    used = pd.DataFrame({"zone": [t.zone for t in targets], "reason": ""})
    return Result(
        pd.DataFrame(lines),
        used,
        method,
        by=("zone",),
        notes=notes,
        checks={"converged": bool(found.success)},
    )


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
            (0 <= t.native <= 260, "native", "0 to 260 hairs/cm2"),
            (1 <= t.hairs_per_graft <= 4.5, "hairs_per_graft", "1 to 4.5"),
            (t.priority > 0, "priority", "above 0"),
            (t.native_sd >= 0, "native_sd", "0 or more"),
        )
        for holds, name, rule in bounds:
            if not holds:
                raise ParameterError(f"planning.allocate({t.zone}.{name}): out of range; expected {rule}")


def _shortfall(t: Target, grafts: float) -> tuple[float, float, float]:
    """Return expected shortfall, expected density and the chance of reaching the target."""
    planted = grafts * t.hairs_per_graft / t.area_cm2
    mean = t.native + planted * t.yield_pct / 100
    sd = max(float(np.hypot(planted * t.yield_sd / 100, t.native_sd)), 1e-6)
    z = (t.target - mean) / sd
    return (
        float((t.target - mean) * stats.norm.cdf(z) + sd * stats.norm.pdf(z)),
        mean,
        float(stats.norm.sf(z)),
    )


def _lines(t: Target, grafts: float) -> list[dict]:
    short, mean, chance = _shortfall(t, grafts)
    planted = grafts * t.hairs_per_graft / t.area_cm2
    own: dict[str, Any] = {
        "by": {"zone": t.zone},
        "flag": "at the densest planting followed" if planted > 0.999 * t.most_planted else "",
    }
    return [
        line("grafts", grafts, "FU", **own),
        line("planted density", planted, "hairs/cm2", **own),
        line("expected density", mean, "hairs/cm2", **own),
        line("expected shortfall", short, "hairs/cm2", **own),
        line("chance of reaching the target", 100 * chance, "%", **own),
    ]
