"""When is a milestone reached, by group: the model's answer, and what the readings show beside it.

The room's face says what is asked. Here the parts are put together: the emergence model's shares and median
(`milestones.model`), Turnbull's estimate of first readings (`milestones.first_readings`), what readings of
hair that follows the model would show, and time ratios to the front (`milestones.time_ratios`).
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from analytics import regrowth, yields
from analytics.errors import FitError, ParameterError
from analytics.milestones import model as model_of
from analytics.milestones.first_readings import (
    at_risk,
    fit_groups,
    median_rows,
    refuse_empty,
    resampled,
    share_rows,
    simultaneous,
    steps,
    undetermined,
)
from analytics.milestones.intervals import PLANNED_MONTHS, Question, check, placements_of
from analytics.milestones.time_ratios import (
    MIXED,
    PURE_TEMPO_PERCENT,
    fit_ratios,
    grouped,
    never_rows,
    ratio_rows,
)
from analytics.records import Records
from analytics.regrowth import Emergence, PlateauDistribution
from analytics.results import LEVEL, Curve

MONTHS = (6.0, 12.0, 18.0)
FAMILIES = ("planted", "plateau")
# Columns of a placement that may group, beside the zone.
PLACE_COLUMNS = ("session_number", "surgeon_id", "team_id", "method")
SHARE, MEDIAN = model_of.SHARE, model_of.MEDIAN
FIRST = "first reading"
EXPECTED = "first readings expected"
MODEL = "model"
# Under so many refitted rows other processes cost more than they save.
PARALLEL_FROM = 1_000_000
CONVENTION = "reached in (last visit below, first visit at or above]; never: (last visit, infinity)"


def time_to(
    records: Records,
    *,
    percent: float = 50.0,
    by: str = "zone",
    family: str = "planted",
    months: tuple[float, ...] = MONTHS,
    plateaus: PlateauDistribution | None = None,
    choices: yields.Choices = yields.USUAL,
    planned_months: tuple[float, ...] | None = PLANNED_MONTHS,
    end_at_therapy: bool = False,
    n_resamples: int = 1000,
    seed: int = 1,
    n_jobs: int = 1,
    level: float = LEVEL,
) -> Curve:
    """Return when a milestone is reached, by group: shares and median, the model's and of first readings.

    Parameters
    ----------
    percent
        The milestone: percent of planted hairs (above 0 to 150), or of the own plateau (above 0, under 100).
    by
        zone, surgeon_id, team_id, method, session_number, or a column of `patients` in words or yes and no
        (smoker). The model speaks of zones alone; for another column first readings stand alone. One group
        of the answer: `results.only(found, zone="crown")`.
    family
        `planted` or `plateau`.
    months
        Months at which shares are wanted.
    plateaus
        The emergence fit of the same records and choices and how plateaus are spread
        (`regrowth.fit_plateaus`); made here if not given.
    planned_months, end_at_therapy
        As in `intervals`.
    n_resamples, seed, n_jobs
        Of the resampling of patients.

    Returns
    -------
    Curve
        By group, terms `share reached` (x is the month), `median month` (the model's); `first reading`,
        `median month of first reading` (Turnbull's); `first readings expected` (of hair that follows the
        model); `time ratio ...` to the front and, above 25 %, `never reaches ...`. `path`: the model's share
        and the observed first readings, in percent of placements. `extra`: `at_risk` (x, n,
        n_intervals), `simultaneous` (a band that holds the whole curve), `undetermined` (where the data leave
        the curve free).

    Raises
    ------
    ParameterError
        When an option is unknown or out of range, or no placement has a baseline and a later reading.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> found = time_to(clinic, percent=50, n_resamples=20)
    >>> found.table().query("term == 'median month'")["unit"].unique().tolist()
    ['months']
    """
    question = Question(percent, "first", level, planned_months, end_at_therapy)
    check(question)
    _check(by, family, months, records)
    model, notes = _model(records, plateaus, by, choices)
    wanted = np.asarray(months, dtype=float)
    if family == "plateau":
        return _of_plateau(records, model, notes, percent, wanted, level)
    rows = yields.by_visit(records, choices=choices)
    placements = _with_patients(placements_of(rows, records, question), records, by)
    used = placements[placements["reason"].eq("")].reset_index(drop=True)
    refuse_empty(used, "milestones.time_to(records)")
    seen = _first_readings(used, (by,), question, wanted, n=n_resamples, seed=seed, n_jobs=n_jobs)
    parts, paths, checks = [seen["table"]], [seen["path"]], seen["checks"]
    if model is not None:
        expected = model_of.expected_first_readings(model, rows, question, wanted, seed=seed)
        share = model_of.planted_rows(model, percent, model_of.with_course(model.fit, wanted), level=level)
        parts = [model_of.at(share, wanted), *parts, _expected(expected, model.fit)]
        paths = [model_of.course(model.fit, share).assign(term=MODEL), *paths]
        checks = checks | dict(model.fit.checks) | {"plateaus_converged": model.converged}
        notes = (*notes, *_gap_notes(pd.concat(parts, ignore_index=True), wanted))
    exact = placements_of(rows, records, replace(question, planned_months=None))
    ratios, more = _ratios(exact, by, percent, level)
    return Curve(
        _in_order(pd.concat([*parts, ratios], ignore_index=True), by),
        placements,
        _method(question, choices, n_resamples, seed, model is not None),
        (by,),
        checks,
        "milestones",
        (*notes, *more),
        seen["extra"],
        path=pd.concat(paths, ignore_index=True),
    )


def _check(by: str, family: str, months, records: Records) -> None:
    allowed = ("zone", *PLACE_COLUMNS, *_words_of(records.patients))
    if by not in allowed:
        raise ParameterError(
            f"milestones.time_to(by): 1 unknown column; use one of {', '.join(allowed)}; correct it"
        )
    if family not in FAMILIES:
        raise ParameterError(
            f"milestones.time_to(family): unknown; use one of {', '.join(FAMILIES)}; correct it"
        )
    if not len(months) or not min(months) > 0:
        raise ParameterError(
            "milestones.time_to(months): none, or not above 0; give months after the session; e.g. 12"
        )


def _words_of(patients: pd.DataFrame) -> list[str]:
    """Return the columns of patients that group: words, and yes and no."""
    return [c for c, of in patients.dtypes.items() if c != "patient_id" and of in ("string", "boolean")]


def _with_patients(placements: pd.DataFrame, records: Records, by: str) -> pd.DataFrame:
    """Add a column of patients where it is asked for; who has no entry is a group of its own."""
    if by in placements.columns:
        return placements
    patients = records.patients.set_index("patient_id")[by]
    said = patients.map({True: "yes", False: "no"}) if patients.dtype == "boolean" else patients
    return placements.assign(
        **{by: placements["patient_id"].map(said.astype("string").fillna("not recorded"))}
    )


def _model(
    records: Records, plateaus: PlateauDistribution | None, by: str, choices: yields.Choices
) -> tuple[PlateauDistribution | None, tuple[str, ...]]:
    """Return the model where the question can use one, and what must be said where it cannot."""
    if by != "zone":
        return None, (
            "The emergence model speaks of zones: by another column only first readings are shown.",
        )
    if plateaus is not None:
        if not choices.agrees_with(plateaus.fit.choices):
            raise ParameterError(
                "milestones.time_to(plateaus): made under other choices of a yield than asked for; model and "
                "readings must agree; fit again, or ask as the fit was made"
            )
        return plateaus, ()
    try:
        fit = regrowth.fit_emergence(records, choices=choices)
        return regrowth.fit_plateaus(records, fit=fit), ()
    except FitError as error:
        return None, (f"No model-based share: {error}",)


def _of_plateau(records, model: PlateauDistribution | None, notes, percent, months, level) -> Curve:
    """Return the answer of family plateau, which is the model's alone."""
    if model is None:
        raise ParameterError(
            f"milestones.time_to(family='plateau'): the emergence model is needed and not there; {notes[0]} "
            "Choose family='planted'"
        )
    fit = model.fit
    share = model_of.plateau_rows(fit, percent, model_of.with_course(fit, months), level=level)
    table = _in_order(model_of.at(share, months), "zone")
    path = model_of.course(fit, share).assign(term=MODEL)
    method = (
        f"{percent:g} % of own plateau: tempo, from the emergence model ({fit.curve} by zone, "
        f"{fit.likelihood}), "
        f"marginal over patients and placements; delta method, errors robust over patients; level {level:g}"
    )
    used = regrowth.rows_for(records, fit).used
    return Curve(
        table,
        used,
        method,
        ("zone",),
        dict(fit.checks),
        "milestones",
        fit.words,
        path=path.reset_index(drop=True),
    )


def _first_readings(
    used: pd.DataFrame,
    by: tuple[str, ...],
    question: Question,
    wanted: np.ndarray,
    *,
    n: int,
    seed: int,
    n_jobs: int,
) -> dict:
    """Return table, path, extra and checks of first readings by group, with patients resampled."""
    groups = fit_groups(used, by)
    last = max(g.last_month for g in groups)
    planned = question.planned_months or np.arange(0.5, last + 0.5, 0.5)
    grid = np.array([0.0, *(m for m in planned if m <= last)])
    months = np.union1d(wanted, grid)
    jobs = n_jobs if n * len(used) >= PARALLEL_FROM else 1
    drawn = resampled(used, groups, months, n=n, seed=seed, n_jobs=jobs)
    every = share_rows(groups, drawn, used, months, by, term=FIRST, level=question.level)
    medians = median_rows(groups, drawn, by, term=f"median month of {FIRST}", level=question.level)
    return {
        "table": pd.concat([every[every["x"].isin(wanted)], medians], ignore_index=True),
        "path": steps(every, groups, used, grid, by).assign(term=f"observed {FIRST}"),
        "extra": {
            "at_risk": at_risk(groups, used, np.array([0.0, *wanted]), by),
            "simultaneous": simultaneous(groups, drawn, months, grid, by, level=question.level),
            "undetermined": undetermined(groups, grid, by),
        },
        "checks": {
            "turnbull_certified": all(g.fit.certified for g in groups),
            "turnbull_no_warnings": all(g.fit.checks["no_warnings"] for g in groups),
        },
    }


def _expected(expected: pd.DataFrame, fit: Emergence) -> pd.DataFrame:
    counts = dict(zip(fit.zones, (int(n) for n in fit.n_patients), strict=True))
    return expected.rename(columns={"expected": "estimate"}).assign(
        n_patients=expected["zone"].map(counts),
        term=EXPECTED,
        unit="% of placements",
        flag="of hair that follows the model, read at this register's visits",
    )


def _gap_notes(table: pd.DataFrame, months) -> tuple[str, ...]:
    """Return, by zone at the middle month, what of the gap between model and readings error explains."""
    month = float(months[len(months) // 2])
    at = table[table["x"].eq(month)].pivot_table(index="zone", columns="term", values="estimate", sort=False)
    notes = []
    for zone, row in at.iterrows():
        if {model_of.SHARE, FIRST, EXPECTED} <= set(row.dropna().index):
            gap, explained = row[FIRST] - row[model_of.SHARE], row[EXPECTED] - row[model_of.SHARE]
            notes.append(
                f"{zone}, month {month:g}: first readings stand {round(gap):+d} points from the model's "
                f"share; counting error and the visits explain {round(explained):+d}."
            )
    return tuple(notes)


def _ratios(
    exact: pd.DataFrame, by: str, percent: float, level: float
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return time ratios to the front, or the reason there are none."""
    if by != "zone":
        return pd.DataFrame(), ()
    used = exact[exact["reason"].eq("")].reset_index(drop=True)
    group = grouped(used)
    has_never = percent > PURE_TEMPO_PERCENT
    try:
        found = fit_ratios(used, group, percent=percent)
        rows = ratio_rows(found, level=level)
        rows += never_rows(used, group, found, level=level) if has_never else []
    except (FitError, ParameterError) as error:
        return pd.DataFrame(), (f"No time ratio to the front: {error}",)
    note = (
        "Time ratios: log-logistic on first readings at exact months, errors clustered in patients (sandwich)"
        + (f"; {MIXED}" if has_never else "")
        + "."
    )
    return pd.DataFrame(rows), (note,)


def _in_order(table: pd.DataFrame, by: str) -> pd.DataFrame:
    """Return the rows group by group in the order the groups first appear."""
    order = {name: k for k, name in enumerate(dict.fromkeys(table[by]))}
    place = table[by].map(order)
    out = (
        table.assign(place=place)
        .sort_values("place", kind="stable")
        .drop(columns="place")
        .reset_index(drop=True)
    )
    return out.assign(flag=out["flag"].fillna(""))


def _method(question: Question, choices: yields.Choices, n: int, seed: int, has_model: bool) -> str:
    model = "model: emergence model, marginal over patients and placements; " if has_model else ""
    visits = "exact months" if question.planned_months is None else "readings at their nearest planned visit"
    ends = ", the start of medical therapy" if question.end_at_therapy else ""
    return (
        f"{question.percent:g} % of planted hairs; {model}first readings: Turnbull's estimate, "
        f"{CONVENTION}; {visits}; "
        f"a second session in the zone{ends} and the last visit censor; patients resampled {n} times (seed "
        f"{seed}): "
        f"shares by Wilson on the effective number, medians by percentiles; "
        f"{choices.in_words}; level {question.level:g}"
    )
