"""One patient: where does each planted zone stand among this practice's cases, and what will it be?

Each zone's readings are set against the practice's own centiles of that zone at that month. The forecast is
the emergence model's given all of this case's readings: a density as it would be counted, and the yield as
it would be read from that count against this case's own baseline and planted density. How a placement stands
is decided by the rule of `course.standing`.
"""

from typing import Any

import numpy as np
import pandas as pd

from analytics import regrowth, yields
from analytics.course.standing import FALSE_ALARMS, bands, below, practice_bounds, standings_of
from analytics.errors import FitError, ParameterError
from analytics.records import Records
from analytics.regrowth import PlateauDistribution
from analytics.results import LEVEL, OF_ONE, Curve, Gap, Result, limits, line, unanswered

MONTHS_AHEAD = (9.0, 12.0, 15.0, 18.0, 24.0)
LEVELS = (0.5, 0.8, 0.95)
_STEP = 0.5
READ = ["place", "x", "y", "se", "centile", "centile_low", "centile_high", "density"]
BEYOND = "beyond the months this practice has followed"
TOO_WIDE = "its counting error spans the whole practice"
WHOLE = 99.0  # percent of the practice between a centile's limits: none is told then; a choice of ours


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
    plateaus
        The practice's model (`regrowth.fit_plateaus`); fitted here if not given.
    level
        Of every interval of `table()` and of `path`.

    Returns
    -------
    Curve
        By `place` (zone and session): `reading`, `centile of the reading`, `true yield` at the last reading,
        `chance that it is behind` with its split, `predicted yield` and `predicted density` by month.
        `path` is the forecast. `extra`: `bands`, `readings`, `limits` (50, 80, 95 %), `split` (share of the
        forecast's variance by source), `standing` (one row per place, from
        `course.standing`, with the density before the session as counted, `before`, and as all counts
        together have it, `before_by_all`), `zones` (one row per place: density before, now, and usual by
        now), `not judged`.

    Raises
    ------
    ParameterError
        When the patient is not in the records.
    FitError
        When no planted zone of the patient can be judged; the message says why not.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> found = case(clinic, clinic.patients["patient_id"].iloc[0])
    >>> found.x_name, found.by
    ('month', ('place',))
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
        why = "; ".join(extra["not judged"]["reason"].unique()) or "none was counted after its session"
        raise FitError(f"course.case(patient_id): no planted zone of this patient can be judged: {why}")
    places = _places(rows)
    table = standings_of(plateaus, rows, bounds=practice_bounds(plateaus), level=level)
    parts = [_place(plateaus, rows, places, name, level, table) for name in places["place"]]
    estimates = pd.concat([p["estimates"] for p in parts], ignore_index=True)
    for key in ("bands", "readings", "limits", "split", "standing", "zones"):
        extra[key] = pd.concat([p[key] for p in parts], ignore_index=True)
    path = pd.concat([p["path"] for p in parts], ignore_index=True)
    checks = dict(fit.checks)
    return Curve(estimates, used, method, ("place",), checks, "case", path=path, extra=extra)


