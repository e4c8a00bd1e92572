"""What do the clinic's own repeated counts say about counting?

Two forms of a coefficient of variation are given and named. *Log scale*: the standard deviation s of log
densities within a visit, as sqrt(exp(s^2) - 1). *Root mean square*: the root of the mean squared CV of
each repeat (Bland & Altman 1996, BMJ 313:106). Both grow alike; the log form feeds the error model. A
clinic's own figure replaces the published default from MIN_DF degrees of freedom on (common practice, no
source: the SD is then known to a sixth).

Repeats at one visit hold the hair cycle still: months apart, 6 to 15 % of follicles without a shaft at
any moment (cadaver biopsies) change too, and a curve's residual is wider than these repeats.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy

from analytics.errors import FitError
from analytics.measurement.error import CountError
from analytics.measurement.repeats import WHY_NOT, between, by_one_reader, repeats
from analytics.numerics import agreement
from analytics.records import Records, numbered, once
from analytics.results import LEVEL, Result, limits, line

MIN_DF = 20
# Fields at random are taken to vary at least as Poisson counts do: less than that in few repeats is luck.
PHI_LEAST = 1.0
FEW = 10
# Repeats from which a spread has an interval: of fewer its ends lie more than a factor of four apart. A
# choice of ours.
LEAST_FOR_LIMITS = 5
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
        by one reader, `between_reader_cv` from marked regions counted by two readers, `calibre_cv` from
        calibres measured again by one reader and method; each from MIN_DF on.

    Examples
    --------
    A register without repeated counts has the published defaults:

    >>> from dataclasses import replace
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> once_each = clinic.measurements.drop_duplicates(["session_id", "zone", "region_id", "month"])
    >>> error_model(replace(clinic, measurements=once_each)).phi
    1.5
    """
    return once(records, "error model", (), lambda: _error_model(repeats(records)))


def _error_model(rows: pd.DataFrame) -> CountError:
    own = by_one_reader(rows)
    estimated: dict = {}
    within = _within(own[own["marked"]])
    if within is not None and within.df >= MIN_DF:
        estimated |= {"within_cv": _cv(within.sd), "within_source": _own_words(within.df)}
    phi = _phi(own[~own["marked"]])
    if phi is not None and phi.df >= MIN_DF:
        raised = ", raised to 1" if phi.phi < PHI_LEAST else ""
        estimated |= {"phi": max(phi.phi, PHI_LEAST), "phi_source": _own_words(phi.df) + raised}
    pairs = between(rows, "reader_id")
    pairs = pairs[pairs["marked"]]
    if within is not None and within.df >= MIN_DF and len(pairs) >= MIN_DF:
        variance, _ = _between_variance(pairs, within.sd)
        estimated |= {"between_reader_cv": _cv(np.sqrt(variance)), "between_source": _own_words(len(pairs))}
    calibres = _calibres(own)
    if calibres is not None and calibres.df >= MIN_DF:
        estimated |= {"calibre_cv": _cv(calibres.sd), "calibre_source": _own_words(calibres.df)}
    return CountError(**estimated)


def repeatability(records: Records, *, level: float = LEVEL) -> Result:
    """Say how well counts repeat: by device and reader, and between readers.

    Parameters
    ----------
    records
        The clinic's records.

    Returns
    -------
    Result
        `by` device_class and reader_id ("all", one reader, or "R1 and R2" for a pair). Terms:
        within-reader CV (log scale; root mean square), minimum detectable change, over-dispersion,
        between-reader CV, intraclass correlations, bias and limits of agreement (percent, second reader
        over first), concordance. `extra` holds `error_model`, the numbers in use with their source. For lack
        of repeats one row without a number, whose flag says so.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> repeatability(clinic).table()["term"].tolist()[:2]
    ['within-reader CV (log scale)', 'within-reader CV (root mean square)']
    """
    rows = repeats(records)
    own, pairs = by_one_reader(rows), between(rows, "reader_id")
    lines = _one_reader(own, Who(level=level))
    for (device, reader), group in own.groupby(["device_class", "reader_id"], dropna=False, sort=True):
        lines += _one_reader(group, Who(str(device), str(reader), level))
    lines += _all_readers(pairs, own, level)
    marked = pairs[pairs["marked"]]
    for (first, second), group in marked.groupby(["first", "second"], sort=True):
        lines += _two_readers(group, Who(reader=f"{first} and {second}", level=level))
    used = rows.assign(reason=rows["reason"].map(WHY_NOT).fillna(""))
    return Result(
        pd.DataFrame(lines or [_nothing()]),
        used,
        METHOD,
        by=("device_class", "reader_id"),
        checks=_checks(own),
        notes=(
            "Repeats of one visit hold the hair cycle still; readings months apart vary more.",
            *_too_few(own, pairs),
        ),
        extra={"error_model": _as_frame(error_model(records))},
    )


