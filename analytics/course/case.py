"""One patient: where does each planted zone stand among this practice's cases, and what will it be?

Each zone's readings are set against the practice's own centiles of that zone at that month. The forecast is
the emergence model's given all of this case's readings: a density as it would be counted, and the yield as
it would be read from that count against this case's own baseline and planted density. How a placement stands
is decided by the rule of `course.standing`.
"""

import numpy as np
import pandas as pd

from analytics import regrowth
from analytics.course import standing as course_bands
from analytics.course.standing import (
    FALSE_ALARMS,
    LOW_YIELD_PCT,
    practice_bounds,
    standing,
    true_yields,
)
from analytics.errors import ParameterError
from analytics.records import Records
from analytics.regrowth import PlateauDistribution
from analytics.results import LEVEL, Curve

MONTHS_AHEAD = (9.0, 12.0, 15.0, 18.0, 24.0)
LEVELS = (0.5, 0.8, 0.95)
_STEP = 0.5
WORDS = {
    "ahead": "ahead, its readings higher than those of 95 in 100 of this practice's cases read alike",
    "usual": "within the usual range of this practice",
    "behind": "behind, its readings lower than those of 95 in 100 of this practice's cases read alike",
    "low": f"low: its true yield lies under {LOW_YIELD_PCT:g} % of planted hairs",
    "cannot tell": "not to be told yet from the readings there are",
}
SHORT = {
    "low": "low at maturity",
    "behind": "behind",
    "cannot tell": "cannot be told yet",
    "usual": "within the usual range",
    "ahead": "ahead",
}


def case(
    records: Records,
    patient_id: str,
    *,
    plateaus: PlateauDistribution | None = None,
    level: float = LEVEL,
) -> Curve:
    """Return the course of one patient's placements: readings, centiles, standing and forecast.

    Parameters
    ----------
    patient_id
        Code of the patient.
    plateaus
        The practice's model (`regrowth.fit_plateaus`); fitted here if not given.

    Returns
    -------
    Curve
        By `place` (zone and session): `reading`, `centile of the reading`, `chance that it is behind` with
        its split, `predicted yield` and `predicted density` by month. `path` is the forecast. `extra`:
        `bands`, `readings`, `limits` (50, 80, 95 %), `split` (share of the forecast's variance by source),
        `standing` (one row a place, with a sentence), `not judged`.

    Raises
    ------
    ParameterError
        When the patient is not in the records.
    """
    if patient_id not in set(records.patients["patient_id"]):
        raise ParameterError(
            "course.case(patient_id): no patient has this code; look it up with regrowth code"
        )
    plateaus = regrowth.fit_plateaus(records) if plateaus is None else plateaus
    fit = plateaus.fit
    laid = regrowth.rows_for(records, fit)
    rows = laid.frame[laid.frame["patient_id"].eq(patient_id)]
    used = laid.used[laid.used["patient_id"].eq(patient_id)]
    method = (
        f"emergence model ({fit.curve}), conditional on this case's readings, no refit; predicted yield: as "
        "it would be read against this case's baseline; behind: readings taken together lower than those of "
        f"all but {100 * FALSE_ALARMS:g} in 100 cases of this practice read alike; {100 * level:g} % limits"
    )
    extra = {"not judged": _not_judged(used, rows)}
    if rows.empty:
        return Curve(_nothing(level), used, method, ("place",), picture="case", extra=extra)
    places = _places(rows)
    true = true_yields(plateaus, rows, bounds=practice_bounds(plateaus), level=level)
    parts = [_place(plateaus, rows, places, name, level, true) for name in places["place"]]
    estimates = pd.concat([p["estimates"] for p in parts], ignore_index=True)
    for key in ("bands", "readings", "limits", "split", "standing"):
        extra[key] = pd.concat([p[key] for p in parts], ignore_index=True)
    path = pd.concat([p["path"] for p in parts], ignore_index=True)
    checks = dict(fit.checks)
    return Curve(estimates, used, method, ("place",), checks, "case", path=path, extra=extra)