def against_usual(found: Curve) -> Result:
    """Return by zone the density now, the usual by this month in this practice, and now in percent of it.

    Of a zone planted more than once the latest session is taken. Usual: this case's density before plus its
    hairs planted times the practice's median yield at that month, with the 5th and 95th centile of readings.

    Parameters
    ----------
    found
        From `case`.

    Returns
    -------
    Result
        By zone: `density now` and `usual by now` (hairs/cm2, the latter with limits) and `now, in percent of
        usual`.

    Examples
    --------
    A case without an answer stays one:

    >>> from analytics.results import Gap
    >>> against_usual(unanswered(Gap("Nothing was counted yet."))).gap.why
    'Nothing was counted yet.'
    """
    if found.gap is not None:
        return found
    zones = found.extra["zones"].sort_values("session_number").drop_duplicates("zone", keep="last")
    lines = []
    for row in zones[zones["now"].notna()].itertuples():
        own: dict[str, Any] = {"by": {"zone": row.zone}, "x": row.month, **OF_ONE}
        ends = (row.usual_low, row.usual_high)
        lines += [
            line("density now", row.now, "hairs/cm2", **own),
            line("usual by now", row.usual, "hairs/cm2", ci=ends, level=0.9, **own),
            line("now, in percent of usual", 100 * row.now / row.usual, "%", **own),
        ]
    if not lines:
        why = "No planted zone of this patient has a count that can be set against the practice's."
        return unanswered(Gap(why))
    return Result(pd.DataFrame(lines), found.used, found.method, ("zone",))


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
    table: pd.DataFrame,
) -> dict[str, pd.DataFrame]:
    fit = plateaus.fit
    row = places[places["place"].eq(name)].iloc[0]
    placement, zone = str(row["placement_id"]), str(row["group"])
    own = rows[rows["placement_id"].eq(placement)]
    judged = table.loc[placement].to_dict()
    readings = _readings(plateaus, own, zone, name, level)
    last = float(judged["month"])
    edge = float(fit.last_month[fit.zone_index(zone)])
    every = (*np.arange(np.floor(last), edge + _STEP, _STEP), *MONTHS_AHEAD)
    months = np.unique([m for m in every if last <= m <= edge] or [edge])
    levels = (*LEVELS, level)
    marked = bool(own["both_marked"].iloc[-1])
    found = regrowth.forecast(plateaus, rows, np.append(0.0, months), marked=marked, levels=levels)
    path = found.path[found.path["placement_id"].eq(placement)].drop_duplicates("month")
    judged["before_by_all"] = float(path["density"].iloc[0])
    path = path.iloc[1:] if months[0] > 0 else path
    planted, native = (
        float(row["planted"]),
        float(np.nanmean(own.loc[own["is_baseline"].astype(bool), "density"])),
    )
    axis = np.arange(0, edge + _STEP, _STEP)
    native = native if np.isfinite(native) else float(own["baseline_density"].iloc[0])
    grey = bands(plateaus, zone, axis[axis > 0], planted=planted, native=max(native, 1.0))
    ahead = _forecast(path, own, name, levels)
    wanted = ahead[ahead["x"].isin(MONTHS_AHEAD)]
    estimates = pd.DataFrame(
        [
            *_reading_lines(readings, name, level),
            *_chance_lines(judged, name, level),
            *_ahead_lines(wanted, name, level),
        ]
    )
    low, high = (ahead[f"{side}_{100 * level:g}"] for side in ("low", "high"))
    forecast = ahead[["place", "x"]].assign(estimate=ahead["yield_pct"], ci_low=low, ci_high=high)
    return {
        "estimates": estimates,
        "path": forecast.assign(term="forecast", unit="%", level=level),
        "bands": grey.assign(place=name),
        "readings": readings,
        "limits": ahead,
        "split": _split(path, name),
        "standing": pd.DataFrame([{"place": name, "before": native, **judged}]),
        "zones": pd.DataFrame([_zone(row, name, grey, readings, planted=planted, native=native)]),
    }


def _zone(
    row: pd.Series, name: str, grey: pd.DataFrame, readings: pd.DataFrame, *, planted: float, native: float
) -> dict[str, Any]:
    """Return density before and at the last reading, and what this practice's cases would show there."""
    last = readings.iloc[-1] if len(readings) else None
    month = float(last["x"]) if last is not None else np.nan
    usual = {
        column: native + planted * float(np.interp(month, grey["x"], grey[centile])) / 100
        for column, centile in (("usual", "p50"), ("usual_low", "p5"), ("usual_high", "p95"))
    }
    return {
        "place": name,
        "zone": str(row["zone"]),
        "session_number": int(row["session_number"]),
        "month": month,
        "before": native,
        "planted": planted,
        "now": float(last["density"]) if last is not None else np.nan,
        **usual,
    }