@dataclass(frozen=True, slots=True)
class Who:
    """Whose repeats a line speaks of, and the level of its interval."""

    device: str = "all"
    reader: str = "all"
    level: float = LEVEL


def _line(
    term: str,
    estimate: float,
    unit: str,
    rows: pd.DataFrame,
    who: Who,
    *,
    ci: tuple[float, float] = (np.nan, np.nan),
    se: float = np.nan,
    df: float = np.nan,
) -> dict:
    """Return one line of repeats; few of them are flagged."""
    return line(
        term,
        estimate,
        unit,
        by={"device_class": who.device, "reader_id": who.reader},
        se=se,
        ci=ci,
        level=who.level,
        basis="model",
        n_patients=int(rows["patient_id"].nunique()),
        n_rows=len(rows),
        df=df,
        flag=_flag(len(rows), df),
    )


def _flag(n_rows: int, df: float) -> str:
    if df < LEAST_FOR_LIMITS:
        return f"fewer than {LEAST_FOR_LIMITS} repeats: no interval"
    return f"fewer than {FEW} repeats" if n_rows < FEW else ""


def _one_reader(own: pd.DataFrame, who: Who) -> list[dict]:
    """Tabulate the terms that one reader's repeats give."""
    marked, fields = own[own["marked"]], own[~own["marked"]]
    lines = []
    within = _within(marked, who.level)
    if within is not None:
        n = within.df
        low, high = (100 * _cv(v) for v in _told(within.ci, n))
        cv, rms = 100 * _cv(within.sd), 100 * _rms_cv(marked)
        change = agreement.NORMAL_95 * np.sqrt(2.0)
        lines = [
            _line("within-reader CV (log scale)", cv, "%", marked, who, ci=(low, high), df=n),
            _line("within-reader CV (root mean square)", rms, "%", marked, who, df=n),
            _line(
                "minimum detectable change, same reader",
                change * cv,
                "%",
                marked,
                who,
                ci=(change * low, change * high),
                df=n,
            ),
            *_icc_lines(_side_by_side(marked), "one reader twice", ("(1,1)", "(1,k)"), marked, who),
        ]
    phi = _phi(fields, who.level)
    if phi is not None:
        term = "over-dispersion of unmarked fields"
        lines.append(_line(term, phi.phi, "ratio", fields, who, ci=_told(phi.ci, phi.df), df=phi.df))
    return lines


def _told(ci: tuple[float, float], df: float) -> tuple[float, float]:
    """Return the limits of a spread, none where it rests on too few repeats."""
    return ci if df >= LEAST_FOR_LIMITS else (np.nan, np.nan)


def _all_readers(pairs: pd.DataFrame, own: pd.DataFrame, level: float) -> list[dict]:
    """Tabulate what all pairs of readers give together."""
    marked = pairs[pairs["marked"]]
    within = _within(own[own["marked"]], level)
    if marked.empty or within is None:
        return []
    variance, se = _between_variance(marked, within.sd)
    low, high = (100 * _cv(np.sqrt(max(v, 0.0))) for v in limits(variance, se, level=level))
    total = _cv(np.sqrt(variance + within.sd**2))
    change = 100 * agreement.NORMAL_95 * np.sqrt(2.0) * total
    cv, who = 100 * _cv(np.sqrt(variance)), Who(level=level)
    return [
        _line("between-reader CV (log scale)", cv, "%", marked, who, ci=(low, high)),
        _line("minimum detectable change, other reader", change, "%", marked, who),
    ]


def _two_readers(pairs: pd.DataFrame, who: Who) -> list[dict]:
    """Tabulate bias, limits of agreement, correlations and concordance of two readers."""
    both = pairs[["first_density", "second_density"]].to_numpy(dtype=float)
    lines = _icc_lines(both, "two readers", agreement.FORMS, pairs, who)
    try:
        agreed = agreement.limits(pairs["log_ratio"], subjects=pairs["patient_id"], level=who.level)
    except FitError:
        return lines
    for term, value, (low, high) in (
        ("bias, second reader over first", agreed.bias, agreed.bias_ci),
        ("lower limit of agreement", agreed.low, agreed.low_ci),
        ("upper limit of agreement", agreed.high, agreed.high_ci),
    ):
        lines.append(_line(term, _percent(value), "%", pairs, who, ci=(_percent(low), _percent(high))))
    if len(both) >= 4 and both.std(axis=0).min() > 0:
        lin = agreement.concordance(both[:, 0], both[:, 1], level=who.level)
        lines.append(_line("concordance (Lin)", lin.estimate, "share", pairs, who, ci=lin.ci, se=lin.se))
    return lines