def _places(rows: pd.DataFrame) -> pd.DataFrame:
    once = rows.drop_duplicates("placement_id").sort_values(["session_number", "zone"])
    place = once["zone"].astype(str) + ", session " + once["session_number"].astype(str)
    return once.assign(place=place)


def _place(
    plateaus: PlateauDistribution,
    rows: pd.DataFrame,
    places: pd.DataFrame,
    name: str,
    level: float,
    true: pd.DataFrame,
) -> dict[str, pd.DataFrame]:
    fit = plateaus.fit
    row = places[places["place"].eq(name)].iloc[0]
    placement, zone = str(row["placement_id"]), str(row["group"])
    own = rows[rows["placement_id"].eq(placement)]
    judged = standing(plateaus, rows, placement, true=true)
    readings = _readings(plateaus, own, zone, name)
    last = float(judged["month"])
    edge = float(fit.last_month[fit.zone_index(zone)])
    ahead = np.unique(
        [m for m in (*np.arange(np.floor(last), edge + _STEP, _STEP), *MONTHS_AHEAD) if last <= m <= edge]
    )
    months = ahead if len(ahead) else np.array([edge])
    marked = bool(own["both_marked"].iloc[-1])
    found = regrowth.forecast(plateaus, rows, months, marked=marked, levels=(*LEVELS, level))
    path = found.path[found.path["placement_id"].eq(placement)].drop_duplicates("month")
    planted, native = (
        float(row["planted"]),
        float(np.nanmean(own.loc[own["is_baseline"].astype(bool), "density"])),
    )
    axis = np.arange(0, edge + _STEP, _STEP)
    native = native if np.isfinite(native) else float(own["baseline_density"].iloc[0])
    bands = course_bands.bands(plateaus, zone, axis[axis > 0], planted=planted, native=max(native, 1.0))
    limits = _limits(path, own, name, (*LEVELS, level))
    wanted = limits[limits["x"].isin(MONTHS_AHEAD)]
    estimates = pd.DataFrame(
        [
            *_reading_lines(readings, name, level),
            *_chance_lines(judged, name, level),
            *_ahead_lines(wanted, name, level),
        ]
    )
    forecast = limits[["place", "x", "yield_pct", "low_95", "high_95"]].rename(
        columns={"yield_pct": "estimate", "low_95": "ci_low", "high_95": "ci_high"}
    )
    sentence = pd.DataFrame([{"place": name, **judged, "sentence": _sentence(judged, name, wanted)}])
    return {
        "estimates": estimates,
        "path": forecast.assign(term="forecast", unit="%", level=0.95),
        "bands": bands.assign(place=name),
        "readings": readings,
        "limits": limits,
        "split": _split(path, name),
        "standing": sentence,
    }


def _readings(plateaus: PlateauDistribution, own: pd.DataFrame, zone: str, name: str) -> pd.DataFrame:
    fit = plateaus.fit
    follow = own[~own["is_baseline"].astype(bool) & own["yield_pct"].notna()].sort_values("month")
    month, value = follow["month"].to_numpy(dtype=float), follow["yield_pct"].to_numpy(dtype=float)
    se = follow["yield_pct_se"].to_numpy(dtype=float)
    inside = month <= float(fit.last_month[fit.zone_index(zone)])
    share = 100 * course_bands.below(plateaus, zone, month, value, se) if len(follow) else np.array([])
    low = 100 * course_bands.below(plateaus, zone, month, value - 1.96 * se) if len(follow) else np.array([])
    high = 100 * course_bands.below(plateaus, zone, month, value + 1.96 * se) if len(follow) else np.array([])
    return pd.DataFrame(
        {
            "place": name,
            "x": month,
            "y": value,
            "se": se,
            "centile": np.where(inside, share, np.nan),
            "centile_low": np.where(inside, low, np.nan),
            "centile_high": np.where(inside, high, np.nan),
            "density": follow["density"].to_numpy(dtype=float),
        }
    )


