"""Rounds of sums: one mixed model over clinics, fitted without a row leaving any of them.

A round file holds the coding, what is asked next, and the *totals* over clinics of all earlier rounds; a
clinic's own sums are in its answer only. The first round asks for the survey (cross-products of all columns,
numbers of groups); each later one for the criterion's sums at one theta. `next_round` replays the search
from the totals, so that it is the very search a fit on the stacked rows makes, and stops where it needs sums
nobody has given yet.

What an observer of all rounds can learn: linear and quadratic functions of the rows, summed over all patients
of a clinic; never a row. The readings of three or more patients with the same visits may be turned about
their mean by any angle without changing a single sum of any round (`tests/test_pooling.py` shows it), so
that no reading can be told from them. A clinic answers only with at least `min_patients` patients, at least
`min_cell` of them in every zone it has and in every class of a case-mix column in that zone, and more than
twice as many readings as columns, in all and in every zone. What two answers made at different times would
tell by their difference is kept off by the clinic's ledger (`pooling.ledger`).
"""

import json
from dataclasses import asdict
from functools import reduce
from operator import add
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.errors import FitError, ParameterError
from analytics.numerics import meta, mixed
from analytics.numerics.mixed import MixedFit, Sums, Survey
from analytics.pooling import coding as pooling_shared
from analytics.pooling.checks import check_answers, checked_round
from analytics.pooling.coding import (
    SCHEMA,
    Coding,
    counted,
    design_rows,
    digest,
    matrix,
    part_design,
    shared_designs,
)
from analytics.records import Records

MAX_EXCHANGES = 8
START_MONTH = 12.0
START_AT_LEAST = 0.1
# A case-mix column of no more different values than this is a categorical one.
MOST_CLASSES = 12


class _NeedSumsError(Exception):
    """The search wants sums at a theta that no round has asked for yet."""

    def __init__(self, theta: np.ndarray, probe: np.ndarray | None):
        super().__init__("sums needed")
        self.theta, self.probe = theta, probe


def open_round(coding: Coding) -> dict:
    """Return the first round file of a study: plain values, ready for JSON.

    Parameters
    ----------
    coding
        Of `read_study`.

    Returns
    -------
    dict
        Ready for JSON.

    Examples
    --------
    >>> from pathlib import Path
    >>> from analytics.pooling.coding import read_study
    >>> open_round(read_study(Path("data_demo/pooling/study.toml")))["asked"]
    {'kind': 'survey'}
    """
    return _round(coding, [], {"kind": "survey"})


def answer(round_file: dict, records: Records, clinic: str) -> dict:
    """Return one clinic's answer to a round: sums only, with its own check sum.

    Parameters
    ----------
    round_file
        Of `read_round`.
    records
        The clinic's records as loaded.
    clinic
        Its code in the study.

    Returns
    -------
    dict
        Ready for JSON: sums, numbers of patients, check sums.

    Raises
    ------
    ParameterError
        When the round file is broken, the clinic is not in the study, or too few patients stand behind a sum.
    """
    coding = checked_round(round_file)
    if clinic not in coding.clinics:
        raise ParameterError(f"pool answer(clinic): not in this study; it has {', '.join(coding.clinics)}")
    if round_file["asked"]["kind"] == "done":
        raise ParameterError("pool answer(round): the study is finished; nothing is asked any more")
    frame = design_rows(records, coding)
    _refuse_small(frame, coding)
    given = part_design(frame, coding, clinic)
    if round_file["asked"]["kind"] == "survey":
        sums = {**_survey_sums(given), "local": local_start(frame, coding)}
    else:
        sums = _criterion_sums(given, shared_designs(frame, coding, clinic), round_file)
    body = {
        "schema": SCHEMA,
        "kind": "answer",
        "coding_sha256": coding.sha256,
        "round_sha256": round_file["sha256"],
        "clinic": clinic,
        "n_patients": int(frame["patient"].nunique()),
        "zones": counted(frame, coding),
        "sums": sums,
    }
    return {**body, "sha256": digest(body)}