def _icc_lines(
    readings: np.ndarray, what: str, forms: tuple[str, ...], rows: pd.DataFrame, who: Who
) -> list[dict]:
    """Tabulate intraclass correlations; none where there are too few repeats."""
    try:
        icc = agreement.icc(readings, level=who.level)
    except FitError:
        return []
    places = [agreement.FORMS.index(form) for form in forms]
    return [
        _line(
            f"intraclass correlation {form}, {what}",
            float(icc.estimate[i]),
            "share",
            rows,
            who,
            ci=(float(icc.ci_low[i]), float(icc.ci_high[i])),
        )
        for form, i in zip(forms, places, strict=True)
    ]


def _nothing() -> dict:
    """Return the one line of a register without repeats."""
    empty = _line("within-reader CV (log scale)", np.nan, "%", pd.DataFrame({"patient_id": []}), Who())
    return empty | {"flag": "no region was counted twice at one visit; published defaults are in use"}


def _within(rows: pd.DataFrame, level: float = LEVEL) -> agreement.Within | None:
    if rows.empty:
        return None
    return agreement.within(rows["log_density"].to_numpy(), rows["same"].to_numpy(), level=level)


def _calibres(rows: pd.DataFrame) -> agreement.Within | None:
    """Return how a calibre repeats, on the log scale: one reader, device and method."""
    sized = rows[rows["hair_calibre_um"].gt(0) & rows["calibre_method"].notna()]
    (again,) = numbered(["same", "calibre_method"], sized)
    if not pd.Index(again).duplicated().any():
        return None
    return agreement.within(np.log(sized["hair_calibre_um"].to_numpy(dtype=float)), again)


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
    """Return the coefficient of variation of a standard deviation of logs."""
    return float(np.sqrt(np.expm1(log_sd**2)))


def _own_words(n: int) -> str:
    return f"this clinic's own duplicates, n = {n}"


def _rms_cv(rows: pd.DataFrame) -> float:
    each = rows.groupby("same")["density_hairs_cm2"].agg(["mean", "std", "size"])
    squared = (each["std"] / each["mean"]) ** 2
    return float(np.sqrt((squared * (each["size"] - 1)).sum() / (each["size"] - 1).sum()))


def _side_by_side(rows: pd.DataFrame) -> np.ndarray:
    """Lay the first two counts of each repeat beside each other, (n, 2)."""
    order = rows.groupby("same").cumcount()
    table = rows.assign(order=order).pivot(index="same", columns="order", values="density_hairs_cm2")
    return table[[0, 1]].to_numpy(dtype=float)


def _percent(log_ratio: float) -> float:
    return 100 * float(np.expm1(log_ratio))


def _too_few(own: pd.DataFrame, pairs: pd.DataFrame) -> tuple[str, ...]:
    """Return whose counting error is a published one, for lack of repeats: no fault of the records."""
    n_of = {"one reader": int(own[own["marked"]].duplicated("same").sum())}
    n_of["two readers"] = int(pairs["marked"].sum())
    few = [who for who, n in n_of.items() if n < MIN_DF]
    said = f"Fewer than {MIN_DF} repeats by {' and by '.join(few)}: the published counting error is in use."
    return (said,) if few else ()


def _checks(own: pd.DataFrame) -> dict[str, bool]:
    marked = own[own["marked"]]
    if marked.duplicated("same").sum() < MIN_DF:
        return {}
    each = marked.groupby("same")["log_density"].agg(["mean", "std"])
    return {
        "error_in_proportion_to_density": bool(
            scipy.stats.spearmanr(each["mean"], each["std"]).pvalue >= 0.01
        )
    }


def _as_frame(model: CountError) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "term": ["over-dispersion", "within-reader CV", "between-reader CV", "calibre CV"],
            "value": [model.phi, model.within_cv, model.between_reader_cv, model.calibre_cv],
            "source": [model.phi_source, model.within_source, model.between_source, model.calibre_source],
        }
    )