def _limits(path: pd.DataFrame, own: pd.DataFrame, name: str, levels: tuple[float, ...]) -> pd.DataFrame:
    """Return forecasts of density and of the yield read from it, with limits."""
    row = own.iloc[-1]
    baseline = float(row["baseline_density"]) * path["kept"].to_numpy()
    planted = float(row["planted_hairs_cm2"])

    def as_yield(density: np.ndarray) -> np.ndarray:
        return 100 * (density - baseline) / planted

    density, density_sd = path["density"].to_numpy(), np.sqrt(path["density_var"].to_numpy())
    frame = pd.DataFrame(
        {"place": name, "x": path["month"], "yield_pct": as_yield(density), "density": density}
    )
    frame["density_sd"], frame["yield_sd"] = density_sd, 100 * density_sd / planted
    for level in levels:
        tag = f"{100 * level:g}"
        low, high = path[f"low_{tag}"].to_numpy(), path[f"high_{tag}"].to_numpy()
        frame[f"low_{tag}"], frame[f"high_{tag}"] = as_yield(low), as_yield(high)
        frame[f"density_low_{tag}"], frame[f"density_high_{tag}"] = low, high
    return frame.reset_index(drop=True)


def _split(path: pd.DataFrame, name: str) -> pd.DataFrame:
    parts = {
        "practice's curve": "parameter_var",
        "this patient": "between_patient_var",
        "this placement": "within_patient_var",
        "the count itself": "count_var",
    }
    whole = path["density_var"].to_numpy()
    rows = [
        pd.DataFrame(
            {
                "place": name,
                "x": path["month"],
                "source": label,
                "share": 100 * path[column].to_numpy() / whole,
            }
        )
        for label, column in parts.items()
    ]
    return pd.concat(rows, ignore_index=True)


def _reading_lines(readings: pd.DataFrame, name: str, level: float) -> list[dict]:
    lines = []
    for row in readings.itertuples():
        common = {"place": name, "x": row.x, "level": level, "unit": "%", "n_patients": 1}
        flag = "gain, not yet yield" if row.x < 6 else ""
        half = 1.96 * row.se
        lines.append(
            {
                **common,
                "term": "reading",
                "estimate": row.y,
                "se": row.se,
                "ci_low": row.y - half,
                "ci_high": row.y + half,
                "flag": flag,
            }
        )
        outside = "beyond the months this practice has followed" if not np.isfinite(row.centile) else ""
        lines.append(
            {
                **common,
                "term": "centile of the reading",
                "estimate": row.centile,
                "ci_low": row.centile_low,
                "ci_high": row.centile_high,
                "flag": outside,
            }
        )
    return lines


def _chance_lines(judged: dict, name: str, level: float) -> list[dict]:
    common = {"place": name, "x": judged["month"], "level": level, "unit": "%", "n_patients": 1}
    if not judged["n_readings"] or judged["is_beyond"]:
        why = (
            "beyond the months this practice has followed"
            if judged["is_beyond"]
            else "no reading yet after the session"
        )
        return [{**common, "term": "chance that it is behind", "estimate": np.nan, "flag": why}]
    named = {
        "chance that it is behind": "chance_behind",
        "chance that it is slow only": "slow_only",
        "chance that it is low only": "low_only",
        "chance that it is both": "both",
    }
    flag = f"standing: {judged['state']}"
    now = {
        "term": "true yield",
        "estimate": judged["yield_now"],
        "ci_low": judged["yield_low"],
        "ci_high": judged["yield_high"],
    }
    chances = [{"term": t, "estimate": 100 * judged[k]} for t, k in named.items()]
    return [{**common, **one, "flag": flag} for one in (now, *chances)]


