"""What do the clinic's own repeated counts say about counting?

Two forms of a coefficient of variation are given and named. *Log scale*: the standard deviation s of log
densities within a visit, as sqrt(exp(s^2) - 1). *Root mean square*: the root of the mean squared CV of
each repeat (Bland & Altman 1996, BMJ 313:106). Both grow alike; the log form feeds the error model. A
clinic's own figure replaces the published default from MIN_DF degrees of freedom on (common practice, no
source: the SD is then known to a sixth).

Repeats at one visit hold the hair cycle still: months apart, 6 to 15 % of follicles without a shaft at
any moment (cadaver biopsies) change too, and a curve's residual is wider than these repeats.

Which counts were made twice, and what may be learnt from each pair.

A *repeat* is two or more counts of one region at one visit (patient, zone, region, session, month) under
different count numbers. Of marked regions they teach how a count repeats, of unmarked fields how counts
of fields vary. Repeats under other conditions (photographs, hair length, thinnest hair) than each other
are left out.
"""

import numpy as np
import pandas as pd
from scipy import stats

from analytics.errors import FitError
from analytics.measurement.error import CountError
from analytics.numerics import agreement
from analytics.records import Records
from analytics.results import LEVEL, Result

VISIT = ["patient_id", "zone", "region_id", "session_id", "month"]
WHY_NOT = {
    "no_reader": "the reader is not recorded",
    "conditions": "the repeats were not made under the same conditions, hair length and thinnest hair",
    "marking": "one of the repeats is of a marked region and one is not",
    "zero": "a count of zero has no ratio",
}


def repeats(records: Records) -> pd.DataFrame:
    """Return every count of a visit where a region was counted more than once, with a reason where left out.

    Adds `visit` (a code a region and visit), `hairs` (density x counted area), `counted_area_cm2`,
    `log_density` (NaN for 0), `reason` (a code of WHY_NOT, empty where usable).
    """
    counts = records.measurements
    known = counts["density_hairs_cm2"].notna()
    again = counts.duplicated(VISIT, keep=False) & known
    rows = counts[again].copy()
    rows["visit"] = rows.groupby(VISIT, sort=False).ngroup().to_numpy() if len(rows) else np.array([], int)
    rows["counted_area_cm2"] = rows["roi_area_cm2"] * rows["n_fields"]
    rows["hairs"] = rows["density_hairs_cm2"] * rows["counted_area_cm2"]
    density = rows["density_hairs_cm2"].to_numpy(dtype=float)
    rows["log_density"] = np.log(np.where(density > 0, density, np.nan))
    rows["marked"] = rows["roi_marked"].fillna(False).astype(bool)
    return rows.assign(reason=_reasons(rows)).reset_index(drop=True)


def _reasons(rows: pd.DataFrame) -> np.ndarray:
    if rows.empty:
        return np.array([], dtype=object)
    visit = rows["visit"]
    standard = rows["standard_conditions"].fillna(True).astype(bool)
    mixed = standard.groupby(visit).transform("nunique").gt(1)
    mixed |= rows["hair_length"].groupby(visit).transform("nunique").gt(1)
    mixed |= rows["thinnest_counted_um"].groupby(visit).transform("nunique").gt(1)
    unlike = rows["marked"].groupby(visit).transform("nunique").gt(1)
    unnamed = rows["reader_id"].isna().groupby(visit).transform("any")
    empty = rows["marked"] & rows["density_hairs_cm2"].le(0).groupby(visit).transform("any")
    return np.select(
        [mixed, unlike, unnamed, empty], ["conditions", "marking", "no_reader", "zero"], default=""
    )


