"""What does a patient's donor area still hold, in follicular units?

    supply = area x density as measured + what was taken before that measurement (here and elsewhere)
    used   = sum over sessions of attempts (FUE) or grafts out (strip) + grafts taken elsewhere
    left   = min(safe share x supply, scalp ceiling) - used

An attempt spends a follicular unit whether or not a graft came out; a strip spends what was cut. Where
attempts were not recorded, grafts out stand in and the line says that it understates. Only sessions with the
scalp as donor spend the scalp. A safe share of 30 to 50 % is opinion (surgeon texts; 35 % was measured in
practice, PMC6066700, 10 men); about 6,000 follicular units is the ceiling quoted for the best donors (Umar
2016, Aesthet Surg J 36:1101-10). It is a rule and has no error: where it holds the allowance, or would at the
upper limit of the measured density, what is left has no interval, and a line says what would be left at the
lower limit. The standard error allows for the measured density alone, CV 10 % (assumed, no source).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics import records as door
from analytics.errors import ParameterError
from analytics.records import Records
from analytics.results import LEVEL, OF_ONE, Result, limits, line

SAFE_SHARE_RANGE = (0.30, 0.50)
SAFE_SHARE = 0.40
SCALP_CEILING_FU = 6000.0
DONOR_DENSITY_CV = 0.10
LEFT = "left"
LEFT_AT_LEAST = "left, donor density at its lower limit"


def ledger(
    records: Records, patient_id: str, *, safe_share: float = SAFE_SHARE, level: float = LEVEL
) -> Result:
    """Return the donor ledger of one patient, every line in follicular units (FU).

    Parameters
    ----------
    safe_share
        Share of the supply that may be spent over a lifetime, 0.05 to 0.8; published opinion is 0.3 to 0.5.

    Returns
    -------
    Result
        Terms `measured`, `supply`, `used: session ...`, `used elsewhere`, `used`, `allowance`, `left`, `left,
        donor density at its lower limit`, and `left at 30 %`, `left at 50 %` as the published range; warnings
        in `flag`.

    Raises
    ------
    ParameterError
        When the patient is not in the records, or the share is out of range.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> ledger(clinic, clinic.patients["patient_id"].iloc[0]).table()["unit"].unique().tolist()
    ['FU']
    """
    if not 0.05 <= safe_share <= 0.8:
        raise ParameterError("planning.ledger(safe_share): out of range; expected 0.05 to 0.8")
    patient = door.patient(records, patient_id)
    spent = spent_by_session(records.sessions[records.sessions["patient_id"].eq(patient_id)])
    measured = float(patient["donor_area_cm2"]) * float(patient["donor_fu_cm2"])
    elsewhere = float(patient["grafts_elsewhere"] or 0)
    first = int(patient["donor_measured_before_session"])
    before = float(spent.loc[spent["session_number"] < first, "fu"].sum())
    supply = measured + before + elsewhere
    used = float(spent["fu"].sum()) + elsewhere
    se = DONOR_DENSITY_CV * measured
    unknown = "" if np.isfinite(measured) else "donor area or density not measured"
    told = "as told; taken as before the measurement"
    lines = [
        _estimated("measured", measured, se, level, f"as measured before session {first}"),
        _estimated("supply", supply, se, level, unknown),
        *(_counted(f"used: session {r.session_number}", r.fu, level, r.flag) for r in spent.itertuples()),
        _counted("used elsewhere", elsewhere, level, told),
        _counted("used", used, level, ""),
        *_left_lines(supply, used, se, safe_share, level),
    ]
    method = (
        "area x density as measured, less what was spent (attempts for FUE, grafts out for strip), under a "
        f"safe share of {100 * safe_share:g} % and a ceiling of {SCALP_CEILING_FU:,.0f} FU; SE from the "
        "measured density, CV 10 % (assumed)"
    )
    rows = spent.assign(reason="")
    notes = (
        "FU are follicular units, one a graft; they are not hairs",
        f"a safe share of {100 * SAFE_SHARE_RANGE[0]:g} to {100 * SAFE_SHARE_RANGE[1]:g} % is published "
        "opinion, not a limit for one patient",
    )
    return Result(pd.DataFrame(lines), rows, method, notes=notes, picture="ledger")


@dataclass(frozen=True, slots=True)
class Donor:
    """What a patient's donor has left under the safe share (FU), and what a planted graft spends of it."""

    left: float
    per_graft: float
    unit: str

    @property
    def plants(self) -> float:
        """Return how many grafts can be planted from what is left."""
        return max(self.left, 0.0) / self.per_graft


