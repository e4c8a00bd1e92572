"""By what factor is one group later at a milestone than another, and does a share never reach it?

Time-ratio models (`numerics.time_ratios`) of first readings at or above the milestone, at exact months;
errors clustered in patients. A ratio says how many times as long a group takes as the reference. Above 25
% of planted hairs tempo and survival mix (a crown that keeps fewer hairs seems later: a true ratio of
1.00 reads 1.15 at 80 % with a crown plateau of 84, own simulation), so there a share that never reaches
stands in the model, by group. A group's own never-reaching share, and its test against none, come from
its rows alone.
"""

from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from scipy.stats import t as student

from analytics.dictionary import FRONT
from analytics.errors import ParameterError
from analytics.numerics import time_ratios
from analytics.numerics.time_ratios import TimeRatioFit
from analytics.records import Records

REFERENCE = "front"
# Up to here nearly every placement that grows reaches the milestone, so that a time ratio is one of tempo.
PURE_TEMPO_PERCENT = 25.0
FAMILIES = ("weibull", "log-normal", "log-logistic", "gamma")
ALL = "all"
UNIT = "% of placements"
MIXED = "a share that never reaches stands beside it: above 25 % time and survival mix"
NOT_SEEN = "no placement of the group was seen to reach it"
NONE_FOUND = "none: the likelihood is highest without such a share"
# Columns of a placement that may group or adjust, beside zone and those of patients.
PLACE_COLUMNS = ("session_number", "surgeon_id", "team_id", "method")


@dataclass(frozen=True, slots=True)
class RatioFits:
    """Time-ratio models of one table of placements, by family, with the groups they compare.

    `has_never`: a never-reaching share by group stands in the models. `left_out`: groups never seen to reach.
    """

    fits: dict[str, TimeRatioFit]
    groups: tuple[str, ...]
    has_never: bool
    left_out: tuple[str, ...]
    n_patients: dict[str, int]
    n_rows: dict[str, int]

    @property
    def reference(self) -> str:
        """Return the group the others are held against."""
        return self.groups[0]

    @property
    def best(self) -> str:
        """Return the family with the smallest AIC."""
        return min(self.fits, key=lambda family: self.fits[family].aic)

    def counts(self, group: str) -> dict[str, int]:
        """Return patients and placements of a group."""
        return {"n_patients": self.n_patients[group], "n_rows": self.n_rows[group]}


def grouped(table: pd.DataFrame, by: str, reference: str) -> pd.Series:
    """Return the group of each placement; hairline and frontal are one where the front is the reference."""
    group = table[by].astype("string")
    is_front = by == "zone" and reference == REFERENCE
    return group.replace(dict.fromkeys(FRONT, REFERENCE)) if is_front else group


def time_ratio_fits(
    table: pd.DataFrame,
    group: pd.Series,
    *,
    percent: float,
    reference: str,
    families: tuple[str, ...] = FAMILIES,
    covariates: np.ndarray | None = None,
) -> RatioFits:
    """Fit time-ratio models of the groups of a table of placements with intervals at exact months.

    Raises
    ------
    ParameterError
        Where fewer than two groups hold a placement that reached, or the reference is not among them.
    FitError
        As `time_ratios.fit`.
    """
    right = table["right"].to_numpy(dtype=float)
    reached = pd.Series(np.isfinite(right), index=table.index).groupby(group).any()
    usable = [str(g) for g in reached.index[reached]]
    if reference not in usable or len(usable) < 2:
        raise ParameterError(
            f"milestones.compare(reference): {len(usable)} group(s) with a placement that reached; a ratio "
            "needs "
            "the reference and another; choose another reference or a lower percent"
        )
    names = (reference, *(g for g in usable if g != reference))
    own = group.isin(names).to_numpy()
    indicators = np.column_stack([group[own].eq(g).to_numpy(dtype=float) for g in names])
    parts = [np.ones((int(own.sum()), 1)), indicators[:, 1:]]
    if covariates is not None:
        parts.append(covariates[own] - covariates[own].mean(axis=0))
    has_never = percent > PURE_TEMPO_PERCENT
    fit = partial(
        time_ratios.fit,
        table["left"].to_numpy(dtype=float)[own],
        right[own],
        np.hstack(parts),
        patient=table["patient_id"][own],
    )
    fits = _nested_fits(fit, families)
    if has_never:
        fits = {f: fit(family=f, never_design=indicators, starts=[one.parameters]) for f, one in fits.items()}
    patients = table[own].groupby(group[own])["patient_id"]
    return RatioFits(
        fits=fits,
        groups=names,
        has_never=has_never,
        left_out=tuple(str(g) for g in reached.index if str(g) not in names),
        n_patients={str(k): int(v) for k, v in patients.nunique().items()},
        n_rows={str(k): int(v) for k, v in patients.size().items()},
    )


def _nested_fits(fit, families: tuple[str, ...]) -> dict[str, TimeRatioFit]:
    """Fit every family; the generalised gamma starts at the log-normal and the Weibull, which it holds."""
    fits = {family: fit(family=family) for family in families if family != "gamma"}
    if "gamma" not in families:
        return fits
    inside = [(f, shape) for f, shape in (("log-normal", 0.05), ("weibull", 1.0)) if f in fits]
    starts = [np.append(fits[family].parameters, shape) for family, shape in inside]
    return {**fits, "gamma": fit(family="gamma", starts=starts or None)}


def ratio_rows(found: RatioFits, *, level: float) -> list[dict]:
    """Return the time ratio of every group to the reference, by family."""
    rows = [
        _ratio_row(found, family, k, group, level)
        for family in found.fits
        for k, group in enumerate(found.groups[1:])
    ]
    missing = {"term": "time ratio", "estimate": np.nan, "unit": "ratio", "level": level, "flag": NOT_SEEN}
    return rows + [{"group": f"{group} : {found.reference}", **missing} for group in found.left_out]


