"""A formula on the set analysed: a mixed model with a patient intercept and known counting variances.

    model("yield_pct ~ zone * method + cr(out_of_body_min, df=4)", records)

Formulas are formulaic's (`C()`, `cr()`, `bs()`, `poly()`, interactions). Errors and degrees of freedom are
Kenward and Roger's. Where no patient has two units, least squares with errors by patient (CR2). A row that
lacks a variable of the formula is left out and counted. A factor that crosses the patients (surgeon,
technician) is given by `crossed=` (`bench.crossed`). An outcome that is a share of many (of a session's
grafts) is weighted by what it is a share of (`weights=`): means are then ratios of totals.

Sources: Kenward & Roger 1997, Biometrics 53:983-997; Bell & McCaffrey 2002, Surv Methodol 28:169-181.
"""

import html
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from formulaic import Formula, ModelSpec
from formulaic.errors import FormulaicError
from pandas.api.types import is_numeric_dtype
from scipy.linalg import null_space

from analytics import study
from analytics.bench import crossed as crossing
from analytics.bench import pictures
from analytics.bench.diagnostics import Diagnosis, diagnose
from analytics.bench.units import Units, units
from analytics.dictionary import Column
from analytics.errors import FitError, ParameterError, nearest
from analytics.numerics import diagnostics, mixed, regression
from analytics.records import Records
from analytics.results import LEVEL, limits