def _ahead_lines(wanted: pd.DataFrame, name: str, level: float) -> list[dict]:
    lines, tag = [], f"{100 * level:g}"
    for _, row in wanted.iterrows():
        common = {"place": name, "x": row["x"], "level": level, "n_patients": 1}
        for term, unit, value, limit in (
            ("predicted yield", "%", "yield", ""),
            ("predicted density", "hairs/cm2", "density", "density_"),
        ):
            lines.append(
                {
                    **common,
                    "term": term,
                    "estimate": row["yield_pct" if value == "yield" else "density"],
                    "se": row[f"{value}_sd"],
                    "ci_low": row[f"{limit}low_{tag}"],
                    "ci_high": row[f"{limit}high_{tag}"],
                    "unit": unit,
                }
            )
    return lines


def _sentence(judged: dict, name: str, wanted: pd.DataFrame) -> str:
    place = name[0].upper() + name[1:]
    if not judged["n_readings"]:
        return f"{place}: no count after the session yet, so it cannot be judged."
    if judged["is_beyond"]:
        return (
            f"{place}, read at month {judged['month']:g}: beyond the months this practice has followed, so "
            "it cannot be judged."
        )
    readings = f"{judged['n_readings']} reading{'s' if judged['n_readings'] > 1 else ''}"
    text = f"{place}, read at month {judged['month']:g} ({readings}): {WORDS[judged['state']]}."
    if judged["state"] in ("behind", "cannot tell"):
        text += (
            f" Chance that its true yield at this month is among the lowest tenth "
            f"{100 * judged['chance_behind']:.0f} %; that it comes slowly only "
            f"{100 * judged['slow_only']:.0f} %, will end low only {100 * judged['low_only']:.0f} %, both "
            f"{100 * judged['both']:.0f} %, neither {100 * judged['neither']:.0f} %."
        )
    if len(wanted):
        row = wanted.iloc[-1]
        text += (
            f" Expected at month {row['x']:g}: {row['density']:.0f} hairs/cm2 "
            f"(95 of 100 such counts between {row['density_low_95']:.0f} and {row['density_high_95']:.0f})."
        )
    return text


def _not_judged(used: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Return placements of the patient that the curve cannot serve, with the reason."""
    left = used[used["reason"].ne("") & ~used["placement_id"].isin(rows["placement_id"])]
    once = left.drop_duplicates(["zone", "session_number", "reason"])
    return once[["zone", "session_number", "reason"]].reset_index(drop=True)


def _nothing(level: float) -> pd.DataFrame:
    row = {
        "place": "all",
        "term": "predicted yield",
        "estimate": np.nan,
        "level": level,
        "unit": "%",
        "n_patients": 1,
    }
    return pd.DataFrame(
        [{**row, "flag": "no planted zone of this patient can be judged; see what was left out"}]
    )


def headline(result: Curve) -> str:
    """Return the standing of each place in one sentence, those that need thought first."""
    if "standing" not in result.extra:
        return "No planted zone of this patient has a count that can be judged."
    judged = result.extra["standing"]
    order = ("low", "behind", "cannot tell", "usual", "ahead")
    parts = []
    for state in order:
        places = list(judged.loc[judged["state"].eq(state), "place"])
        if places:
            parts.append(f"{SHORT[state]}: {'; '.join(places)}")
    return ". ".join(part[0].upper() + part[1:] for part in parts) + "."


def in_words(result: Curve) -> pd.DataFrame:
    """Return one sentence a place, then what could not be judged and why: columns `place`, `sentence`."""
    sentences = result.extra.get("standing", pd.DataFrame(columns=["place", "sentence"]))[
        ["place", "sentence"]
    ]
    left = result.extra["not judged"]
    if left.empty:
        return sentences
    place = left["zone"].astype(str) + ", session " + left["session_number"].astype(str)
    more = pd.DataFrame({"place": place, "sentence": "Not judged: " + left["reason"].astype(str) + "."})
    return pd.concat([sentences, more], ignore_index=True)