def what_leaves(answer_file: dict) -> str:
    """Return in words and numbers exactly what an answer holds, to be read before it is sent.

    Parameters
    ----------
    answer_file
        Of `answer`.

    Returns
    -------
    str
        Lines to be read.

    Examples
    --------
    >>> print(what_leaves({"clinic": "C1", "n_patients": 12, "sums": {"n": 40.0}}))
    Clinic C1, 12 patients behind every sum. No row, no patient code, no date.
    n, one number:
    40.
    """
    lines = [
        f"Clinic {answer_file['clinic']}, {answer_file['n_patients']} patients behind every sum. No row, "
        "no patient code, no date.",
    ]
    for name, value in answer_file["sums"].items():
        if name in ("local", "z_squares"):
            lines.append(f"{name}: {json.dumps(value)}")
            continue
        array = np.asarray(value, dtype=float)
        lines.append(f"{name}, {array.shape if array.ndim else 'one number'}:")
        lines.append(np.array2string(array, precision=6, max_line_width=110, threshold=400))
    return "\n".join(lines)


def next_round(round_file: dict, answers: list[dict]) -> dict:
    """Add up the answers and return the next round file; its `asked` is `done` when the fit is reached.

    Parameters
    ----------
    round_file
        The round that was answered.
    answers
        One of each clinic.

    Returns
    -------
    dict
        Ready for JSON.

    Raises
    ------
    ParameterError
        When an answer belongs to another study or round, was edited, is missing, doubled, or holds an
        impossible number.
    """
    coding = checked_round(round_file)
    check_answers(round_file, coding, answers)
    ordered = sorted(answers, key=lambda a: coding.clinics.index(a["clinic"]))
    total = _added(round_file["asked"]["kind"], [a["sums"] for a in ordered], coding)
    n_patients = {a["clinic"]: a["n_patients"] for a in ordered}
    zones = _zones([a["zones"] for a in ordered])
    first = round_file["history"][0] if round_file["history"] else None
    if first and (total["n"], zones) != (first["total"]["n"], first["zones"]):
        raise ParameterError(
            "pool next: the answers hold other readings in all than those of the first round; every clinic "
            "must answer with the same records"
        )
    history = [
        *round_file["history"],
        {
            "asked": round_file["asked"],
            "total": total,
            "n_patients": n_patients,
            "zones": zones,
        },
    ]
    if len(history) > MAX_EXCHANGES + 1:
        raise FitError(
            f"pool next: no fit after {MAX_EXCHANGES} exchanges; the columns may not be determined by "
            "these records"
        )
    try:
        fit = _replay(history)
        finished = {"kind": "done", "beta": fit.beta.tolist(), "beta_df": fit.beta_df.tolist()}
    except _NeedSumsError as need:
        finished = {"kind": "criterion", "theta": need.theta.tolist()}
        finished["probe"] = None if need.probe is None else need.probe.tolist()
    return _round(coding, history, finished)


def pooled(round_file: dict) -> MixedFit:
    """Return the fitted model of a finished study, from the totals in its last round file.

    Raises
    ------
    ParameterError
        When the study is not finished.
    """
    checked_round(round_file)
    try:
        return _replay(round_file["history"])
    except _NeedSumsError:
        raise ParameterError(
            "pool(round): the study is not finished; collect the answers to this round first"
        ) from None


def shared_covariance(round_file: dict) -> np.ndarray:
    """Return what errors that a clinic's readings share add to the covariance of `pooled`, (p, p).

    Raises
    ------
    ParameterError
        When the study is not finished.
    """
    fit = pooled(round_file)
    asked = [np.array(h["asked"]["theta"], dtype=float) for h in round_file["history"][1:]]
    nearest = int(np.argmin([np.abs(theta - fit.optimum.theta).max() for theta in asked]))
    return pooling_shared.covariance(fit, round_file["history"][1 + nearest]["total"])


def _round(coding: Coding, history: list, asked: dict) -> dict:
    body = {"schema": SCHEMA, "kind": "round", "coding": asdict(coding), "coding_sha256": coding.sha256}
    body = json.loads(json.dumps({**body, "number": len(history) + 1, "asked": asked, "history": history}))
    return {**body, "sha256": digest(body)}


