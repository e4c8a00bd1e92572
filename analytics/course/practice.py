"""Who should be called back, and how often is a healthy case called behind?

`standings` judges every followed placement. `call_back` lists those behind or low at a chosen share of
false names (Benjamini & Hochberg 1995 over all placements judged, on the one-sided p-value of the
deviation), oldest first.
`false_alarms` simulates cases of this very practice and counts how often the rule calls one behind.
"""

import numpy as np
import pandas as pd
import scipy

from analytics import measurement, regrowth
from analytics.course.standing import (
    BEHIND_CENTILE,
    FALSE_ALARMS,
    FEWEST_TOLD,
    centile,
    practice_bounds,
    standings_of,
)
from analytics.errors import ParameterError
from analytics.numerics.nonlinear import share
from analytics.numerics.proportions import proportion
from analytics.records import Records
from analytics.regrowth import PlateauDistribution, parameters
from analytics.results import LEVEL, Result, line

ERROR_RATE = 0.2
PLANTED = 50.0  # hairs/cm2 of a simulated case


def standings(records: Records, *, plateaus: PlateauDistribution) -> pd.DataFrame:
    """Return one row per followed placement: patient, zone, session, state, chances, split and p-value."""
    frame = regrowth.rows_for(records, plateaus.fit).frame
    once = frame.drop_duplicates("placement_id").set_index("placement_id")
    table = standings_of(plateaus, frame, bounds=practice_bounds(plateaus))
    whose = once[["patient_id", "session_id", "session_number"]].assign(
        session_month=once["patient_month"].astype(float)
    )
    table = whose.join(table).reset_index()
    return table.assign(p_value=scipy.stats.norm.cdf(table["z"]))


def call_back(
    records: Records,
    *,
    plateaus: PlateauDistribution,
    error_rate: float = ERROR_RATE,
    level: float = LEVEL,
) -> Result:
    """Return the call-back list: placements behind or low, oldest first.

    Parameters
    ----------
    plateaus
        The practice's model: `regrowth.fit_plateaus`.
    error_rate
        Share of the names that may be false, 0.01 to 0.5.

    Returns
    -------
    Result
        `estimates`: how many placements were judged and named. `extra["behind"]`: one row per placement
        named. Who is overdue is `course.due`'s to say, by the clinic's own schedule.

    Raises
    ------
    ParameterError
        When the error rate is out of range.

    Examples
    --------
    >>> from analytics import regrowth, simulate
    >>> clinic = simulate.as_records(simulate.register(20)[0])
    >>> plateaus = regrowth.fit_plateaus(clinic)
    >>> call_back(clinic, plateaus=plateaus).table()["term"].tolist()
    ['placements judged', 'named behind or low']
    >>> false_alarms(clinic, plateaus=plateaus, zones=("crown",), n=5).table()["unit"].unique().tolist()
    ['%']
    """
    if not 0.01 <= error_rate <= 0.5:
        raise ParameterError("course.call_back(error_rate): out of range; expected 0.01 to 0.5")
    table = standings(records, plateaus=plateaus)
    judged = table[table["n_readings"].gt(0) & table["p_value"].notna() & table["told"].ge(FEWEST_TOLD)]
    named = judged[_named(judged["p_value"].to_numpy(dtype=float), error_rate)]
    behind = _list(named, records)
    counts = (
        ("placements judged", len(judged)),
        ("named behind or low", len(behind)),
    )
    estimates = pd.DataFrame([line(t, float(n), "count", basis="count", level=level) for t, n in counts])
    method = (
        "deviation of each placement's readings, taken together, from those of the practice's cases read "
        f"alike; not judged where they tell less than {100 * FEWEST_TOLD:g} % of how cases differ; "
        f"Benjamini-Hochberg at {100 * error_rate:g} % over {len(judged)} placements"
    )
    used = judged.assign(reason="")[["patient_id", "placement_id", "reason"]]
    return Result(estimates, used, method, extra={"behind": behind, "standings": table})


def false_alarms(
    records: Records,
    *,
    plateaus: PlateauDistribution | None = None,
    zones: tuple[str, ...] = (),
    months: tuple[float, ...] = (3.0, 6.0),
    n: int = 200,
    seed: int = 1,
) -> Result:
    """Return how often the rule calls a case of this practice behind, by zone, from simulated cases.

    All cases belong to the practice's regular growth, not to its failures: the stated rate is what the rule
    should call behind of them by chance alone.
    Healthy is a case whose true yield at its last reading is not among the lowest tenth. Readings are
    marked 1 cm2 counts by one reader at the months given, after a baseline; planted hairs are counted in the
    region, or taken from the zone where this practice counts none there.

    Parameters
    ----------
    plateaus
        The practice's model, `regrowth.fit_plateaus`; fitted here if not given.
    zones
        Zones to simulate; all of the model if empty.
    months
        Months of the readings, each above 0.
    n
        Cases to simulate for each zone, 1 or more.
    seed
        Of the simulation.

    Returns
    -------
    Result
        By zone: percent called behind of all, of the healthy, and of the lowest tenth, with Wilson limits.

    Raises
    ------
    ParameterError
        When `n` or a month is out of range.

    Examples
    --------
    >>> from analytics import course, regrowth, simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> model = regrowth.fit_plateaus(clinic, fit=regrowth.fit_emergence(clinic))
    >>> course.false_alarms(clinic, plateaus=model, zones=("frontal",), n=20).by
    ('zone',)
    """
    if n < 1 or not months or min(months) <= 0:
        raise ParameterError(
            "course.false_alarms(n, months): out of range; expected 1 case or more and months above 0"
        )
    plateaus = regrowth.fit_plateaus(records) if plateaus is None else plateaus
    rng = np.random.default_rng(seed)
    wanted = zones or plateaus.fit.zones
    lines, bounds = [], practice_bounds(plateaus)
    for zone in wanted:
        called, healthy, told = _simulated(plateaus, bounds, zone, months, n, rng)
        flag = "" if told else "such readings say too little; nothing is called"
        lines += [
            _rate(zone, term, called[group], months, flag)
            for term, group in (
                (f"called behind, of this practice's cases (stated {100 * FALSE_ALARMS:g} %)", slice(None)),
                ("called behind, of healthy cases", healthy),
                ("called behind, of the lowest tenth", ~healthy),
            )
        ]
    method = (
        f"{n} simulated cases of regular growth a zone from the fitted model, readings at months "
        f"{', '.join(f'{m:g}' for m in months)}, seed {seed}; behind: readings taken together lower than "
        f"those of all but {100 * FALSE_ALARMS:g} in 100 cases; healthy: true yield not in the lowest "
        f"{BEHIND_CENTILE:g} %"
    )
    return Result(pd.DataFrame(lines), pd.DataFrame({"reason": []}), method, by=("zone",))


