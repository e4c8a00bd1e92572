"""One shot: each clinic's estimates with standard errors, pooled by random effects.

A clinic's summary holds estimate, standard error and number of patients for yield at maturity by zone, half
month by zone, the crown's tempo ratio, and the share of placements past 50 and 80 % of planted hairs at 12
and 18 months; an estimate that rests on fewer than `min_patients` patients is withheld. Pooled with a
half-normal prior of the spread between clinics (`numerics.meta.few`): clinics are few, and the likelihood
alone often says that they do not differ at all, so that a new clinic would be as certain as the mean. Half
months and ratios are pooled on the log, shares on the logit scale, and turned back.

The scale of the prior is 0.5 on the log and the logit scale (Friede et al. 2017, Res Synth Methods 8:79, for
log ratios of odds and risks). For yields it is 5 points: 0.5 on the logit scale is 4.5 to 6.4 points at a
yield of 90 to 85 %. 95 of 100 of such priors lie below twice the scale.
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
from analytics.pooling.checks import same
from analytics.pooling.coding import FIRST_SCHEMA, MIN_PATIENTS, digest, digest_or_none
from analytics.pooling.files import check_summary
from analytics.records import Records
from analytics.results import LEVEL, Result, limits, line, only

SHARES_AT = (12.0, 18.0)
SHARE_PERCENTS = (80.0,)
MIN_CLINICS = 2
BETWEEN = "between clinics (SD)"
ONE_CLINIC = "only one clinic gives this, and its own result stands alone"


def summary(
    records: Records, clinic: str, *, min_patients: int = MIN_PATIENTS, curve: str = regrowth.USUAL_CURVE
) -> dict:
    """Return one clinic's summary: estimates, standard errors, numbers of patients; ready for JSON.

    Parameters
    ----------
    records
        The clinic's records as loaded.
    clinic
        Code of the clinic.
    min_patients
        The least number of patients behind an estimate.
    curve
        Shape of the emergence curve.

    Returns
    -------
    dict
        Estimates with standard errors, units and numbers of patients, and a check sum.

    Raises
    ------
    FitError
        When the clinic's records cannot carry an emergence model.

    Examples
    --------
    As `regrowth pool summary` writes it; it fits the growth model to a clinic's records.
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
        shares = shares[shares["x"].notna() & shares["unit"].str.startswith("%") & shares["se"].notna()]
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
    body = {"schema": FIRST_SCHEMA, "kind": "summary", "clinic": clinic, "curve": curve, "estimates": kept}
    return {**body, "sha256": digest(body)}


def read_summary(path: Path) -> dict:
    """Read a summary file and check it.

    Parameters
    ----------
    path
        A JSON file.

    Returns
    -------
    dict
        The summary.

    Raises
    ------
    ParameterError
        When it is no summary, was changed, or holds an impossible number.

    Examples
    --------
    >>> read_summary(Path("data_demo/pooling/summary_C1.json"))["clinic"]
    'C1'
    """
    name = Path(path).name
    try:
        found = json.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ParameterError(
            f"pool summary {name}: cannot be read ({type(error).__name__}); ask the clinic to send it again"
        ) from error
    body = {k: v for k, v in found.items() if k != "sha256"} if isinstance(found, dict) else {}
    if body.get("kind") != "summary" or body.get("schema") != FIRST_SCHEMA:
        raise ParameterError(
            f"pool summary {name}: not a summary of this version; ask the clinic to make it again"
        )
    if found.get("sha256") != digest_or_none(body):
        raise ParameterError(f"pool summary {name}: changed after it was written; use the file as received")
    check_summary(found, where=f"pool summary {name}", action="ask the clinic to make it again")
    return found