def _ratio_row(found: RatioFits, family: str, k: int, group: str, level: float) -> dict:
    fit = found.fits[family]
    direction = np.zeros(fit.beta.size)
    direction[1 + k] = 1.0
    # The smaller group says how well the clustered error is known.
    df = max(min(found.n_patients[group], found.n_patients[found.reference]) - 1, 1)
    ratio, low, high = fit.time_ratio(direction, level=level, df=df)
    se = float(np.sqrt(fit.cov_robust[1 + k, 1 + k]))
    statistic = float(np.log(ratio)) / se if se > 0 else np.nan
    failed = "" if fit.checks["converged"] and fit.checks["finite_se"] else "the fit failed a check"
    return {
        "group": f"{group} : {found.reference}",
        "term": f"time ratio ({family})",
        "unit": "ratio",
        "estimate": ratio,
        "se": ratio * se,
        "ci_low": low,
        "ci_high": high,
        "level": level,
        **found.counts(group),
        "statistic": statistic,
        "df": float(df),
        "p_value": 2.0 * float(student.sf(abs(statistic), df)),
        "flag": "; ".join(said for said in (failed, MIXED if found.has_never else "") if said),
    }


def never_rows(table: pd.DataFrame, group: pd.Series, found: RatioFits, *, level: float) -> list[dict]:
    """Return the share of each group that never reaches, and its test against none.

    Each group is fitted alone, under the family that fits all groups best, so that its share rests on its own
    curve.
    """
    joint, rows = found.fits[found.best], []
    for k, name in enumerate(found.groups):
        place = joint.beta[0] + (joint.beta[k] if k else 0.0)
        own_shape = [] if np.isnan(joint.shape) else [joint.shape]
        start = np.array([place, np.log(joint.scale), *own_shape])
        rows.append(
            _never_row(table[group.eq(name).to_numpy()], name, found.best, start, level) | found.counts(name)
        )
    return rows


def _never_row(own: pd.DataFrame, name: str, family: str, start: np.ndarray, level: float) -> dict:
    one = np.ones((len(own), 1))
    fit = partial(
        time_ratios.fit,
        own["left"].to_numpy(dtype=float),
        own["right"].to_numpy(dtype=float),
        one,
        family=family,
        patient=own["patient_id"],
    )
    without = fit(starts=[start])
    with_share = fit(never_design=one, starts=[without.parameters])
    test = time_ratios.never_test(without, with_share)
    is_none = not with_share.checks["not_on_boundary"]
    limits = (0.0, np.nan, np.nan) if is_none else (100.0 * v for v in with_share.never_share(level=level))
    return {
        "group": name,
        "term": f"never reaches ({family})",
        "unit": UNIT,
        **dict(zip(("estimate", "ci_low", "ci_high"), limits, strict=True)),
        "level": level,
        "statistic": test.scaled,
        "p_value": test.p_value,
        "flag": NONE_FOUND if is_none else "",
    }


def aic_rows(found: RatioFits) -> list[dict]:
    """Return Akaike's criterion of every family; the smallest fits best for its number of parameters."""
    return [
        {
            "group": ALL,
            "term": f"AIC ({family})",
            "unit": "AIC",
            "estimate": fit.aic,
            "n_patients": fit.n_patients,
            "n_rows": sum(found.n_rows.values()),
            "flag": "smallest" if family == found.best else "",
        }
        for family, fit in found.fits.items()
    ]


def fitted_paths(found: RatioFits, months: np.ndarray) -> pd.DataFrame:
    """Return the fitted share reached by month of every group and family (covariates at their means)."""
    parts = []
    for k, group in enumerate(found.groups):
        for family, fit in found.fits.items():
            row = np.zeros(fit.beta.size)
            row[[0, k]] = 1.0
            never = np.eye(len(found.groups))[k] if found.has_never else None
            share = 100.0 * (1.0 - fit.survival(months, row, never)[0])
            parts.append(pd.DataFrame({"group": group, "x": months, "term": family, "estimate": share}))
    return pd.concat(parts, ignore_index=True).assign(unit=UNIT, flag="")


def covariate_design(
    table: pd.DataFrame, records: Records, covariates: tuple[str, ...]
) -> tuple[pd.DataFrame, pd.Series]:
    """Return a column a covariate (words as indicators), and why a row lacks one (empty where it does not).

    Raises
    ------
    ParameterError
        For a covariate that neither the placement's session nor the patient has.
    """
    people = records.patients.set_index("patient_id")
    parts, reason = [pd.DataFrame(index=table.index)], pd.Series("", index=table.index)
    for name in covariates:
        if name not in PLACE_COLUMNS and name not in people.columns:
            raise ParameterError(
                "milestones.compare(covariates): 1 unknown column; use one of the table patients or "
                f"{', '.join(PLACE_COLUMNS)}; correct it"
            )
        column = table[name] if name in PLACE_COLUMNS else table["patient_id"].map(people[name])
        reason = reason.mask(column.isna() & reason.eq(""), f"no value of {name}")
        is_number = pd.api.types.is_numeric_dtype(column) or pd.api.types.is_bool_dtype(column)
        if is_number:
            parts.append(
                pd.DataFrame(
                    {name: column.astype("Float64").to_numpy(dtype=float, na_value=np.nan)}, index=table.index
                )
            )
        else:
            parts.append(pd.get_dummies(column.astype("string"), prefix=name, drop_first=True, dtype=float))
    return pd.concat(parts, axis=1), reason