def _refuse_small(frame, coding: Coding) -> None:
    patients = int(frame["patient"].nunique())
    if patients < coding.min_patients:
        raise ParameterError(
            f"pool answer: {patients} patients have a usable reading; {coding.min_patients} are the least "
            "for an answer"
        )
    by_zone = frame.groupby("zone")["patient"].nunique()
    few = [z for z, n in by_zone.items() if n < coding.min_cell]
    if few:
        raise ParameterError(
            f"pool answer: fewer than {coding.min_cell} patients in {', '.join(few)}; leave the zone out "
            "of the records given, or of the study"
        )
    for name in coding.case_mix:
        # The products of zone and case mix in X'X give each of these numbers away.
        cells = frame.groupby(["zone", name])["patient"].nunique()
        if frame[name].nunique() <= MOST_CLASSES and (cells < coding.min_cell).any():
            raise ParameterError(
                f"pool answer: fewer than {coding.min_cell} patients in a cell of {name} and zone; leave it "
                "out of the study"
            )
    _refuse_few_readings(frame, coding)


def _refuse_few_readings(frame, coding: Coding) -> None:
    """Refuse where readings are no more than twice as many as columns, in all or in a zone."""
    used = np.abs(matrix(frame, coding)) > 0
    for zone in (None, *frame["zone"].unique()):
        rows = np.ones(len(frame), dtype=bool) if zone is None else frame["zone"].eq(zone).to_numpy()
        columns = int(used[rows].any(axis=0).sum())
        if rows.sum() <= 2 * columns:
            where = "" if zone is None else f" in {zone}"
            raise ParameterError(
                f"pool answer: {rows.sum()} readings for {columns} columns{where}; more than twice as many "
                "are needed"
            )


def _survey_sums(given: mixed.Design) -> dict:
    found = mixed.survey(given)
    return {
        "n": found.n,
        "gram": found.gram.tolist(),
        "z_squares": [z.tolist() for z in found.z_squares],
        "n_groups": list(found.n_groups),
        "log_weights": found.log_weights,
    }


def local_start(frame, coding: Coding) -> dict | None:
    """Return a clinic's own spread, relative to its residual SD, and its level at month 12 by zone, or None.

    A good start saves exchanges; the fit reached does not depend on it.
    """
    x = matrix(frame, coding)
    kept = np.abs(x).sum(axis=0) > 0
    one = np.ones((len(frame), 1))
    levels = [(frame["patient"].to_numpy(), one), (frame["placement"].to_numpy(), one)]
    try:
        fit = mixed.fit(frame["y"].to_numpy(), x[:, kept], levels)
    except FitError:
        return None
    ratio = [float(np.sqrt(c[0, 0]) / fit.sigma) for c in fit.covariances]
    zones = [z for z in coding.zones if frame["zone"].eq(z).any()]
    mean_mix = {name: frame[name].mean() for name in coding.case_mix}
    at = matrix(pd.DataFrame([{"zone": z, "month": START_MONTH, **mean_mix} for z in zones]), coding)[:, kept]
    se = np.sqrt(np.einsum("ij,jk,ik->i", at, fit.beta_cov, at))
    level = {z: [float(m), float(s)] for z, m, s in zip(zones, at @ fit.beta, se, strict=True)}
    return {"ratio": ratio, "sigma": float(fit.sigma), "n": len(frame), "level": level}


def _start(local: list[dict | None], coding: Coding) -> list[float] | None:
    """Return start values of theta from the clinics' own fits: weighted means, spread of their levels."""
    known = [one for one in local if one is not None]
    if not known:
        return None
    weight = np.array([one["n"] for one in known], dtype=float)
    own = [float(np.average([one["ratio"][i] for one in known], weights=weight)) for i in range(2)]
    if not coding.has_clinic_level:
        return own
    sigma = float(np.average([one["sigma"] for one in known], weights=weight))
    zone = max(coding.zones, key=lambda z: sum(z in one["level"] for one in known))
    level = np.array([one["level"][zone] for one in known if zone in one["level"]])
    tau2 = meta.random_effects(level[:, 0], level[:, 1] ** 2, method="DL").tau2 if len(level) > 2 else 0.0
    # From exactly zero the search leaves slowly; a tenth of the residual SD is near enough to either side.
    return [max(float(np.sqrt(tau2)) / sigma, START_AT_LEAST), *own]