def combine(summaries: Sequence[dict], *, level: float = LEVEL) -> Result:
    """Return pooled answers with each clinic's own and shrunken estimate beside them.

    Parameters
    ----------
    summaries
        Of `summary` or `read_summary`, one a clinic.

    Returns
    -------
    Result
        By `measure` (term and zone): terms `pooled`, `new clinic` (prediction), `between clinics (SD)`, and
        one line a clinic (`<code>`) with `<code>, shrunken`, each with limits.

    Raises
    ------
    ParameterError
        When there is nothing to pool, two summaries carry the same clinic code or the same numbers, or one is
        not of the form.

    Examples
    --------
    >>> combine([])  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    analytics.errors.ParameterError: pool combine: no summary holds an estimate; ...

    Shown with `read_folder`.
    """
    for n, one in enumerate(summaries, 1):
        check_summary(one, where=f"pool combine, summary {n}", action="ask the clinic to make it again")
    codes = [s["clinic"] for s in summaries]
    if len(set(codes)) < len(codes):
        raise ParameterError("pool combine: two summaries carry the same clinic code; keep one a clinic")
    alike = same([(s["clinic"], s["estimates"]) for s in summaries if s["estimates"]])
    if alike:
        raise ParameterError(
            f"pool combine: {' and '.join(alike)} hand over the same numbers, which is one clinic's records "
            "under two codes; let both make their summary again from their own"
        )
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
        "random effects over clinics with a half-normal prior of their spread, scale "
        f"{meta.SCALE_OF_POINTS:g} points of yield, {meta.SCALE_OF_LOGS:g} on the log of months and ratios "
        "and on the logit of shares (Röver 2020; Friede et al. 2017); central intervals of the posterior; "
        "new clinic: where its true value would lie; standard errors taken as known"
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
    """Return values and SEs on the scale of pooling, the way back, and the prior's scale and its unit."""
    if unit == "ratio" or term == "half_month":
        return np.log(values), se / values, np.exp, (meta.SCALE_OF_LOGS, "log")
    if term.startswith("share past"):
        share = np.clip(values / 100, 0.001, 0.999)
        on_logit = np.log(share / (1 - share)), se / 100 / (share * (1 - share))
        return *on_logit, lambda v: 100 / (1 + np.exp(-v)), (meta.SCALE_OF_LOGS, "logit")
    return values, se, lambda v: v, (meta.SCALE_OF_POINTS, "points")


def _pool(rows: pd.DataFrame, measure: str, level: float) -> pd.DataFrame:
    term, unit = str(rows["term"].iloc[0]), str(rows["unit"].iloc[0])
    y, se, back, (scale, of_scale) = _there(rows["estimate"].to_numpy(), rows["se"].to_numpy(), term, unit)
    of: dict[str, Any] = {"by": {"measure": measure}, "level": level, "basis": "model"}

    def one(name: str, value: float, ends: tuple[float, float], n_patients: int | None = None) -> dict:
        ci = (float(back(ends[0])), float(back(ends[1])))
        return line(name, float(back(value)), unit, ci=ci, n_patients=n_patients, **of)

    clinics = list(zip(rows["clinic"], rows["n_patients"].astype(int), strict=True))
    ends = zip(*limits(y, se, level=level), strict=True)
    lines = [
        one(clinic, value, (low, high), n)
        for (clinic, n), value, (low, high) in zip(clinics, y, ends, strict=True)
    ]
    if len(rows) < MIN_CLINICS:
        return pd.DataFrame([*lines, line("pooled", np.nan, unit, flag=ONE_CLINIC, **of)])
    fit = meta.few(y, se**2, scale=scale)
    total = int(rows["n_patients"].sum())
    lines += [
        one(f"{clinic}, shrunken", own.mean, own.interval(level))
        for (clinic, _), own in zip(clinics, fit.groups, strict=True)
    ]
    lines += [
        one("pooled", fit.mean.mean, fit.mean.interval(level), total),
        one("new clinic", fit.new.mean, fit.new.interval(level), total),
        line(BETWEEN, fit.tau_median, of_scale, ci=fit.tau_shortest(level), **of),
    ]
    return pd.DataFrame(lines)


def read_folder(folder: Path) -> list[dict]:
    """Return all summaries of a folder, whatever their files are called, in the order of the names.

    Parameters
    ----------
    folder
        Of JSON files; those that are no summaries are passed over.

    Returns
    -------
    list of dict
        Checked, in the order of the names.

    Raises
    ------
    ParameterError
        When the folder holds none.

    Examples
    --------
    >>> found = combine(read_folder(Path("data_demo/pooling")))
    >>> found.by, "pooled" in set(found.table()["term"])
    (('measure',), True)
    >>> overview(found).columns.tolist()[:3]
    ['measure', 'unit', 'clinics']
    >>> shrinkage(found).columns.tolist()
    ['measure', 'clinic', 'own', 'shrunken']
    """
    found = [read_summary(path) for path in sorted(Path(folder).glob("*.json")) if is_kind(path, "summary")]
    if not found:
        raise ParameterError(
            "pool combine: the folder holds no clinic's summary; each clinic makes one: regrowth pool summary"
        )
    return found


