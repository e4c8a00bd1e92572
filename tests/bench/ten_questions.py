"""Ten questions of one's own, each in at most ten lines of a notebook, beside an independent fit.

    python tests/bench/ten_questions.py [REGISTER]

Each text below is run as a fresh notebook would run it (its seconds include reading the register) and leaves
`answer`, an estimate with its standard error. The independent fits:

* yields: REML with the known counting variances, patient (and surgeon) intercepts, by statsmodels GLS on
  patsy's columns, the variance components found by scipy's Nelder-Mead; nothing of `numerics` takes part.
  Standard errors are the plain ones of GLS; Kenward and Roger's are a little larger, by design;
* times: lifelines' Weibull fit of the same intervals; errors clustered in patients by statsmodels'
  GenericLikelihoodModel on the same likelihood, written with scipy;
* the crown's plateau: a log-logistic curve through the crown's yields by scipy's curve_fit, patients and
  counting errors forgotten, native loss as the rows have it: another, plainer model, hence another tolerance.

Tolerances: estimates 0.01 points (logarithms of time ratios 0.002), errors 5 % of the error; plateau one
standard error. Prints a line a question.
"""

import shutil
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import patsy
import statsmodels.api as sm
from lifelines import WeibullAFTFitter
from scipy import optimize, stats
from statsmodels.base.model import GenericLikelihoodModel

import analytics

DEMO = Path(__file__).parents[2] / "data_demo"
POINTS, LOG_RATIO, OF_ERROR, PLATEAU_ERRORS = 0.01, 0.002, 0.05, 1.0
MOST_LINES = 10
OWN = """
[[variable]]
table = "patients"
name = "body_mass_index"
type = "number"
unit = "kg/m2"
low = 12
high = 70
meaning = "body mass index at the first session (invented)"
"""
BEGIN = """import analytics
records = analytics.records.load(data)
"""
TERM = 'answer = model.tidy().set_index("term").loc["{}", ["estimate", "std_error"]]'
SPLINE = "yield_pct ~ zone + cr(out_of_body_min, df=4)"
TIMES = "50 % ~ method"
# Question: its lines; for yields the formula, what is compared (two rows of the set), the crossed factor.
FUE, FUT = {"zone": "frontal", "method": "FUE"}, {"zone": "frontal", "method": "FUT"}
YIELDS: dict[str, tuple[str, str, dict, dict, str]] = {
    "FUE against FUT": (
        'model = analytics.model("yield_pct ~ zone + method", records)\n' + TERM.format("method[T.FUT]"),
        "yield_pct ~ zone + method", FUE, FUT, "",
    ),
    "smoker": (
        'model = analytics.model("yield_pct ~ zone + age_years + smoker", records)\n' + TERM.format("smoker"),
        "yield_pct ~ zone + age_years + smoker",
        {"zone": "frontal", "age_years": 40.0, "smoker": 0.0},
        {"zone": "frontal", "age_years": 40.0, "smoker": 1.0}, "",
    ),
    "out of the body, spline": (
        f'model = analytics.model("{SPLINE}", records)\n'
        'two = model.frame.head(2).assign(zone="frontal", out_of_body_min=[120.0, 300.0])\n'
        "late = model.predict(two).set_index('term')['estimate'].diff().iloc[1]\n"
        "answer = (late, float('nan'))",
        SPLINE,
        {"zone": "frontal", "out_of_body_min": 120.0}, {"zone": "frontal", "out_of_body_min": 300.0}, "",
    ),
    "a variable of one's own": (
        'model = analytics.model("yield_pct ~ zone + body_mass_index", records)\n'
        + TERM.format("body_mass_index"),
        "yield_pct ~ zone + body_mass_index",
        {"zone": "frontal", "body_mass_index": 25.0}, {"zone": "frontal", "body_mass_index": 26.0}, "",
    ),
    "contrast of two media": (
        'model = analytics.model("yield_pct ~ zone + holding_medium", records)\n'
        'answer = model.contrast("holding_medium[T.saline]").iloc[0][["estimate", "std_error"]]',
        "yield_pct ~ zone + holding_medium",
        {"zone": "frontal", "holding_medium": "buffered"}, {"zone": "frontal", "holding_medium": "saline"},
        "",
    ),
    "yield by planted density, 10 hairs": (
        'model = analytics.model("yield_pct ~ zone + planted_hairs_cm2", records)\n'
        'told = model.contrast({"planted_hairs_cm2": 10.0}).iloc[0]\n'
        'answer = told[["estimate", "std_error"]]',
        "yield_pct ~ zone + planted_hairs_cm2",
        {"zone": "frontal", "planted_hairs_cm2": 50.0}, {"zone": "frontal", "planted_hairs_cm2": 60.0}, "",
    ),
    "surgeon crossed with patient": (
        'model = analytics.model("yield_pct ~ zone + method", records, crossed="surgeon_id")\n'
        + TERM.format("method[T.FUT]"),
        "yield_pct ~ zone + method", FUE, FUT, "surgeon_id",
    ),
    "zone by method": (
        'model = analytics.model("yield_pct ~ zone * method", records)\n'
        'told = model.contrast("method[T.FUT] + zone[T.frontal]:method[T.FUT]").iloc[0]\n'
        'answer = told[["estimate", "std_error"]]',
        "yield_pct ~ zone * method", FUE, FUT, "",
    ),
}  # fmt: skip
OF_TIMES = (
    f'times = analytics.times("{TIMES}", records, family="weibull")\n'
    'answer = times.tidy().set_index("term").loc["method[T.FUT]", ["estimate", "std_error"]]'
)
OF_PLATEAU = (
    "fit = analytics.regrowth.emergence(records).table().set_index(['zone', 'term'])\n"
    "answer = fit.loc[('crown', 'plateau_yield'), ['estimate', 'se']]"
)