def _rate(zone: str, term: str, called: np.ndarray, months: tuple[float, ...], flag: str) -> dict:
    """Return a share of simulated cases, which are nobody's and need no protection."""
    made = proportion(int(called.sum()), len(called))
    estimate, low, high = (100 * float(v) for v in (made.estimate, made.low, made.high))
    own = {"zone": zone}
    return line(
        term,
        estimate,
        "%",
        by=own,
        x=months[-1],
        ci=(low, high),
        level=LEVEL,
        basis="model",
        n_rows=len(called),
        flag=flag,
    )


def _named(p: np.ndarray, error_rate: float) -> np.ndarray:
    if not len(p):
        return np.zeros(0, dtype=bool)
    from statsmodels.stats.multitest import multipletests

    return np.asarray(multipletests(p, alpha=error_rate, method="fdr_bh")[0], dtype=bool)


def _list(named: pd.DataFrame, records: Records) -> pd.DataFrame:
    month = records.sessions.set_index("session_id")["register_month"]
    oldest = named.assign(since=named["session_id"].map(month).astype(float)).sort_values(["since", "z"])
    columns = [
        "patient_id",
        "zone",
        "session_number",
        "month",
        "n_readings",
        "yield_now",
        "yield_low",
        "yield_high",
        "state",
        "slow_only",
        "low_only",
        "both",
    ]
    return oldest[columns].reset_index(drop=True)


def _simulated(
    plateaus: PlateauDistribution,
    bounds: dict[str, np.ndarray],
    zone: str,
    months: tuple[float, ...],
    n: int,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray, bool]:
    """Return which simulated cases are called behind, which are healthy, and whether readings say enough."""
    fit = plateaus.fit
    k = fit.zone_index(zone)
    _, log_half, log_k = (v[k] for v in parameters(fit, fit.beta))
    plateau, slow = regrowth.drawn(plateaus, zone, n, rng, only_regular=True)
    named = dict(zip(fit.spread_names, fit.spread, strict=True))
    native_sd = np.sqrt(named["region: native"]) * fit.native_scale[k]
    native = np.maximum(fit.beta[fit.slices[0][0] + k] + native_sd * rng.normal(size=n), 0.0)
    # The reader's habit and the error of planted density both multiply the case's own growth.
    source = "region" if "region" in fit.planted_cv else "zone"
    habit = 1 + np.hypot(fit.reader_cv, fit.planted_cv[source]) * rng.normal(size=n)
    emerged = share(fit.shape, np.array(months) * np.exp(-log_half - slow[:, None]), log_k)[0]
    grown = PLANTED * (plateau * np.maximum(habit, 0.0))[:, None] * emerged / 100
    density = native[:, None] + np.column_stack([np.zeros(n), grown])
    variance = float(fit.spread[-1]) + measurement.count_variance(
        np.maximum(density, 1.0), 1.0, marked=True, reader_changed=False, error=fit.count_error
    )
    seen = np.maximum(density + rng.normal(size=density.shape) * np.sqrt(variance), 0.0)
    judged = standings_of(plateaus, _as_rows(zone, months, seen, source), bounds=bounds)
    lowest = float(centile(plateaus, zone, [months[-1]], BEHIND_CENTILE)[0])
    called = judged["state"].eq("behind").to_numpy()
    told = float(judged["told"].median())
    return called, plateau * emerged[:, -1] >= lowest, bool(told >= FEWEST_TOLD)


def _as_rows(zone: str, months: tuple[float, ...], density: np.ndarray, source: str) -> pd.DataFrame:
    """Return the counts of simulated cases (cases, readings), a baseline first, as rows of a register."""
    month = np.array([0.0, *months])
    names = np.repeat([f"simulated {i}" for i in range(len(density))], len(month))
    month = np.tile(month, len(density))
    return pd.DataFrame(
        {
            "patient_id": names,
            "placement_id": names,
            "region_id": zone,
            "group": zone,
            "planted": PLANTED,
            "planted_source": source,
            "month": month,
            "density": density.ravel(),
            "is_baseline": month == 0,
            "kept": 1.0,
            "shed": 0.0,
            "is_later": False,
            "planted_before": 0.0,
            "counted_area_cm2": 1.0,
            "both_marked": True,
            "reader_changed": False,
        }
    )
