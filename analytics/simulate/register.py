"""An invented register with a known truth: for the demo, for trying things out, for studies of estimators.

Nothing here is real. `register` draws patients, sessions, placements, counts and everything else a clinic
writes down from a stated `Truth`, and hands the latent values back beside the tables. The same seed gives
the same register. See `simulate.truth` for every setting and where it comes from.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analytics.dictionary import MATURITY_MONTH, TABLES
from analytics.errors import ParameterError
from analytics.records import Records, derive
from analytics.simulate import clinic
from analytics.simulate.counts import attendances, read, read_beside, regions, schedule, size, true_density
from analytics.simulate.followup import events, ratings, therapies, visits
from analytics.simulate.growth import CURVES, emerged, emerged_at
from analytics.simulate.truth import Truth


@dataclass(frozen=True, slots=True)
class Latent:
    """What no clinic knows.

    `placements` one row per placement: true plateau (percent), log tempo, half month, planted hairs/cm2 in
    the region, yield at maturity, months at which 25, 50 and 80 % of planted hairs have grown (infinite:
    never). `readings` one row per measurement, in the same order: native, grown and total hairs/cm2.
    `patients`: yield shift, log tempo, loss. `sessions`: true share transected. `readers`: log effects.
    """

    placements: pd.DataFrame
    readings: pd.DataFrame
    patients: pd.DataFrame
    sessions: pd.DataFrame
    readers: dict[str, float]
    truth: Truth


def register(
    n_patients: int,
    *,
    truth: Truth | None = None,
    seed: int = 1,
    months: int = 36,
    entry_months: int | None = None,
) -> tuple[dict[str, pd.DataFrame], Latent]:
    """Draw an invented register: the tables of the dictionary, and the truth behind each placement.

    Parameters
    ----------
    n_patients
        1 or more.
    truth
        What is true; `Truth()` if not given, `plain()` for studies of estimators.
    seed
        The same seed and truth give the same register.
    months
        Length of the register; nothing is recorded after it.
    entry_months
        First sessions fall into the first so many months; all of `months` if not given.

    Returns
    -------
    dict, Latent
        One frame per table of the dictionary, and what no clinic knows.

    Raises
    ------
    ParameterError
        When a number is out of range or the curve unknown.

    Examples
    --------
    >>> tables, latent = register(20, seed=7)
    >>> len(tables["patients"]), len(tables["placements"]) == len(latent.placements)
    (20, True)
    """
    truth = truth or Truth()
    entry = months if entry_months is None else entry_months
    _check(n_patients, months, entry, truth)
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(12)]
    patients = clinic.people(n_patients, truth, streams[0])
    sessions = clinic.operations(patients, truth, streams[1], months=months, entry=entry)
    placements = clinic.placings(patients, sessions, truth, streams[2])
    sessions = clinic.balance(sessions, placements, truth, streams[3])
    placements = clinic.outcomes(placements, sessions, patients, truth, streams[4])
    courses, course_times = therapies(patients, sessions, truth, streams[5], months=months)
    attended = attendances(sessions, patients, truth, streams[6], months=months)
    places = regions(placements, sessions, patients, truth, streams[7])
    rows, slots = schedule(attended, places, placements, truth, streams[8], sessions=sessions)
    rows = true_density(rows, slots, patients, course_times, truth, sessions=sessions)
    readers = _reader_effects(truth, streams[9])
    rows = size(read(rows, truth, readers, streams[9]), patients, streams[9])
    rows = read_beside(rows, truth, readers, streams[11])
    rows = _measured(rows, sessions)
    seen = visits(attended, rows, sessions, truth, streams[10])
    frames = {
        "patients": patients,
        "sessions": sessions,
        "placements": placements,
        "measurements": rows,
        "visits": seen,
        "therapies": courses,
        "events": events(sessions, patients, seen, truth, streams[10]),
        "ratings": ratings(placements, seen, truth, streams[10]),
    }
    tables = {name: as_handed_in(name, frame) for name, frame in frames.items()}
    return tables, _latent(patients, sessions, placements, rows, readers, truth)


def _check(n_patients: int, months: int, entry: int, truth: Truth) -> None:
    if n_patients < 1:
        raise ParameterError("simulate.register(n_patients): 1 value below 1; ask for one patient or more")
    if not 1 <= entry <= months:
        raise ParameterError("simulate.register(entry_months): 1 value out of range; use 1 to months")
    if truth.curve not in CURVES:
        raise ParameterError(
            f"simulate.register(truth.curve): 1 unknown word; use one of {', '.join(CURVES)}"
        )
    if truth.plateau_law not in ("normal", "beta"):
        raise ParameterError("simulate.register(truth.plateau_law): 1 unknown word; use normal or beta")


def _reader_effects(truth: Truth, rng: np.random.Generator) -> dict[str, float]:
    """Draw the readers' log effects, centred on the clinic's habit where the truth says so."""
    names, share = list(truth.readers), np.array(list(truth.readers.values()))
    effects = rng.normal(0, truth.between_reader_cv, len(names))
    mean = share @ effects / share.sum() if truth.readers_centred else 0.0
    return dict(zip(names, effects - mean + np.log1p(truth.clinic_habit_pct / 100), strict=True))


def _measured(rows: pd.DataFrame, sessions: pd.DataFrame) -> pd.DataFrame:
    of = sessions.iloc[rows["clock"]]
    rows = rows.assign(
        patient_id=of["patient_id"].to_numpy(),
        session_id=of["session_id"].to_numpy(),
        density_hairs_cm2=rows["density_hairs_cm2"].round(1),
        roi_marked=rows["marked"],
        standard_conditions=rows["standard"],
        condition_reason=rows["reason"].where(rows["reason"] != "", None),
    )
    return rows.sort_values(["person", "time", "region", "count_number"], ignore_index=True)


def as_handed_in(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Keep the dictionary's columns, in its order."""
    wanted = [c.name for c in TABLES[name].asked() if c.name in frame.columns]
    return frame[wanted].reset_index(drop=True)