def asked(text: str, data: Path) -> tuple[float, float, int, float]:
    """Return estimate, standard error, number of lines and seconds of a question asked as in a notebook."""
    code = BEGIN + text
    begun, names = time.perf_counter(), {"data": str(data)}
    exec(compile(code, "notebook", "exec"), names)
    estimate, error = (float(v) for v in names["answer"])
    return estimate, error, len(code.splitlines()), time.perf_counter() - begun


def gls(frame: pd.DataFrame, formula: str, one: dict, other: dict, crossed: str) -> tuple[float, float]:
    """Return the difference of two rows of the set and its error: REML by statsmodels GLS and scipy."""
    right = formula.split("~")[1]
    needed = [c for c in frame if c in right or c == crossed]
    frame = frame.dropna(subset=needed).reset_index(drop=True)
    X = patsy.dmatrix(right, frame)
    kept = _independent(np.asarray(X))
    design, y = np.asarray(X)[:, kept], frame["yield_pct"].to_numpy()
    known = np.diag(frame["yield_variance"].to_numpy())
    groups = ["patient_id", *([crossed] if crossed else [])]
    alike = [np.equal.outer(codes, codes).astype(float) for codes in (frame[g].to_numpy() for g in groups)]

    def fitted(log: np.ndarray):
        own, *between = np.exp(log)
        parts = zip(between, alike, strict=True)
        V = known + own * np.eye(len(y)) + sum(b * a for b, a in parts)
        return sm.GLS(y, design, sigma=V).fit(), V

    def deviance(log: np.ndarray) -> float:
        fit, V = fitted(log)
        left = y - fit.fittedvalues
        inverse = np.linalg.inv(V)
        return (
            np.linalg.slogdet(V)[1]
            + np.linalg.slogdet(design.T @ inverse @ design)[1]
            + left @ inverse @ left
        )

    start = np.log([150.0, 60.0, 5.0][: len(groups) + 1])
    best = optimize.minimize(
        deviance, start, method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-8, "maxiter": 2000}
    )
    fit, _ = fitted(best.x)
    rows = np.asarray(patsy.build_design_matrices([X.design_info], pd.DataFrame([one, other]))[0])[:, kept]
    apart = rows[1] - rows[0]
    return float(apart @ fit.params), float(np.sqrt(apart @ fit.normalized_cov_params @ apart))


def _independent(X: np.ndarray) -> list[int]:
    kept: list[int] = []
    for j in range(X.shape[1]):
        if np.linalg.matrix_rank(X[:, [*kept, j]]) == len(kept) + 1:
            kept.append(j)
    return kept