def donor(records: Records, patient_id: str, *, safe_share: float = SAFE_SHARE) -> Donor:
    """Return what is left of a donor, and what a planted graft spends by this practice's past.

    By the method of the patient's latest session, or the practice's commonest: attempts for FUE, grafts out
    for a strip, over grafts out less those discarded. 1, said as not known, where nothing is recorded.

    Parameters
    ----------
    safe_share
        As in `ledger`.

    Returns
    -------
    Donor
        `left` (follicular units; NaN where the donor was not measured), `per_graft` spent for each planted
        graft, its unit in words.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> donor(clinic, clinic.patients["patient_id"].iloc[0]).per_graft >= 1
    True
    """
    account = ledger(records, patient_id, safe_share=safe_share).table().set_index("term")
    left = float(account.loc[LEFT, "estimate"])
    sessions = records.sessions.sort_values("register_month")
    own = sessions.loc[sessions["patient_id"].eq(patient_id), "method"].dropna()
    common = sessions["method"].dropna()
    method = str(own.iloc[-1] if len(own) else common.mode().iloc[0] if len(common) else "FUE")
    alike = sessions[sessions["method"].eq(method)]
    unit = "grafts out" if method == "FUT" else "attempts"
    spent = alike["grafts_out" if method == "FUT" else "attempts"].astype(float)
    planted = alike["grafts_out"].astype(float) - alike["grafts_discarded"].astype(float).fillna(0.0)
    known = spent.notna() & planted.gt(0)
    if not known.any():
        return Donor(left, 1.0, f"{unit} ({method}; none recorded, taken as one a graft)")
    return Donor(left, float(spent[known].sum() / planted[known].sum()), f"{unit} ({method})")


def spent_by_session(sessions: pd.DataFrame) -> pd.DataFrame:
    """Return FU spent by session, (patient_id, session_number, fu, flag), by the order of sessions."""
    own = sessions.sort_values(["patient_id", "session_number"])
    out = own["grafts_out"].astype(float)
    attempts = own["attempts"].astype(float)
    by_attempt = own["method"].ne("FUT")
    fu = np.where(by_attempt & attempts.notna(), attempts, out)
    flag = np.where(
        by_attempt & attempts.isna(), "attempts not recorded: grafts out used, which understates", ""
    )
    source = own["donor_source"].fillna("scalp")
    elsewhere = source.ne("scalp").to_numpy()
    fu = np.where(elsewhere, 0.0, fu)
    flag = np.where(elsewhere, "donor was not the scalp: spends none of it", flag)
    whose = {"patient_id": own["patient_id"], "session_number": own["session_number"].astype(int)}
    return pd.DataFrame({**whose, "fu": fu, "flag": flag})


def _left_lines(supply: float, used: float, se: float, safe_share: float, level: float) -> list[dict]:
    lines = []
    for term, share in (
        (LEFT, safe_share),
        *((f"left at {100 * share:g} %", share) for share in SAFE_SHARE_RANGE),
    ):
        allowed = _estimated("allowance", share * supply, share * se, level, "")
        least = min(allowed["ci_low"], SCALP_CEILING_FU) - used
        allowed = _held(allowed)
        left = allowed["estimate"] - used
        flag = "more has been spent than this share allows" if left < 0 else allowed["flag"]
        ends = {name: allowed[name] - used for name in ("ci_low", "ci_high")}
        lines += [allowed] if term == LEFT else []
        lines.append({**allowed, "term": term, "estimate": left, **ends, "flag": flag})
        lines += [_estimated(LEFT_AT_LEAST, least, np.nan, level, "")] if term == LEFT else []
    return lines


def _held(allowed: dict) -> dict:
    """Return an allowance held to the ceiling, without an interval where the ceiling cuts it off."""
    if not max(allowed["estimate"], allowed["ci_high"]) > SCALP_CEILING_FU:
        return allowed
    held = min(allowed["estimate"], SCALP_CEILING_FU)
    flag = f"held to the ceiling of {SCALP_CEILING_FU:,.0f} FU"
    return {**allowed, "estimate": held, "ci_low": np.nan, "ci_high": np.nan, "se": np.nan, "flag": flag}


def _estimated(term: str, value: float, se: float, level: float, flag: str) -> dict:
    """Return what rests on the measured density, with limits."""
    ends = limits(value, se, level=level)
    return line(
        term, value, "FU", se=se, ci=ends, level=level, **OF_ONE,
        flag=flag or _known(value),
    )  # fmt: skip


def _counted(term: str, grafts: float, level: float, flag: str) -> dict:
    """Return a number of grafts or attempts as recorded."""
    return line(term, grafts, "FU", basis="count", level=level, n_patients=1, flag=flag or _known(grafts))


def _known(value: float) -> str:
    return "" if np.isfinite(value) else "not known"