def _latent(patients, sessions, placements, rows, readers, truth) -> Latent:
    plateau, half = placements["true_plateau_pct"].to_numpy(), placements["true_half_month"].to_numpy()
    shape = placements["true_shape"].to_numpy()
    mature = placements["zone"].map(MATURITY_MONTH).to_numpy(dtype=float)
    out = pd.DataFrame(
        {
            "placement_id": placements["placement_id"],
            "session_id": placements["session_id"],
            "patient_id": patients["patient_id"].to_numpy()[placements["person"]],
            "zone": placements["zone"],
            "plateau_pct": plateau,
            "log_tempo": placements["true_log_tempo"],
            "half_month": half,
            "planted_hairs_cm2": placements["true_planted_hairs_cm2"],
            "yield_at_maturity_pct": plateau * emerged(mature / half, shape, curve=truth.curve),
        }
    )
    for q in (25, 50, 80):
        share = q / np.maximum(plateau, 1e-9)
        out[f"month_{q}"] = half * emerged_at(share, shape, curve=truth.curve)
    readings = rows[["patient_id", "session_id", "region_id", "month", "time"]].assign(
        native=rows["true_native"], grown=rows["true_grown"], density=rows["true_density"]
    )
    people = patients[["patient_id"]].assign(
        yield_shift=patients["true_yield_shift"],
        log_tempo=patients["true_log_tempo"],
        loss_pct=patients["true_loss_pct"],
    )
    done = sessions[["session_id", "surgeon_id", "true_transected_pct"]]
    return Latent(out, readings, people, done, readers, truth)


def as_records(tables: dict[str, pd.DataFrame]) -> Records:
    """Return the tables as `Records`, typed and filled as `records.load` does, but without its checks.

    For studies that draw many registers. What is written to files and loaded is the same, checked.

    Parameters
    ----------
    tables
        Of `register`, or frames with the columns of the dictionary.

    Returns
    -------
    Records
        Typed and filled, without warnings or balance.

    Examples
    --------
    >>> tables, _ = register(5, seed=2)
    >>> len(as_records(tables).patients)
    5
    """
    frames = {}
    for name, table in TABLES.items():
        given = tables.get(name, pd.DataFrame())
        columns = {c.name: _typed(given.get(c.name), len(given), c.dtype) for c in table.columns}
        frames[name] = pd.DataFrame(columns, index=pd.RangeIndex(len(given)))
    filled = derive.filled(frames)
    if "visits" not in tables:
        filled["visits"] = derive.visits_from(filled["measurements"])
    return Records(**{name: derive.final(filled[name], table) for name, table in TABLES.items()})


def _typed(column: pd.Series | None, n: int, dtype: str) -> Any:
    """Return a column typed as before defaults are filled: whole numbers may be missing yet."""
    if column is None:
        return derive.missing(n, dtype)
    loose = "float64" if dtype == "int64" else dtype
    return (column if column.dtype == loose else column.astype(loose)).array