def lifelines_times(records) -> tuple[float, float]:
    """Return the log time ratio of FUT by lifelines, its clustered error by statsmodels."""
    frame = analytics.times(TIMES, records, family="weibull").frame
    rows = frame[["left", "right", "method"]].assign(left=frame["left"].clip(lower=1e-9))
    fit = WeibullAFTFitter().fit_interval_censoring(rows, "left", "right", formula="method")
    X = np.asarray(patsy.dmatrix("method", frame))
    columns = patsy.dmatrix("method", frame).design_info.column_names
    left, right = frame["left"].to_numpy(), frame["right"].to_numpy()

    class Intervals(GenericLikelihoodModel):
        def loglikeobs(self, params: np.ndarray) -> np.ndarray:
            scale, shape = np.exp(self.exog @ params[:-1]), np.exp(params[-1])
            upper = stats.weibull_min.cdf(right, shape, scale=scale)
            return np.log(upper - stats.weibull_min.cdf(left, shape, scale=scale))

    model = Intervals(np.zeros(len(X)), X, extra_params_names=["log_shape"])
    start = [*(fit.params_["lambda_"].get(c, 0.0) for c in columns), fit.params_["rho_"]["Intercept"]]
    clustered = model.fit(
        start_params=np.array(start), disp=0, maxiter=2000, method="bfgs", cov_type="cluster",
        cov_kwds={"groups": pd.factorize(frame["patient_id"])[0], "use_correction": False},
    )  # fmt: skip
    at = list(columns).index("method[T.FUT]")
    return float(fit.params_["lambda_"]["method[T.FUT]"]), float(clustered.bse[at])


def plain_plateau(records) -> tuple[float, float]:
    """Return the crown's plateau by a log-logistic curve through its yields."""
    rows = analytics.yields.by_visit(records)
    rows = rows[rows["for_curve"] & rows["zone"].eq("crown") & rows["yield_pct"].notna()]

    def curve(month, plateau, half, shape):
        return plateau / (1 + (month / half) ** -shape)

    ratio = rows["planted_ratio"].to_numpy(dtype=float)
    found, cov = optimize.curve_fit(
        curve, rows["month"].to_numpy(dtype=float), rows["yield_pct"].to_numpy(dtype=float) / ratio,
        p0=[80.0, 7.0, 4.0],
    )  # fmt: skip
    return float(found[0]), float(np.sqrt(cov[0, 0]))


def compared(data: Path) -> list[dict]:
    """Return a row per question: lines, seconds, both estimates and errors, and whether they agree."""
    records = analytics.records.load(data)
    frame = analytics.units(records).analysed
    rows = []

    def add(name: str, text: str, other: Callable[[], tuple[float, float]], near: float) -> None:
        estimate, error, lines, seconds = asked(text, data)
        value, plain = other()
        is_near = abs(estimate - value) <= near * (error if near == PLATEAU_ERRORS else 1.0)
        is_alike = near == PLATEAU_ERRORS or np.isnan(error) or abs(error / plain - 1) <= OF_ERROR
        rows.append(
            {
                "question": name, "lines": lines, "seconds": seconds, "here": estimate, "independent": value,
                "error": error, "independent_error": plain, "tolerance": near,
                "agrees": bool(is_near and is_alike and lines <= MOST_LINES),
            }
        )  # fmt: skip

    for name, (text, formula, one, other, crossed) in YIELDS.items():
        add(name, text, lambda f=formula, a=one, b=other, c=crossed: gls(frame, f, a, b, c), POINTS)
    add("month of 50 % by method", OF_TIMES, lambda: lifelines_times(records), LOG_RATIO)
    add("plateau of the crown", OF_PLATEAU, lambda: plain_plateau(records), PLATEAU_ERRORS)
    return rows


def with_own_variable(source: Path, place: Path) -> Path:
    """Return a copy of a register in which an own variable was declared and invented (seed 1)."""
    shutil.copytree(source, place, ignore=shutil.ignore_patterns("p*ing", "published", "pictures"))
    patients = pd.read_csv(place / "patients.csv", dtype=str)
    drawn = np.random.default_rng(1).normal(26, 3, len(patients)).round(1)
    patients.assign(body_mass_index=drawn).to_csv(place / "patients.csv", index=False)
    (place / "variables.toml").write_text(OWN, encoding="utf-8")
    return place


def main(source: Path) -> int:
    """Print a line a question; 1 where one does not agree."""
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as folder:
        rows = compared(with_own_variable(source, Path(folder) / "register"))
    print(pd.DataFrame(rows).round(4).to_string(index=False))
    return int(not all(row["agrees"] for row in rows))


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]) if len(sys.argv) > 1 else DEMO))