YIELD = "yield_pct"
MOST_LEVELS = 20
TELLS = 1e-8  # relative size under which a combination of columns counts as none
TIDY = ["term", "estimate", "std_error", "statistic", "df", "p_value", "conf_low", "conf_high"]


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """A fitted formula.

    `frame` holds the n rows it rests on, `X` (n, p) its columns, `y` (n,) the outcome, `variance` (n,) the
    known sampling variances or None; `mixed_fit` the mixed model, None where no patient has two units;
    `spec` makes all columns of new rows, `kept` (p,) numbers those of X among them. `not_estimated` names
    columns that those before determine (an empty group, a spline that holds the constant). `n_left_out`
    counts rows that lack a variable. `weights` (n,) or None.

    Examples
    --------
    >>> from analytics import simulate
    >>> fitted = model("yield_pct ~ zone + method", simulate.as_records(simulate.register(40)[0]))
    >>> fitted.means("method")["method"].tolist(), sorted(fitted.test("method"))
    (['FUE', 'FUT'], ['df', 'df_residual', 'f', 'p_value'])
    >>> turned = fitted.contrast({"method[T.FUT]": -1.0})["estimate"].item()
    >>> bool(turned == -fitted.tidy()["estimate"].iloc[-1])
    True
    """

    formula: str
    frame: pd.DataFrame
    X: np.ndarray
    y: np.ndarray
    variance: np.ndarray | None
    terms: tuple[str, ...]
    spec: ModelSpec = field(repr=False)
    kept: np.ndarray = field(repr=False)
    null: np.ndarray = field(repr=False)
    mixed_fit: mixed.MixedFit | mixed.CrossedFit | None = field(repr=False)
    not_estimated: tuple[str, ...] = ()
    n_left_out: int = 0
    crossed: str = ""
    weights: np.ndarray | None = None

    @property
    def patient(self) -> np.ndarray:
        """Codes of the patients (n,)."""
        return pd.factorize(self.frame["patient_id"])[0]

    @property
    def method(self) -> str:
        """What was done, in words."""
        if self.crossed:
            return crossing.METHOD
        if self.weights is not None:
            return f"weighted {study.CLUSTERED}"
        return study.MIXED if self.mixed_fit is not None else study.CLUSTERED

    @property
    def checks(self) -> dict[str, bool]:
        """Named checks of the mixed model; none where least squares did."""
        return {} if self.mixed_fit is None else dict(self.mixed_fit.checks)

    @property
    def _errors(self) -> str:
        return "satterthwaite" if self.crossed else "kenward-roger"

    @property
    def notes(self) -> tuple[str, ...]:
        """What is to be known of the crossed factor: who links its groups, and how few they are."""
        if not isinstance(self.mixed_fit, mixed.CrossedFit):
            return ()
        return crossing.said(self.mixed_fit, self.frame, self.crossed)

    def variances(self, *, level: float = LEVEL) -> pd.DataFrame:
        """Return the variances of a model with a crossed factor, with profile limits."""
        return crossing.variances(self._crossed_fit("variances"), self.crossed, level=level)

    def effects(self) -> pd.DataFrame:
        """Return what each group of the crossed factor adds, drawn towards zero, with its standard error."""
        return crossing.effects(self._crossed_fit("effects"), self.crossed)

    def _crossed_fit(self, where: str) -> mixed.CrossedFit:
        if not isinstance(self.mixed_fit, mixed.CrossedFit):
            raise ParameterError(f"{where}: for a model with a crossed factor; give model(..., crossed=)")
        return self.mixed_fit

    def tidy(self, *, level: float = LEVEL) -> pd.DataFrame:
        """Return one row per coefficient: term, estimate, std_error, statistic, df, p_value, limits.

        >>> from analytics import simulate
        >>> fitted = model("yield_pct ~ zone", simulate.as_records(simulate.register(40)[0]))
        >>> list(fitted.tidy().columns) == TIDY
        True
        """
        return self._lines(np.eye(len(self.terms)), list(self.terms), level)

    def contrast(self, what: str | dict[str, float], *, level: float = LEVEL) -> pd.DataFrame:
        """Return combinations of coefficients, one row each, in the columns of `tidy`.

        Parameters
        ----------
        what
            As text, `zone[T.frontal] - zone[T.hairline]`, several parted by commas; or term to weight.

        Raises
        ------
        ParameterError
            When it names a term that the model lacks.
        """
        if isinstance(what, dict):
            unknown = [t for t in what if t not in self.terms]
            if unknown:
                raise ParameterError(
                    f"contrast: no term {', '.join(unknown)}; terms: {', '.join(self.terms)}"
                )
            rows = np.array([[what.get(t, 0.0) for t in self.terms]])
            return self._lines(rows, [" ".join(f"{w:+g} {t}" for t, w in what.items())], level)
        try:
            made = self.spec.get_linear_constraints(_quoted(what, self.spec.column_names))
        except (FormulaicError, ValueError, KeyError) as fault:
            raise ParameterError(
                "contrast: not understood; write terms with + and -, such as a - b; terms: "
                f"{', '.join(self.terms)}"
            ) from fault
        rows = self._estimable(np.atleast_2d(made.constraint_matrix))
        values = np.atleast_1d(made.constraint_values)
        names = (
            [part.strip() for part in what.split(",")]
            if what.count(",") + 1 == len(rows)
            else [what] * len(rows)
        )
        out = self._lines(rows, names, level)
        return out if not values.any() else out.assign(null=values)

    def test(self, *terms: str) -> dict[str, float]:
        """Return the F test that all coefficients of some terms are 0: f, df, df_residual, p_value.

        Parameters
        ----------
        terms
            As the formula has them: `zone`, `zone:method`.

        Raises
        ------
        ParameterError
            When the formula has no such term, or there is no mixed model.
        """
        wanted = {j for t in terms for j in self._columns_of(t)}
        places = [i for i, j in enumerate(self.kept) if j in wanted]
        if self.mixed_fit is None:
            raise ParameterError("test: no patient has two units, and there is no F test; see tidy()")
        found = self.mixed_fit.contrast(np.eye(len(self.terms))[places], method=self._errors)
        df = found.df if isinstance(found.df, tuple) else (len(places), found.df)
        return {
            "f": float(found.statistic),
            "df": float(df[0]),
            "df_residual": float(df[1]),
            "p_value": float(found.p_value),
        }

    def means(self, variable: str, *, level: float = LEVEL) -> pd.DataFrame:
        """Return the adjusted mean of each level of a variable: every row of the set given that level.

        Parameters
        ----------
        variable
            Of the formula; the others keep the values that they have. A number of more than 20 values is
            taken at 20 from the lowest to the highest, and no patients are counted.

        Raises
        ------
        ParameterError
            When the formula lacks the variable, or it is a word of more than 20 levels.
        """
        known = {str(v) for v in self.spec.required_variables}
        if variable not in known:
            raise ParameterError(f"the formula has no {variable}; it has {', '.join(sorted(known))}")
        values = self.frame[variable].dropna()
        levels = list(values.cat.categories) if values.dtype == "category" else sorted(values.unique())
        has_many = len(levels) > MOST_LEVELS
        if has_many and not is_numeric_dtype(values):
            raise ParameterError(
                f"means: {variable} has {len(levels)} levels; give predict() rows of your own"
            )
        levels = list(np.linspace(values.min(), values.max(), MOST_LEVELS)) if has_many else levels
        whole = [self.spec.get_model_matrix(self.frame.assign(**{variable: value})) for value in levels]
        rows = self._estimable(np.array([np.asarray(w, dtype=float).mean(axis=0) for w in whole]))
        out = self._lines(rows, levels, level).rename(columns={"term": variable})
        if has_many:
            return out
        counts = self.frame.groupby(variable, observed=True)["patient_id"].nunique()
        return out.assign(n_patients=[int(counts[value]) for value in levels])

    def predict(self, rows: pd.DataFrame, *, level: float = LEVEL) -> pd.DataFrame:
        """Return the expected outcome of rows of one's own, with limits of the mean.

        Parameters
        ----------
        rows
            Columns of the formula, one row per prediction.
        """
        return self._lines(self._columns(rows), [str(i) for i in rows.index], level).drop(
            columns=["statistic", "p_value"]
        )

    def diagnose(self) -> Diagnosis:
        """Return residuals, distances of patients, influence and what is to be looked at.

        Raises
        ------
        ParameterError
            When the model has a crossed factor or weights.
        """
        if self.crossed or self.weights is not None:
            raise ParameterError(
                "diagnose: made for a patient intercept alone; diagnose the model fitted without crossed "
                "and without weights"
            )
        return diagnose(self)

    def plot(self, variable: str = "", ax=None):
        """Draw coefficients with limits, or the adjusted means of a variable; return the axes.

        Parameters
        ----------
        variable
            Of the formula; empty for the coefficients. A number is drawn as a curve with its band.
        ax
            Matplotlib axes of one's own.
        """
        outcome = pictures.named(self.formula.partition("~")[0].strip())
        of = repr(self).partition(": ")[2].partition(";")[0]
        if not variable:
            told = self.tidy().query("term != 'Intercept'")
            return pictures.dots(told, ax, what=f"coefficient, in {outcome}", of=of, at=0.0)
        shown, what = self.means(variable), f"adjusted mean of {outcome}"
        if is_numeric_dtype(shown[variable]) and len(shown) > 2:
            return pictures.band(shown, ax, what=what, of=of)
        return pictures.dots(shown, ax, what=f"{what} by {variable}", of=of)

    def _columns(self, rows: pd.DataFrame) -> np.ndarray:
        return self._estimable(np.asarray(self.spec.get_model_matrix(rows), dtype=float))

    def _estimable(self, rows: np.ndarray) -> np.ndarray:
        """Return rows over all columns as rows over those of X; NaN where the set cannot tell them."""
        told = np.abs(rows @ self.null).max(axis=1, initial=0.0) <= TELLS * np.abs(rows).max(initial=1.0)
        return np.where(told[:, None], rows[:, self.kept], np.nan)

    def _columns_of(self, term: str) -> list[int]:
        found = {str(t).replace(" ", ""): list(ix) for t, ix in self.spec.term_indices.items()}
        wanted = term.replace(" ", "")
        if wanted not in found:
            raise ParameterError(f"test: the formula has no term {term}; it has {', '.join(found)}")
        return found[wanted]

    def _lines(self, rows: np.ndarray, names: list, level: float) -> pd.DataFrame:
        out = []
        plain = None
        if self.mixed_fit is None:
            plain = regression.values(self.y, self.X, self.patient, weights=self.weights)
        for name, row in zip(names, rows, strict=True):
            estimate, se, df, statistic, p = self._one(row, plain)
            low, high = limits(estimate, se, level=level, df=df)
            out.append((name, estimate, se, statistic, df, p, low, high))
        return pd.DataFrame(out, columns=TIDY)

    def _one(self, row: np.ndarray, plain: regression.Fit | None) -> tuple[float, float, float, float, float]:
        if np.isnan(row).any():
            return np.nan, np.nan, np.nan, np.nan, np.nan
        if plain is None:
            assert self.mixed_fit is not None
            found = self.mixed_fit.contrast(row, method=self._errors)
            told = (found.estimate, found.se, found.df, found.statistic, found.p_value)
            estimate, se, df, statistic, p = (float(np.asarray(v)) for v in told)
            return estimate, se, df, statistic, p
        own = regression.contrast(plain, row)
        statistic = own.estimate / own.se if own.se else np.nan
        return own.estimate, own.se, own.df, statistic, own.p_value

    def __repr__(self) -> str:
        n = self.frame["patient_id"].nunique()
        lost = f", {self.n_left_out} left out" if self.n_left_out else ""
        lost += f"; not estimated: {', '.join(self.not_estimated)}" if self.not_estimated else ""
        return f"Model {self.formula}: {len(self.frame)} planted zones of {n} patients{lost}"

    def _repr_html_(self) -> str:
        table = self.tidy().round(4).to_html(index=False)
        below = ". ".join((self.method, *self.notes))
        return f"<p>{html.escape(repr(self))}</p>{table}<p>{html.escape(below)}</p>"