def is_kind(path: Path, kind: str) -> bool:
    """Tell whether a file calls itself a summary, an answer or a round."""
    try:
        found = json.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(found, dict) and found.get("kind") == kind


def of_measure(result: Result, measure: str) -> Result:
    """Return one measure's clinics, pooled mean and new clinic, as a forest.

    Parameters
    ----------
    result
        Of `combine`.
    measure
        Term and zone, as it stands in the column `measure`.

    Returns
    -------
    Result
        A line a clinic, then `pooled` and `new clinic`.

    Examples
    --------
    >>> found = combine(read_folder(Path("data_demo/pooling")))
    >>> measure = found.table()["measure"].iloc[0]
    >>> of_measure(found, measure).table()["term"].iloc[-1]
    'new clinic'
    """
    wanted = only(result, measure=measure)
    if wanted.gap is not None:
        return wanted
    shown = ~wanted.estimates["term"].str.endswith((", shrunken", BETWEEN))
    return replace(wanted, estimates=wanted.estimates[shown].drop(columns="measure"), by=())


def shrinkage(result: Result, *, term: str = "yield_at_maturity") -> pd.DataFrame:
    """Return each clinic's own and shrunken result with limits, in words, by measure.

    Parameters
    ----------
    result
        Of `combine`.
    term
        Of the measures wanted.

    Returns
    -------
    pandas.DataFrame
        measure, clinic, own, shrunken; one row per clinic and measure.

    Examples
    --------
    >>> from pathlib import Path
    >>> from analytics import pooling
    >>> found = pooling.combine(pooling.read_folder(Path("data_demo/pooling")))
    >>> pooling.shrinkage(found).columns.tolist()
    ['measure', 'clinic', 'own', 'shrunken']
    """
    if result.gap is not None:
        return pd.DataFrame()
    table = result.table()
    table = table[table["measure"].str.startswith(term)].set_index(["measure", "term"])
    drawn = [key for key in table.index if key[1].endswith(", shrunken")]
    rows = []
    for measure, name in drawn:
        clinic = name.removesuffix(", shrunken")
        own, shrunken = (_said(table.loc[(measure, one)]) for one in (clinic, name))
        rows.append({"measure": measure, "clinic": clinic, "own": own, "shrunken": shrunken})
    return pd.DataFrame(rows)


def overview(result: Result) -> pd.DataFrame:
    """Return one row a measure: pooled with its interval, a new clinic's range, the spread, in words.

    Parameters
    ----------
    result
        Of `combine`.

    Returns
    -------
    pandas.DataFrame
        One row a measure: unit, clinics, pooled, new_clinic, spread, n_patients.

    Examples
    --------
    >>> from pathlib import Path
    >>> from analytics import pooling
    >>> found = pooling.combine(pooling.read_folder(Path("data_demo/pooling")))
    >>> pooling.overview(found).columns.tolist()[:3]
    ['measure', 'unit', 'clinics']
    """
    if result.gap is not None:
        return pd.DataFrame()
    table = result.table().set_index(["measure", "term"])
    rows = []
    for measure in dict.fromkeys(table.index.get_level_values("measure")):
        lines = table.loc[measure]
        if not np.isfinite(lines.loc["pooled", "estimate"]):
            rows.append({"measure": measure, "pooled": str(lines.loc["pooled", "flag"])})
            continue
        new, between = lines.loc["new clinic"], lines.loc[BETWEEN]
        places = _places(new)
        rows.append(
            {
                "measure": measure,
                "unit": lines.loc["pooled", "unit"],
                "clinics": len(lines.filter(like=", shrunken", axis=0)),
                "pooled": _said(lines.loc["pooled"]),
                "new_clinic": f"{new['ci_low']:.{places}f} to {new['ci_high']:.{places}f}",
                "spread": f"{_said(between)} {between['unit']}",
                "n_patients": lines.loc["pooled", "n_patients"],
            }
        )
    return pd.DataFrame(rows)


def _said(row: pd.Series) -> str:
    places = _places(row)
    return f"{row['estimate']:.{places}f} ({row['ci_low']:.{places}f} to {row['ci_high']:.{places}f})"


def _places(row: pd.Series) -> int:
    return 2 if row["unit"] in ("ratio", "log", "logit") else 1
