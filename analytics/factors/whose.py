"""Whose hairs are these: how much of the gain is planted, native, and therapy's?

At maturity, over planted zones with a yield, in hairs/cm2:

    gained = density - baseline
    native = change of native hair had there been no therapy
    therapy = change of native hair that is expected, less that
    planted = gained - native - therapy

Native loss is the practice's rate (`yields.native`: published, joined with its own unplanted regions);
therapy's lift is the published one, whatever the clinic sees. *Resting on published rates* is the part of the
split that no count of this clinic decides: the published share of the rate times the native part, and the
whole of therapy's, over the sum of all parts without their signs. Beside it stands what therapy did in
unplanted regions, over what is published: away from 1 the split errs.

Means of planted zones with errors by patient (CR2); errors that all share, of the rate and of the readers'
habit, are added.
"""

import numpy as np
import pandas as pd

from analytics import measurement, yields
from analytics.errors import FitError
from analytics.numerics import regression
from analytics.records import Records
from analytics.results import LEAST_FOR_INTERVAL, LEVEL, Result, limits, line

UNIT = "hairs/cm²"
ASSUMED = "resting on published rates"
SEEN = "therapy in unplanted regions over the published"
ALL = "all zones"
NOT_AS_PUBLISHED = "not as published: the parts of native hair and therapy err"
NONE_SEEN = (
    f"cannot be told; needs {yields.MIN_CONTROL_REGIONS} treated patients with a followed unplanted region"
)
AS_PUBLISHED = "lift as published, without an error of its own"
NOT_PARTED = "not parted from native hair under this choice"


def whose_hairs(records: Records, *, level: float = LEVEL, choices: yields.Choices = yields.USUAL) -> Result:
    """Return the gain at maturity in hairs/cm2, split into planted, native and therapy parts, by zone.

    Parameters
    ----------
    choices
        What a yield rests on; under `control` native hair and therapy are not parted.

    Returns
    -------
    Result
        By zone: `gained`, `planted`, `native`, `therapy`, hairs/cm2; `resting on published rates`, percent of
        the parts. For all zones what therapy did in unplanted regions, over the published.

    Raises
    ------
    FitError
        When no planted zone has a yield at maturity yet.

    Examples
    --------
    >>> from analytics import simulate
    >>> found = whose_hairs(simulate.as_records(simulate.register(40)[0])).table()
    >>> found["term"].unique()[:4].tolist()
    ['gained', 'planted', 'native', 'therapy']
    """
    rows = yields.by_visit(records, choices=choices)
    read = yields.one_reading(rows)
    if read.empty:
        raise FitError("factors.whose_hairs: no planted zone has a usable count at its month of maturity yet")
    rate, is_parted = yields.native_rate(records, choices), choices.native_change != "control"
    published = rate.published_share if is_parted else 0.0
    why = AS_PUBLISHED if is_parted else NOT_PARTED
    lines = [
        one
        for zone, own in read.groupby("zone", sort=True)
        for one in _lines(own, zone, published, why, level)
    ]
    lines.append(_seen(records, rate, level))
    said = (
        f"{rate.in_words}; therapy's {AS_PUBLISHED}" if is_parted else "native change as in unplanted regions"
    )
    method = (
        f"gain at maturity less the expected change of native hair; {said}; means of planted zones, errors "
        "by patient (CR2), shared errors added"
    )
    return Result(pd.DataFrame(lines), yields.with_reason(rows, "headline"), method, by=("zone",))


def _lines(own: pd.DataFrame, zone: str, published: float, why: str, level: float) -> list[dict]:
    """Return the lines of one zone; `published` is that share of the rate, `why` flags therapy's part."""
    gained = own["density"] - own["baseline_density"]
    of_native, of_therapy = own["native_untreated"], own["native_change"] - own["native_untreated"]
    habit = measurement.habit_cv(own["reader_id"], own["reader_cv"].iloc[0])
    by_rate = float(own["native_shared_se"].mean())
    parts = {
        "gained": (gained, habit * float(gained.mean())),
        "planted": (gained - own["native_change"], float(np.hypot(habit * gained.mean(), by_rate))),
        "native": (of_native, by_rate),
        "therapy": (of_therapy, 0.0),
    }
    patients = own["patient_id"].to_numpy()
    lines = [_mean(term, values, shared, patients, zone, level) for term, (values, shared) in parts.items()]
    lines[3]["flag"] = lines[3].get("flag") or why
    planted, lost, lifted = (abs(lines[k]["estimate"]) for k in (1, 2, 3))
    whole = planted + lost + lifted
    assumed = 100 * (published * lost + lifted) / whole if whole else np.nan
    n = int(own["patient_id"].nunique())
    lines.append(
        line(
            ASSUMED,
            assumed,
            "% of the parts",
            by={"zone": zone},
            basis="model",
            n_patients=n,
            n_rows=len(own),
        )
    )
    return lines


def _mean(term: str, values: pd.Series, shared: float, patients: np.ndarray, zone: str, level: float) -> dict:
    """Return a mean with its error by patient and what all share."""
    n, mean, se, df = len(np.unique(patients)), float(values.mean()), np.nan, np.nan
    if n >= LEAST_FOR_INTERVAL:
        fit = regression.values(values.to_numpy(dtype=float), np.ones((len(values), 1)), patients)
        own = regression.contrast(fit, [1.0], level=level)
        se = float(np.hypot(own.se, shared))
        df = own.df * (se / own.se) ** 4 if own.se > 0 else np.inf
    return line(
        term, mean, UNIT, by={"zone": zone}, se=se, ci=limits(mean, se, level=level, df=df), level=level,
        basis="model", n_patients=n, n_rows=len(values), df=df,
    )  # fmt: skip


def _seen(records: Records, rate: yields.UntreatedRate, level: float) -> dict:
    """Return the line of therapy's lift in unplanted regions."""
    ratio, se, df, n = yields.therapy_seen(records, rate)
    low, high = limits(ratio, se, level=level, df=df)
    flag = NONE_SEEN if np.isnan(ratio) else NOT_AS_PUBLISHED if low > 1 or high < 1 else ""
    return line(
        SEEN, ratio, "ratio", by={"zone": ALL}, se=se, ci=(low, high), level=level, basis="model",
        n_patients=n, df=df, flag=flag,
    )  # fmt: skip