def _quoted(what: str, terms: Sequence[str]) -> str:
    """Return text of a contrast in which terms such as a:b or cr(x, df=4)[1] are marked as one name."""
    long = sorted((re.escape(t) for t in terms if set(t) & set(":( ")), key=len, reverse=True)
    return re.sub(rf"(?<![\w`])(?:{'|'.join(long)})(?![\w`])", r"`\g<0>`", what) if long else what


def model(
    formula: str, data: Records | Units | pd.DataFrame, *, crossed: str = "", weights: str = "", **asked
) -> Model:
    """Fit a formula to the set analysed.

    Parameters
    ----------
    formula
        Outcome ~ terms, of columns of `units`; an outcome of `yield_pct` brings its known variances.
    data
        Records, units, or a frame with `patient_id`.
    crossed
        A column whose groups cross the patients (surgeon_id) and get a random intercept; one label is one
        group wherever it stands.
    weights
        A column of what the outcome is a share of (grafts_out), above 0; least squares, errors by patient.
    asked
        For records: what `units` takes (choices, month, late_months, plan).

    Returns
    -------
    Model
        With `tidy()`, `contrast()`, `means()`, `test()`, `predict()`, `plot()`, `diagnose()`.

    Raises
    ------
    ParameterError
        When the formula is not understood or names an unknown column.
    FitError
        When fewer rows are left than the model has coefficients, or its columns repeat one another.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> model("yield_pct ~ zone + smoker", clinic).terms[0]
    'Intercept'
    """
    frame = rows_of(data, **asked)
    if crossed and weights:
        raise ParameterError("model: crossed and weights are not fitted together; give one of them")
    if formula.count("~") != 1:
        raise ParameterError("model: write outcome ~ terms, such as yield_pct ~ zone * method")
    left, right = (part.strip() for part in formula.split("~"))
    variables = variables_of(right, frame, "model") | variables_of(left, frame, "model")
    variables |= variables_of(weights, frame, "model") if weights else set()
    kept = frame.dropna(subset=sorted(variables))
    kept = (crossing.checked(kept, crossed) if crossed else kept).reset_index(drop=True)
    if kept.empty:
        raise FitError(f"model: no row has all of {', '.join(sorted(variables))}")
    try:
        matrices = Formula(formula).get_model_matrix(kept, output="pandas")
    except (FormulaicError, ValueError, TypeError, KeyError) as fault:
        raise ParameterError(
            f"model: the formula was not understood ({type(fault).__name__}); look at its terms"
        ) from fault
    whole = matrices.rhs.to_numpy(dtype=float)
    columns = [str(c) for c in matrices.rhs.columns]
    determined = diagnostics.independent(whole)
    X = whole[:, determined]
    if len(X) <= X.shape[1]:
        raise FitError(f"model: {len(X)} rows for {X.shape[1]} coefficients; take terms out of the formula")
    y = np.asarray(matrices.lhs, dtype=float).reshape(len(kept), -1)[:, 0]
    known = (
        kept["yield_variance"].to_numpy(dtype=float) if left == YIELD and "yield_variance" in kept else None
    )
    variance = None if known is None or np.isnan(known).any() else known
    patient = pd.factorize(kept["patient_id"])[0]
    has_repeats = patient.max() + 1 < len(kept) and not weights
    fitted: mixed.MixedFit | mixed.CrossedFit | None
    if crossed:
        fitted = crossing.fit(y, X, kept, variance, crossed)
    else:
        fitted = study.fitted(y, X, patient, variance) if has_repeats else None
    return Model(
        formula,
        kept,
        X,
        y,
        variance,
        tuple(columns[j] for j in determined),
        matrices.rhs.model_spec,
        np.array(determined),
        null_space(whole, rcond=TELLS),
        fitted,
        tuple(c for j, c in enumerate(columns) if j not in determined),
        len(frame) - len(kept),
        crossed,
        kept[weights].to_numpy(dtype=float) if weights else None,
    )


