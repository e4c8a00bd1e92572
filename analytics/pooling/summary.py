"""One shot: each clinic's estimates with standard errors, pooled by random effects.

A clinic's summary holds estimate, standard error and number of patients for yield at maturity by zone, half
month by zone, the crown's tempo ratio, and the share of placements past 50 and 80 % of planted hairs at 12
and 18 months; an estimate that rests on fewer than `min_patients` patients is withheld. Pooled by REML with
Hartung-Knapp intervals and a prediction interval (t, k - 1 df) for a clinic not in the study. Ratios are
pooled on the log, shares on the logit scale, and turned back.
"""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analytics import regrowth
from analytics.errors import ParameterError
from analytics.numerics import meta
from analytics.pooling.coding import MIN_PATIENTS, SCHEMA, digest, digest_or_none
from analytics.pooling.files import check_summary
from analytics.records import Records
from analytics.results import LEVEL, Result, limits, line, only

SHARES_AT = (12.0, 18.0)
SHARE_PERCENTS = (80.0,)
MIN_CLINICS = 3


def summary(
    records: Records, clinic: str, *, min_patients: int = MIN_PATIENTS, curve: str = "log-logistic"
) -> dict:
    """Return one clinic's summary: estimates, standard errors, numbers of patients; ready for JSON.

    Raises
    ------
    FitError
        When the clinic's records cannot carry an emergence model.
    """
    fit = regrowth.fit_emergence(records, curve=curve)
    table = regrowth.emergence(records, fit=fit, both_shapes=False).table()
    wanted = table[table["term"].isin(("yield_at_maturity", "half_month", "tempo_ratio"))]
    wanted = wanted[wanted["term"].ne("tempo_ratio") | wanted["zone"].eq("crown : front")]
    lines = [
        _line(row.term, row.zone, row.estimate, row.se, row.n_patients, row.unit)
        for row in wanted.itertuples()
    ]
    plateaus = regrowth.fit_plateaus(records, fit=fit)
    for percent in SHARE_PERCENTS:
        shares = regrowth.shares(plateaus, list(SHARES_AT), percent).table()
        shares = shares[shares["x"].notna() & shares["unit"].str.startswith("%")]
        lines += [
            _line(
                f"share past {percent:g} % by month {row.x:g}",
                row.zone,
                row.estimate,
                row.se,
                row.n_patients,
                "%",
            )
            for row in shares.itertuples()
        ]
    patients = dict(zip(fit.zones, (int(n) for n in fit.n_patients), strict=True))
    kept = [
        line
        for line in (_with_patients(line, patients) for line in lines)
        if line["n_patients"] >= min_patients
    ]
    body = {"schema": SCHEMA, "kind": "summary", "clinic": clinic, "curve": curve, "estimates": kept}
    return {**body, "sha256": digest(body)}


def read_summary(path: Path) -> dict:
    """Read a summary file and check it.

    Raises
    ------
    ParameterError
        When it is no summary, was changed, or holds an impossible number.
    """
    name = Path(path).name
    try:
        found = json.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ParameterError(
            f"pool summary {name}: cannot be read ({type(error).__name__}); ask the clinic to send it again"
        ) from error
    body = {k: v for k, v in found.items() if k != "sha256"} if isinstance(found, dict) else {}
    if body.get("kind") != "summary" or body.get("schema") != SCHEMA:
        raise ParameterError(
            f"pool summary {name}: not a summary of this version; ask the clinic to make it again"
        )
    if found.get("sha256") != digest_or_none(body):
        raise ParameterError(f"pool summary {name}: changed after it was written; use the file as received")
    check_summary(found, where=f"pool summary {name}", action="ask the clinic to make it again")
    return found