def _readings(
    plateaus: PlateauDistribution, own: pd.DataFrame, zone: str, name: str, level: float
) -> pd.DataFrame:
    """Return one row per reading: its yield, and its centile among the practice's readings of that month.

    The limits of a centile are those of the reading, each held against true yields.
    """
    follow = own[~own["is_baseline"].astype(bool) & own["yield_pct"].notna()].sort_values("month")
    month, value = follow["month"].to_numpy(dtype=float), follow["yield_pct"].to_numpy(dtype=float)
    se = follow["yield_pct_se"].to_numpy(dtype=float)
    inside = month <= float(plateaus.fit.last_month[plateaus.fit.zone_index(zone)])
    low, high = limits(value, se, level=level)
    sides = (("centile", value, se), ("centile_low", low, 0.0), ("centile_high", high, 0.0))
    centiles = {
        column: np.where(inside, 100 * below(plateaus, zone, month, at, error), np.nan)
        for column, at, error in sides
        if len(follow)
    }
    frame = pd.DataFrame({"place": name, "x": month, "y": value, "se": se, **centiles})
    return frame.assign(density=follow["density"].to_numpy(dtype=float)).reindex(columns=READ)


def _forecast(path: pd.DataFrame, own: pd.DataFrame, name: str, levels: tuple[float, ...]) -> pd.DataFrame:
    """Return forecasts of density and of the yield read from it, with their limits."""
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
        own = _own(name, row.x, level)
        flag = "gain, not yet yield" if row.x < yields.YIELD_FROM_MONTH else ""
        ends = limits(row.y, row.se, level=level)
        lines.append(line("reading", row.y, "%", se=row.se, ci=ends, **own, flag=flag))
        centile, ends = row.centile, (row.centile_low, row.centile_high)
        untold = "" if np.isfinite(centile) else BEYOND
        if ends[1] - ends[0] >= WHOLE:
            centile, ends, untold = np.nan, (np.nan, np.nan), TOO_WIDE
        lines.append(line("centile of the reading", centile, "%", ci=ends, **own, flag=untold))
    return lines


def _chance_lines(judged: dict, name: str, level: float) -> list[dict]:
    own = _own(name, judged["month"], level)
    if not judged["n_readings"] or judged["is_beyond"]:
        why = BEYOND if judged["is_beyond"] else "no reading yet after the session"
        return [line("chance that it is behind", np.nan, "%", **own, flag=why)]
    named = {
        "chance that it is behind": "chance_behind",
        "chance that it is slow only": "slow_only",
        "chance that it is low only": "low_only",
        "chance that it is both": "both",
    }
    flag = f"standing: {judged['state']}"
    ends = (judged["yield_low"], judged["yield_high"])
    return [
        line("true yield", judged["yield_now"], "%", ci=ends, **own, flag=flag),
        *(line(term, 100 * judged[key], "%", **own, flag=flag) for term, key in named.items()),
    ]


def _ahead_lines(wanted: pd.DataFrame, name: str, level: float) -> list[dict]:
    lines, tag = [], f"{100 * level:g}"
    for _, row in wanted.iterrows():
        own = _own(name, row["x"], level)
        ends = (row[f"low_{tag}"], row[f"high_{tag}"])
        lines.append(line("predicted yield", row["yield_pct"], "%", se=row["yield_sd"], ci=ends, **own))
        ends, sd = (row[f"density_low_{tag}"], row[f"density_high_{tag}"]), row["density_sd"]
        lines.append(line("predicted density", row["density"], "hairs/cm2", se=sd, ci=ends, **own))
    return lines


def _own(name: str, month: float, level: float) -> dict[str, Any]:
    return {"by": {"place": name}, "x": month, "level": level, **OF_ONE}


def _not_judged(used: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Return placements of the patient that the curve cannot serve, with the reason."""
    left = used[used["reason"].ne("") & ~used["placement_id"].isin(rows["placement_id"])]
    once = left.drop_duplicates(["zone", "session_number", "reason"])
    return once[["zone", "session_number", "reason"]].reset_index(drop=True)