def _criterion_sums(given: mixed.Design, shared: dict[str, mixed.Design], round_file: dict) -> dict:
    form = _plan(round_file["history"])
    part = mixed.prepare(given, form)
    asked = round_file["asked"]
    probe = None if asked["probe"] is None else np.array(asked["probe"], dtype=float)
    theta = np.array(asked["theta"], dtype=float)
    found = mixed.contributions(theta, part, form, probe=probe)
    fields = {
        name: getattr(found, name) for name in ("log_det", "cross", "trace", "slope", "trace2", "curve")
    }
    fields |= pooling_shared.sums(shared, theta, form)
    return {"n": found.n, **{k: np.asarray(v).tolist() for k, v in fields.items()}}


def _zones(given: list[dict]) -> dict[str, dict[str, int]]:
    """Return by zone the patients of all clinics, and the months from the earliest to the latest of them."""
    names = dict.fromkeys(zone for one in given for zone in one)
    of = {zone: [one[zone] for one in given if zone in one] for zone in names}
    return {
        zone: {
            "n_patients": sum(one["n_patients"] for one in each),
            "from_month": min(one["from_month"] for one in each),
            "to_month": max(one["to_month"] for one in each),
        }
        for zone, each in of.items()
    }


def _plan(history: list) -> mixed.Plan:
    survey = _survey(history[0]["total"])
    return mixed.plan(survey, ("full",) * len(survey.n_groups), method="REML")


def _survey(total: dict) -> Survey:
    return Survey(
        int(total["n"]),
        np.array(total["gram"], dtype=float),
        tuple(np.array(z, dtype=float) for z in total["z_squares"]),
        tuple(int(g) for g in total["n_groups"]),
        float(total["log_weights"]),
    )


def _sums(total: dict) -> Sums:
    arrays = {k: np.array(total[k], dtype=float) for k in ("cross", "trace", "slope", "trace2", "curve")}
    return Sums(n=int(total["n"]), log_det=float(total["log_det"]), **arrays)


def _replay(history: list) -> MixedFit:
    """Search from the totals; raise _NeedSumsError at the first theta without them."""
    form = _plan(history)
    given = [(h["asked"], _sums(h["total"])) for h in history[1:]]

    def evaluate(theta, probe=None) -> Sums:
        for asked, sums in given:
            if np.array_equal(np.array(asked["theta"]), theta) and _same(asked["probe"], probe):
                return sums
        raise _NeedSumsError(np.asarray(theta, dtype=float), probe)

    start = history[0]["total"]["start"]
    fit = mixed.fit_sums(form, evaluate, start=None if start is None else np.array(start))
    _ = fit.beta_df
    return fit


def _same(asked: list | None, probe: np.ndarray | None) -> bool:
    if asked is None or probe is None:
        return asked is None and probe is None
    return np.array_equal(np.array(asked), probe)


def _added(kind: str, all_sums: list[dict], coding: Coding) -> dict:
    made = [_survey(s) for s in all_sums] if kind == "survey" else [_sums(s) for s in all_sums]
    total = reduce(add, made)
    plain = json.loads(json.dumps(asdict(total), default=lambda v: v.tolist()))  # type: ignore[call-overload]
    if kind == "survey":
        return plain | {"start": _start([s["local"] for s in all_sums], coding)}
    names = (pooling_shared.OWN, pooling_shared.COMMON)
    return plain | {name: np.sum([s[name] for s in all_sums], axis=0).tolist() for name in names}


def read_round(path: Path) -> dict:
    """Read a round or answer file.

    Parameters
    ----------
    path
        A JSON file.

    Returns
    -------
    dict
        As it stands in the file; it is checked where it is used.

    Raises
    ------
    ParameterError
        When it cannot be read as JSON.
    """
    try:
        return json.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ParameterError(
            f"pool file {Path(path).name}: cannot be read ({type(error).__name__}); use the file as received"
        ) from error