def combine(summaries: Sequence[dict], *, level: float = LEVEL) -> Result:
    """Return pooled answers with each clinic's own and shrunken estimate beside them.

    Returns
    -------
    Result
        By `measure` (term and zone): terms `pooled`, `new clinic` (prediction), `between clinics (SD)`,
        `share between clinics (I2)`, and one line a clinic (`<code>`) with `<code>, shrunken`.

    Raises
    ------
    ParameterError
        When there is nothing to pool, two summaries carry the same clinic code, or one is not of the form.
    """
    for n, one in enumerate(summaries, 1):
        check_summary(one, where=f"pool combine, summary {n}", action="ask the clinic to make it again")
    codes = [s["clinic"] for s in summaries]
    if len(set(codes)) < len(codes):
        raise ParameterError("pool combine: two summaries carry the same clinic code; keep one a clinic")
    lines = pd.DataFrame([{**line, "clinic": s["clinic"]} for s in summaries for line in s["estimates"]])
    if lines.empty:
        raise ParameterError(
            "pool combine: no summary holds an estimate; each clinic needs enough patients a zone"
        )
    units = lines.groupby(["term", "zone"])["unit"].nunique()
    if (units > 1).any():
        raise ParameterError(
            "pool combine: clinics give one measure in different units; let them make their summaries "
            "with one version"
        )
    tables = [
        _pool(rows, f"{term}, {zone}", level)
        for (term, zone), rows in lines.groupby(["term", "zone"], sort=False)
    ]
    method = (
        "random effects over clinics, REML, Hartung-Knapp t interval, its scale at least 1; new clinic: "
        "prediction interval with t, k - 1 df; ratios pooled on the log, shares on the logit scale; "
        "standard errors taken as known"
    )
    used = lines.assign(reason="")
    notes = ("only estimates, standard errors and numbers of patients left the clinics",)
    return Result(
        pd.concat(tables, ignore_index=True), used, method, by=("measure",), picture="forest", notes=notes
    )


def _line(term: str, zone: str, estimate: float, se: float, n: float, unit: str) -> dict:
    return {
        "term": term,
        "zone": str(zone),
        "estimate": float(estimate),
        "se": float(se),
        "n_patients": n,
        "unit": unit,
    }


def _with_patients(given: dict, patients: dict[str, int]) -> dict:
    """Fill the number of patients; a contrast counts those of its first zone."""
    own = patients.get(given["zone"].partition(" : ")[0], 0)
    n = int(given["n_patients"]) if np.isfinite(given["n_patients"] or np.nan) else own
    bad = not (np.isfinite(given["estimate"]) and np.isfinite(given["se"]) and given["se"] > 0)
    return {**given, "n_patients": 0 if bad else n}


def _there(values: np.ndarray, se: np.ndarray, term: str, unit: str):
    """Return values and SEs on the scale of pooling, and the way back."""
    if unit == "ratio" or term == "half_month":
        return np.log(values), se / values, np.exp
    if term.startswith("share past"):
        share = np.clip(values / 100, 0.001, 0.999)
        return np.log(share / (1 - share)), se / 100 / (share * (1 - share)), lambda v: 100 / (1 + np.exp(-v))
    return values, se, lambda v: v


def _pool(rows: pd.DataFrame, measure: str, level: float) -> pd.DataFrame:
    term, unit = str(rows["term"].iloc[0]), str(rows["unit"].iloc[0])
    y, se, back = _there(rows["estimate"].to_numpy(), rows["se"].to_numpy(), term, unit)
    low, high = limits(y, se, level=level)
    of: dict[str, Any] = {"by": {"measure": measure}, "level": level, "basis": "model"}
    lines = [
        line(
            clinic, float(back(y[i])), unit, ci=(float(back(low[i])), float(back(high[i]))),
            n_patients=int(rows["n_patients"].iloc[i]), **of,
        )
        for i, clinic in enumerate(rows["clinic"])
    ]  # fmt: skip
    if len(rows) < MIN_CLINICS:
        lines.append(line("pooled", np.nan, unit, flag=f"fewer than {MIN_CLINICS} clinics", **of))
        return pd.DataFrame(lines)
    fit = meta.random_effects(y, se**2, hartung_knapp=True, least_scale=1.0, level=level)
    for clinic, value in zip(rows["clinic"], fit.shrunken, strict=True):
        lines.append(line(f"{clinic}, shrunken", float(back(value)), unit, **of))
    mean = float(back(float(fit.beta[0])))
    total = int(rows["n_patients"].sum())
    ci = (float(back(fit.ci_low[0])), float(back(fit.ci_high[0])))
    new = (float(back(fit.prediction[0])), float(back(fit.prediction[1])))
    lines += [
        line("pooled", mean, unit, ci=ci, n_patients=total, df=fit.q_df, **of),
        line("new clinic", mean, unit, ci=new, n_patients=total, **of),
        line("share between clinics (I2)", fit.i2, "%", statistic=fit.q, df=fit.q_df, p_value=fit.q_p, **of),
    ]
    return pd.DataFrame(lines)