def rows_of(data: Records | Units | pd.DataFrame, **asked) -> pd.DataFrame:
    """Return the rows to analyse of records, units or a frame."""
    if asked and not isinstance(data, Records):
        raise ParameterError(f"model: {', '.join(asked)} are for records; make units with them first")
    made = units(data, **asked) if isinstance(data, Records) else data
    if isinstance(made, Units):
        return _in_order(made.analysed, made.own)
    frame = made
    if "patient_id" not in frame:
        raise ParameterError("model: a frame has a column patient_id, by which rows belong together")
    return frame.reset_index(drop=True)


def _in_order(frame: pd.DataFrame, own: Sequence[Column]) -> pd.DataFrame:
    """Return the rows with the words of each choice of the clinic's own in the order it declared."""
    words = {c.name: [w for w in c.allowed if w in set(frame[c.name])] for c in own if c.name in frame}
    ordered = {name: pd.Categorical(frame[name], categories=known) for name, known in words.items() if known}
    return frame.assign(**ordered).reset_index(drop=True)


def variables_of(terms: str, frame: pd.DataFrame, where: str) -> set[str]:
    """Return the columns that terms name.

    Raises
    ------
    ParameterError
        When there is no such column.
    """
    try:
        named = {str(v) for v in Formula(f"{terms} - 1" if terms else "1").required_variables}
    except FormulaicError as fault:
        raise ParameterError(f"{where}: the formula was not understood; look at its terms") from fault
    unknown = sorted(named - set(frame.columns))
    if unknown:
        near = [like for name in unknown if (like := nearest(name, map(str, frame)))]
        raise ParameterError(
            f"{where}: there is no column {', '.join(unknown)}{f' ({near[0]} is near)' if near else ''}; "
            "units(records).codebook() lists them"
        )
    return named
