"""When can it be told whether a zone ends lower than the front? How many more counts, and by which month?

Asked of the design, not of the difference that was found: power after the fact says nothing more than the
p-value. A difference of a stated size between the means of patients at maturity is found with the stated
power by a two-sided t test once

    (t(1 - alpha/2, df) + t(power, df)) * sd * sqrt(1 / n_zone + 1 / n_front) <= difference,  df = n - 2

(`numerics.power.detectable`). `sd` is that of the yields of patients at maturity in these records, pooled
over both sides, from LEAST_FOR_SD patients on; else ASSUMED_SD (a choice of ours, no source). Where only one
side was ever planted, the question is when its mean is known to within the difference: t * sd / sqrt(n).

Patients counted at maturity by a register month are those there are; those operated on already, each with the
chance to come back; and new ones at the rate of the last RATE_MONTHS months, each with that chance. They come
as long after their month of maturity as those read so far did in the mean; where none was read,
ASSUMED_DELAY. The chance is the share read of those whose window has closed. Month by month SIMULATED
futures are drawn (arrivals Poisson, returns binomial, rate and chance from their Jeffreys distributions);
the middle one and the middle 80 of 100 are told. It is no promise: sessions may change, and so may who comes
back.

Source of the test's formula: Cohen 1988, Statistical Power Analysis for the Behavioral Sciences, 2nd ed.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy

from analytics import followup, yields
from analytics.dictionary import FRONT, MATURITY_MONTH
from analytics.errors import FitError, ParameterError
from analytics.numerics import power as design
from analytics.records import Records
from analytics.results import LEVEL, Result, line

ALPHA = 0.05
LEAST_FOR_SD = 5
ASSUMED_SD = 14.0  # points of yield between patients, counting error included; a choice of ours, no source
ASSUMED_DELAY = 1.0  # months from maturity to its count; a choice of ours, no source
RATE_MONTHS = 24
HORIZON_MONTHS = 120
SIMULATED = 400
RANGE = 0.8  # share of the drawn futures between the limits
SEED = 1


@dataclass(frozen=True, slots=True)
class Side:
    """One side of the question: what was counted, what is on its way, and how it goes on.

    `ahead` holds the register months at which placements already there become mature and whose visit has not
    closed, `delay` how many months after maturity they are read. Of those whose window has closed,
    `read_of_due` says how many were read.
    """

    n_mature: int
    ahead: np.ndarray
    per_month: tuple[float, float]  # patients planted, and months they were planted in
    read_of_due: tuple[int, int]
    maturity: float
    delay: float


def when(
    records: Records,
    *,
    choices: yields.Choices = yields.USUAL,
    zone: str = "crown",
    difference: float = 10.0,
    power: float = 0.8,
    seed: int = SEED,
) -> Result:
    """Return when a difference of a zone from the front can be told, and what is missing for it.

    Parameters
    ----------
    zone
        The zone asked of; where it was never planted, the zone planted most.
    difference
        To be found, points of yield at maturity, 1 to 100.
    power
        Chance to find it, 0.5 to 0.99.
    seed
        Of the futures drawn.

    Returns
    -------
    Result
        By zone: patients counted at maturity and needed; then the register month. `extra["facts"]` is one
        row: zone, against, difference, power, month, low, high (register months, NaN: not within ten years),
        month_of_half (of half the difference), now, n_zone, n_against, need_zone, need_against, more,
        per_month, returning, sd, is_assumed, is_return_assumed (no window of maturity has closed yet).

    Raises
    ------
    ParameterError
        When the difference or the power is out of range.
    FitError
        When nothing was planted.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> when(clinic, zone="crown").extra["facts"][["zone", "against"]].values.tolist()
    [['crown', 'front']]
    """
    if not 1 <= difference <= 100 or not 0.5 <= power <= 0.99:
        raise ParameterError("early.when: expected a difference of 1 to 100 points and a power 0.5 to 0.99")
    if records.placements.empty:
        raise FitError("early.when: nothing was planted yet; enter a session and its placements")
    planted = records.placements["zone"].value_counts()
    zone = zone if zone in planted.index else str(planted.index[0])
    others = [z for z in FRONT if z in planted.index and z != zone] if zone not in FRONT else []
    rows = yields.by_visit(records, choices=choices)
    mature = yields.one_reading(rows)
    now = _last_month(records)
    own, against = _side(records, mature, [zone], now), _side(records, mature, others, now)
    sd, is_assumed = _sd(mature, [[zone], others])
    told, of_half = (
        _told(own, against, bool(others), sd, size, power, now, np.random.default_rng(seed))
        for size in (difference, difference / 2)
    )
    n_patients = own.n_mature + against.n_mature
    facts = {
        "zone": zone, "against": "front" if others else "", "difference": difference, "power": power, **told,
        "month_of_half": of_half["month"], "now": now, "n_zone": own.n_mature, "n_against": against.n_mature,
        "per_month": own.per_month[0] / own.per_month[1],
        "returning": (own.read_of_due[0] + 0.5) / (own.read_of_due[1] + 1.0), "sd": sd,
        "is_assumed": is_assumed, "is_return_assumed": own.read_of_due[1] == 0,
    }  # fmt: skip
    return Result(
        pd.DataFrame(_lines(facts, n_patients)),
        yields.with_reason(rows, "headline"),
        _method(facts, seed),
        by=("zone",),
        picture="sentence",
        extra={"facts": pd.DataFrame([facts])},
    )


def _last_month(records: Records) -> float:
    operated = records.sessions.set_index("session_id")["register_month"].astype(float)
    counted = records.measurements["session_id"].map(operated) + records.measurements["month"]
    return float(np.nanmax([operated.max(), *counted.dropna().to_numpy()]))


def _side(records: Records, mature: pd.DataFrame, zones: list[str], now: float) -> Side:
    """Return one side: a patient counts once, by the first placement of the side that becomes mature."""
    placed = records.placements[records.placements["zone"].isin(zones)]
    month = records.sessions.set_index("session_id")["register_month"].astype(float)
    begun = placed["session_id"].map(month)
    due = begun + placed["zone"].map(MATURITY_MONTH).astype(float)
    frame = pd.DataFrame({"patient": placed["patient_id"], "begun": begun, "due": due})
    of_patient = frame.groupby("patient").min()
    read = set(mature.loc[mature["zone"].isin(zones), "patient_id"])
    is_read = of_patient.index.isin(read)
    # Whose visit can still come is neither read nor absent.
    is_due = (of_patient["due"] + followup.CLOSES_LATE <= now).to_numpy()
    recent = (of_patient["begun"] > now - RATE_MONTHS).to_numpy()
    span = min(RATE_MONTHS, max(now - float(month.min()) + 1.0, 1.0))
    ahead = of_patient.loc[~is_read & ~is_due, "due"].to_numpy(dtype=float)
    maturity = float(max((MATURITY_MONTH[z] for z in zones), default=0))
    read_of_due = (int((is_read & is_due).sum()), int(is_due.sum()))
    return Side(len(read), ahead, (float(recent.sum()), span), read_of_due, maturity, _delay(mature))


def _delay(mature: pd.DataFrame) -> float:
    after = (mature["month"].astype(float) - mature["zone"].map(MATURITY_MONTH).astype(float)).dropna()
    return float(max(after.mean(), 0.0)) if len(after) else ASSUMED_DELAY


def _sd(mature: pd.DataFrame, sides: list[list[str]]) -> tuple[float, bool]:
    """Return the SD of the yields of patients at maturity, pooled over the sides, or the assumed one."""
    means = [
        mature[mature["zone"].isin(zones)].groupby("patient_id")["yield_pct"].mean().to_numpy(dtype=float)
        for zones in sides
    ]
    df = sum(max(len(m) - 1, 0) for m in means)
    if df < LEAST_FOR_SD - 1:
        return ASSUMED_SD, True
    return float(np.sqrt(sum(((m - m.mean()) ** 2).sum() for m in means if len(m)) / df)), False


def _told(
    own: Side, against: Side, has_front: bool, sd: float, difference: float, power: float, now: float,
    rng: np.random.Generator,
) -> dict[str, float]:  # fmt: skip
    """Return the register month (middle, low, high) and how many patients are needed on each side."""
    n = own.n_mature + _drawn(own, now, rng)
    m = against.n_mature + _drawn(against, now, rng) if has_front else np.full_like(n, 10**9)
    enough = _is_enough(n, m, has_front, sd, difference, power)
    first = np.where(enough.any(axis=1), enough.argmax(axis=1), np.nan)
    if np.isnan(first).mean() > 0.5:
        month = low = high = np.nan
    else:
        late = np.where(np.isnan(first), np.inf, first)
        cut = ((1 - RANGE) / 2, 0.5, 1 - (1 - RANGE) / 2)
        low, month, high = (now + v for v in np.quantile(late, cut, method="closest_observation"))
    # How many patients: with the front as it will be then, or at the end of what is looked ahead.
    at = HORIZON_MONTHS if np.isnan(month) else int(min(max(month - now, 0), HORIZON_MONTHS))
    front = float(np.median(m[:, at])) if has_front else np.inf
    need = _needed(front, has_front, sd, difference, power)
    return {
        "month": float(month),
        "low": float(low),
        "high": float(high) if np.isfinite(high) else np.nan,
        "need_zone": need,
        "need_against": front if has_front else 0.0,
        "more": max(need - own.n_mature, 0.0),
    }


def _drawn(side: Side, now: float, rng: np.random.Generator) -> np.ndarray:
    """Return how many more patients are read at maturity by each month ahead, (futures, months)."""
    months = np.arange(HORIZON_MONTHS + 1)
    read, due = side.read_of_due
    back = rng.beta(read + 0.5, due - read + 0.5, SIMULATED)
    planted, span = side.per_month
    rate = rng.gamma(planted + 0.5, 1 / span, SIMULATED)
    known = np.zeros((SIMULATED, len(months)))
    # Visits spread evenly over their window: who has let part of it pass is less likely to come.
    window = followup.OPENS_EARLY + followup.CLOSES_LATE
    passed = np.clip((now - side.ahead + followup.OPENS_EARLY) / window, 0.0, 1.0)
    for at, waited in zip(side.ahead, passed, strict=True):
        still = back * (1 - waited) / (1 - back * waited)
        comes = rng.random(SIMULATED) < still
        known += comes[:, None] & (months[None, :] >= max(at + side.delay - now, 1.0))
    arriving = rng.poisson((rate * back)[:, None], (SIMULATED, len(months))).astype(float)
    arriving[:, : int(side.maturity + side.delay) + 1] = 0.0
    return np.floor(known + np.cumsum(arriving, axis=1))


def _is_enough(n, m, has_front: bool, sd: float, difference: float, power: float) -> np.ndarray:
    n = np.asarray(n, dtype=float)
    df = np.maximum(n + (m if has_front else 0) - (2 if has_front else 1), 1)
    usable = (n >= 2) & (np.asarray(m) >= 2)
    safe_n, safe_m = np.maximum(n, 1), np.maximum(m, 1)
    se = sd * np.sqrt(1 / safe_n + (1 / safe_m if has_front else 0))
    reach = scipy.stats.t.isf(ALPHA / 2, df) + (scipy.stats.t.ppf(power, df) if has_front else 0)
    return usable & (reach * se <= difference)


def _needed(front: float, has_front: bool, sd: float, difference: float, power: float) -> float:
    """Return how many patients of the zone are needed beside so many of the front; inf where none will do."""
    n = np.arange(2, 2001, dtype=float)
    enough = _is_enough(n, np.full_like(n, front), has_front, sd, difference, power)
    return float(n[enough.argmax()]) if enough.any() else np.inf


def detectable(n_zone: int, n_front: int, sd: float, *, power: float = 0.8) -> float:
    """Return the difference that so many patients on each side would show with the stated power.

    Parameters
    ----------
    n_zone, n_front
        Patients on each side, 2 or more in all above 2.
    sd
        Standard deviation of yields between patients, points.
    power
        Chance to find it, 0.5 to 0.99.

    Returns
    -------
    float
        Difference, points of yield.

    Examples
    --------
    >>> round(detectable(17, 17, 10.0), 1)
    9.9
    """
    se = sd * np.sqrt(1 / n_zone + 1 / n_front)
    return design.detectable(float(se), n_zone + n_front - 2, power=power)


def _lines(facts: dict, n_patients: int) -> list[dict]:
    by = {"zone": facts["zone"]}
    none = "" if np.isfinite(facts["month"]) else "not within ten years at the present rate"
    need = facts["need_zone"]
    few = "" if np.isfinite(need) else "no number will do beside so few of the front"
    return [
        line("patients counted at maturity", facts["n_zone"], "patients", by=by, basis="count",
             n_patients=facts["n_zone"]),
        line("patients counted at maturity, front", facts["n_against"], "patients", by=by, basis="count",
             n_patients=facts["n_against"]),
        line("patients needed", need if np.isfinite(need) else np.nan, "patients", by=by, basis="model",
             n_patients=n_patients, flag=few),
        line("patients planted a month", facts["per_month"], "patients", by=by, basis="model",
             n_patients=n_patients),
        line("share that comes back at maturity", 100 * facts["returning"], "%", by=by, basis="model",
             n_patients=n_patients),
        line("register month in which it can be told", facts["month"], "register month", by=by,
             ci=(facts["low"], facts["high"]), level=RANGE, basis="model", n_patients=n_patients, flag=none),
    ]  # fmt: skip


def _method(facts: dict, seed: int) -> str:
    spread = "assumed" if facts["is_assumed"] else "of the patients read at maturity"
    of_front = "between zone and front" if facts["against"] else "to either side of the mean"
    return (
        f"two-sided t test at {100 * ALPHA:g} %, power {100 * facts['power']:g} %, a difference of "
        f"{facts['difference']:g} points {of_front}; SD {facts['sd']:.0f} points, {spread}; {SIMULATED} "
        f"futures drawn at the rate of sessions of the last {RATE_MONTHS} months and the share that came "
        f"back, seed {seed}; level {LEVEL:g}"
    )