def read_folder(folder: str) -> list[dict]:
    """Return all summaries (`summary*.json`) of a folder, in the order of their names.

    Raises
    ------
    ParameterError
        When the folder holds none.
    """
    place = folder_of(folder)
    found = [read_summary(path) for path in sorted(place.glob("summary*.json"))]
    if not found:
        raise ParameterError(
            "pool combine: the folder holds no summary*.json; each clinic makes one: regrowth pool summary"
        )
    return found


def folder_of(folder: str) -> Path:
    """Return a folder given as it is, or as seen from the notebooks."""
    place = Path(folder)
    return place if place.is_dir() else Path(__file__).parents[2] / "notebooks" / folder


def of_measure(result: Result, measure: str) -> Result:
    """Return one measure's clinics, pooled mean and new clinic, as a forest."""
    wanted = only(result, measure=measure)
    shown = ~wanted.estimates["term"].str.endswith((", shrunken", "(I2)"))
    return replace(wanted, estimates=wanted.estimates[shown].drop(columns="measure"), by=())


def shrinkage(result: Result, *, term: str = "yield_at_maturity") -> pd.DataFrame:
    """Return each clinic's own and shrunken estimate by measure: columns measure, clinic, own, shrunken."""
    table = result.table()
    table = table[table["measure"].str.startswith(term)]
    shrunken = table[table["term"].str.endswith(", shrunken")]
    shrunken = shrunken.assign(clinic=shrunken["term"].str.removesuffix(", shrunken"))
    own = table.rename(columns={"term": "clinic", "estimate": "own"})[["measure", "clinic", "own"]]
    both = own.merge(
        shrunken[["measure", "clinic", "estimate"]], on=["measure", "clinic"], validate="one_to_one"
    )
    return both.rename(columns={"estimate": "shrunken"})


def overview(result: Result) -> pd.DataFrame:
    """Return one row a measure: pooled with its interval, a new clinic's range, and I2, in words."""
    table = result.table().set_index(["measure", "term"])
    rows = []
    for measure in dict.fromkeys(table.index.get_level_values("measure")):
        lines = table.loc[measure]
        if not np.isfinite(lines.loc["pooled", "estimate"]):
            rows.append({"measure": measure, "pooled": str(lines.loc["pooled", "flag"])})
            continue
        places = 2 if lines.loc["pooled", "unit"] == "ratio" else 1
        said = {
            name: f"{lines.loc[name, 'ci_low']:.{places}f} to {lines.loc[name, 'ci_high']:.{places}f}"
            for name in ("pooled", "new clinic")
        }
        rows.append(
            {
                "measure": measure,
                "unit": lines.loc["pooled", "unit"],
                "clinics": len(lines.filter(like=", shrunken", axis=0)),
                "pooled": f"{lines.loc['pooled', 'estimate']:.{places}f} ({said['pooled']})",
                "new_clinic": said["new clinic"],
                "i2": f"{lines.loc['share between clinics (I2)', 'estimate']:.0f} %",
                "n_patients": lines.loc["pooled", "n_patients"],
            }
        )
    return pd.DataFrame(rows)