def by_one_reader(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the usable repeats that one reader made with one device, under a common code `same`."""
    usable = rows[rows["reason"].eq("")]
    key = ["visit", "reader_id", "device_class"]
    twice = usable.duplicated(key, keep=False)
    found = usable[twice]
    return found.assign(same=found.groupby(key, dropna=False, sort=False).ngroup())


def between(rows: pd.DataFrame, by: str) -> pd.DataFrame:
    """Return pairs of usable repeats that differ in one thing only: two readers, or two devices.

    Parameters
    ----------
    rows
        From `repeats`.
    by
        `reader_id` (on one device) or `device_class` (by one reader).

    Returns
    -------
    pandas.DataFrame
        One row a pair: `visit, patient_id, marked, first, second` (the names, in the order of the
        alphabet), `first_density, second_density, log_ratio` (second over first), `hairs` (of both),
        `other` (the device or the reader they share).
    """
    other = "device_class" if by == "reader_id" else "reader_id"
    usable = rows[rows["reason"].eq("") & rows[by].notna() & rows["log_density"].notna()]
    means = usable.groupby(["visit", by, other], dropna=False, as_index=False).agg(
        patient_id=("patient_id", "first"),
        marked=("marked", "first"),
        density=("density_hairs_cm2", "mean"),
        hairs=("hairs", "sum"),
        n=("hairs", "size"),
    )
    pairs = means.merge(
        means[["visit", by, other, "density", "hairs", "n"]],
        on=["visit", other],
        suffixes=("", "_2"),
        validate="many_to_many",
    )
    pairs = pairs[pairs[by] < pairs[f"{by}_2"]]
    return pd.DataFrame(
        {
            "visit": pairs["visit"],
            "patient_id": pairs["patient_id"],
            "marked": pairs["marked"],
            "first": pairs[by].astype(str),
            "second": pairs[f"{by}_2"].astype(str),
            "first_density": pairs["density"],
            "second_density": pairs["density_2"],
            "log_ratio": np.log(pairs["density_2"].to_numpy() / pairs["density"].to_numpy()),
            "hairs_inverse": 1.0 / pairs["hairs"] + 1.0 / pairs["hairs_2"],
            "counts_inverse": 1.0 / pairs["n"] + 1.0 / pairs["n_2"],
            "other": pairs[other].astype("string").fillna(""),
        }
    ).reset_index(drop=True)


MIN_DF = 20
# Fields at random are taken to vary at least as Poisson counts do: less than that in few repeats is luck.
PHI_LEAST = 1.0
FEW = 10
METHOD = (
    "repeated counts of the same region and visit; within one reader on the log scale and as root mean "
    "square; between readers as mean squared log ratio less counting error; six intraclass correlations "
    "(Shrout & Fleiss 1979); limits of agreement of log ratios, several pairs a patient (Bland & Altman "
    "1999, Zou 2013); concordance (Lin 1989); over-dispersion as Pearson's statistic over its df"
)


def error_model(records: Records) -> CountError:
    """Return the clinic's counting error: its own repeats where there are enough, else published defaults.

    Parameters
    ----------
    records
        The clinic's records.

    Returns
    -------
    CountError
        `phi` from unmarked fields counted again by one reader, `within_cv` from marked regions recounted
        by one reader, `between_reader_cv` from marked regions counted by two readers; each from MIN_DF
        on.
    """
    rows = repeats(records)
    own = by_one_reader(rows)
    found: dict = {}
    within = _within(own[own["marked"]])
    if within is not None and within.df >= MIN_DF:
        found |= {"within_cv": _cv(within.sd), "within_source": _own_words(within.df)}
    phi = _phi(own[~own["marked"]])
    if phi is not None and phi.df >= MIN_DF:
        raised = ", raised to 1" if phi.phi < PHI_LEAST else ""
        found |= {"phi": max(phi.phi, PHI_LEAST), "phi_source": _own_words(phi.df) + raised}
    pairs = between(rows, "reader_id")
    pairs = pairs[pairs["marked"]]
    if within is not None and within.df >= MIN_DF and len(pairs) >= MIN_DF:
        variance, _ = _between_variance(pairs, within.sd)
        found |= {"between_reader_cv": _cv(np.sqrt(variance)), "between_source": _own_words(len(pairs))}
    return CountError(**found)


def repeatability(records: Records, *, level: float = LEVEL) -> Result:
    """Say how well counts repeat: by device and reader, and between readers.

    Parameters
    ----------
    records
        The clinic's records.
    level
        Of the intervals, 0.5 to 0.999.

    Returns
    -------
    Result
        `by` device_class and reader_id ("all", one reader, or "R1 and R2" for a pair). Terms:
        within-reader CV (log scale; root mean square), minimum detectable change, over-dispersion,
        between-reader CV, intraclass correlations, bias and limits of agreement (percent, second reader
        over first), concordance. `extra` holds `error_model`, the numbers in use with their source.

    Raises
    ------
    ParameterError
        Never for lack of repeats: the table then says so.
    """
    rows = repeats(records)
    own, pairs = by_one_reader(rows), between(rows, "reader_id")
    parts = [_one_reader_rows(own, level)]
    for (device, reader), group in own.groupby(["device_class", "reader_id"], dropna=False, sort=True):
        parts.append(_one_reader_rows(group, level, device=device, reader=reader))
    parts.append(_all_readers_rows(pairs, own, level))
    marked = pairs[pairs["marked"]]
    for (first, second), group in marked.groupby(["first", "second"], sort=True):
        parts.append(_pair_rows(group, str(first), str(second), level))
    table = pd.concat([pd.DataFrame(p) for p in parts if p], ignore_index=True) if any(parts) else None
    if table is None:
        table = pd.DataFrame([_nothing()])
    used = rows.assign(reason=rows["reason"].map(WHY_NOT).fillna(""))
    checks = _checks(own, pairs)
    model = error_model(records)
    return Result(
        table,
        used,
        METHOD,
        by=("device_class", "reader_id"),
        checks=checks,
        notes=("Repeats of one visit hold the hair cycle still; readings months apart vary more.",),
        extra={"error_model": _as_frame(model)},
    )


def _within(rows: pd.DataFrame, level: float = LEVEL) -> agreement.Within | None:
    if rows.empty:
        return None
    return agreement.within(rows["log_density"].to_numpy(), rows["same"].to_numpy(), level=level)


def _phi(rows: pd.DataFrame, level: float = LEVEL) -> agreement.Dispersion | None:
    if rows.empty:
        return None
    try:
        return agreement.dispersion(rows["hairs"], rows["counted_area_cm2"], rows["same"], level=level)
    except FitError:
        return None


def _between_variance(pairs: pd.DataFrame, within_sd: float) -> tuple[float, float]:
    """Return the variance of readers on the log scale and its SE, patients as the unit.

    A squared log ratio of two readers is twice that variance, plus counting error for either.
    """
    excess = (pairs["log_ratio"] ** 2 - within_sd**2 * pairs["counts_inverse"]) / 2.0
    sums = excess.groupby(pairs["patient_id"]).agg(["sum", "size"])
    mean = float(excess.mean())
    n = len(sums)
    residual = sums["sum"] - mean * sums["size"]
    se = np.sqrt(n / max(n - 1, 1) * float((residual**2).sum())) / len(excess) if n > 1 else np.nan
    return max(mean, 0.0), float(se)


def _cv(log_sd: float) -> float:
    return float(np.sqrt(np.expm1(log_sd**2)))


def _own_words(n: int) -> str:
    return f"clinic's own duplicates (n={n})"


def _row(
    term,
    estimate,
    unit,
    *,
    ci=(np.nan, np.nan),
    se=np.nan,
    device="all",
    reader="all",
    level,
    rows,
    df=np.nan,
):
    n_patients = int(rows["patient_id"].nunique())
    return {
        "device_class": device,
        "reader_id": reader,
        "term": term,
        "estimate": estimate,
        "se": se,
        "ci_low": ci[0],
        "ci_high": ci[1],
        "level": level,
        "unit": unit,
        "n_patients": n_patients,
        "n_rows": len(rows),
        "df": df,
        "flag": "fewer than 10 repeats" if len(rows) < FEW else "",
    }


def _one_reader_rows(own: pd.DataFrame, level: float, *, device="all", reader="all") -> list[dict]:
    """Tabulate the terms that one reader's repeats give."""
    who = {"device": str(device), "reader": str(reader), "level": level}
    marked, fields = own[own["marked"]], own[~own["marked"]]
    out = []
    within = _within(marked, level)
    if within is not None:
        n = within.df
        ci = tuple(100 * _cv(v) for v in within.ci)
        out.append(
            _row("within-reader CV (log scale)", 100 * _cv(within.sd), "%", ci=ci, rows=marked, df=n, **who)
        )
        rms = 100 * _rms_cv(marked)
        out.append(_row("within-reader CV (root mean square)", rms, "%", rows=marked, df=n, **who))
        change = agreement.NORMAL_95 * np.sqrt(2.0) * 100
        change_ci = tuple(change * v / 100 for v in ci)
        term = "minimum detectable change, same reader"
        out.append(_row(term, change * _cv(within.sd), "%", ci=change_ci, rows=marked, df=n, **who))
        out += _icc_rows(_side_by_side(marked), "one reader twice", ("(1,1)", "(1,k)"), marked, who)
    phi = _phi(fields, level)
    if phi is not None:
        out.append(
            _row(
                "over-dispersion of unmarked fields",
                phi.phi,
                "ratio",
                ci=phi.ci,
                rows=fields,
                df=phi.df,
                **who,
            )
        )
    return out


def _rms_cv(rows: pd.DataFrame) -> float:
    each = rows.groupby("same")["density_hairs_cm2"].agg(["mean", "std", "size"])
    squared = (each["std"] / each["mean"]) ** 2
    return float(np.sqrt((squared * (each["size"] - 1)).sum() / (each["size"] - 1).sum()))


def _side_by_side(rows: pd.DataFrame) -> np.ndarray:
    """Lay the first two counts of each repeat beside each other, (n, 2)."""
    order = rows.groupby("same").cumcount()
    table = rows.assign(order=order).pivot(index="same", columns="order", values="density_hairs_cm2")
    return table[[0, 1]].to_numpy(dtype=float)


def _icc_rows(
    readings: np.ndarray, what: str, forms: tuple[str, ...], rows: pd.DataFrame, who: dict
) -> list[dict]:
    try:
        found = agreement.icc(readings, level=who["level"])
    except FitError:
        return []
    out = []
    for form in forms:
        i = agreement.FORMS.index(form)
        ci = (float(found.ci_low[i]), float(found.ci_high[i]))
        term = f"intraclass correlation {form}, {what}"
        out.append(_row(term, float(found.estimate[i]), "share", ci=ci, rows=rows, **who))
    return out


def _all_readers_rows(pairs: pd.DataFrame, own: pd.DataFrame, level: float) -> list[dict]:
    marked = pairs[pairs["marked"]]
    within = _within(own[own["marked"]], level)
    if marked.empty or within is None:
        return []
    variance, se = _between_variance(marked, within.sd)
    half = stats.norm.ppf(0.5 + level / 2) * se
    ci = (100 * _cv(np.sqrt(max(variance - half, 0.0))), 100 * _cv(np.sqrt(max(variance + half, 0.0))))
    who = {"reader": "all", "level": level, "rows": marked}
    total = _cv(np.sqrt(variance + within.sd**2))
    change = 100 * agreement.NORMAL_95 * np.sqrt(2.0) * total
    return [
        _row("between-reader CV (log scale)", 100 * _cv(np.sqrt(variance)), "%", ci=ci, **who),
        _row("minimum detectable change, other reader", change, "%", **who),
    ]


def _pair_rows(pairs: pd.DataFrame, first: str, second: str, level: float) -> list[dict]:
    """Tabulate bias, limits of agreement, correlations and concordance of two readers."""
    who = {"device": "all", "reader": f"{first} and {second}", "level": level}
    out = []
    both = pairs[["first_density", "second_density"]].to_numpy(dtype=float)
    out += _icc_rows(both, "two readers", ("(1,1)", "(2,1)", "(3,1)", "(1,k)", "(2,k)", "(3,k)"), pairs, who)
    try:
        found = agreement.limits(pairs["log_ratio"], subjects=pairs["patient_id"], level=level)
    except FitError:
        return out
    for term, value, ci in (
        ("bias, second reader over first", found.bias, found.bias_ci),
        ("lower limit of agreement", found.low, found.low_ci),
        ("upper limit of agreement", found.high, found.high_ci),
    ):
        out.append(_row(term, _percent(value), "%", ci=tuple(_percent(v) for v in ci), rows=pairs, **who))
    if len(both) >= 4 and both.std(axis=0).min() > 0:
        lin = agreement.concordance(both[:, 0], both[:, 1], level=level)
        out.append(_row("concordance (Lin)", lin.estimate, "share", ci=lin.ci, se=lin.se, rows=pairs, **who))
    return out


def _percent(log_ratio: float) -> float:
    return 100 * float(np.expm1(log_ratio))


def _nothing() -> dict:
    empty = pd.DataFrame({"patient_id": []})
    row = _row("within-reader CV (log scale)", np.nan, "%", level=LEVEL, rows=empty)
    return row | {"flag": "no region was counted twice at one visit; published defaults are in use"}


def _checks(own: pd.DataFrame, pairs: pd.DataFrame) -> dict[str, bool]:
    marked = own[own["marked"]]
    checks = {"enough_repeats_by_one_reader": int(marked.duplicated("same").sum()) >= MIN_DF}
    checks["enough_repeats_by_two_readers"] = int(pairs["marked"].sum()) >= MIN_DF
    if checks["enough_repeats_by_one_reader"]:
        each = marked.groupby("same")["log_density"].agg(["mean", "std"])
        checks["error_in_proportion_to_density"] = bool(
            stats.spearmanr(each["mean"], each["std"]).pvalue >= 0.01
        )
    return checks


def _as_frame(model: CountError) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "term": ["over-dispersion", "within-reader CV", "between-reader CV"],
            "value": [model.phi, model.within_cv, model.between_reader_cv],
            "source": [model.phi_source, model.within_source, model.between_source],
        }
    )
