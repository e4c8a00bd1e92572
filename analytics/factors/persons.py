"""Does a person's work change with the number of sessions since the register began?

Sessions of a surgeon or of a harvester are numbered in their order; the difference for each doubling of that
number is taken within persons (every person has a level of their own), adjusted for case mix: of yield (and
zone), of visibly transected grafts in percent of those taken out, and of attempts that brought no graft. What
a person did before the register began is not seen, so an old hand begins at 1 like a beginner: a flat line is
no proof that nothing was learnt before. Limits hold for all lines together (Bonferroni). Learning as a
straight line on the log number of cases: Cook, Ramsay & Fayers 2004, Clin Trials 1:421-427 (from memory).

How long a session took is no column of the dictionary, so grafts an hour cannot be told.
"""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from analytics import bench, results, yields
from analytics.errors import FitError
from analytics.factors.adjusted import FEWEST_PATIENTS, adjusted_for, difference, formula
from analytics.records import Records
from analytics.results import LEVEL, Gap, Result

ROLES = {"surgeon_id": "surgeon", "harvested_by": "harvester"}
# Points a doubling that would matter; choices of ours: about 10 points of yield over three doublings.
MATTERS = {"yield": 3.0, "transected grafts": 1.0, "attempts without a graft": 1.0}
MATTERS_IN_WORDS = "3 points of yield or 1 point of grafts or attempts a doubling"
FEWEST_SESSIONS = 8  # of a person, for three doublings; a choice of ours


def by_person(records: Records, *, choices: yields.Choices = yields.USUAL, level: float = LEVEL) -> Result:
    """Return what changes with each doubling of a person's sessions, within persons, adjusted.

    Parameters
    ----------
    level
        Of all limits together.

    Returns
    -------
    Result
        By role (surgeon, harvester): yield, transected grafts, attempts without a graft; points a doubling.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> sorted(by_person(clinic).table()["role"].unique())
    ['harvester', 'surgeon']
    """
    asked = list(_asked(records, choices))
    together = 1 - (1 - level) / max(len(asked), 1)
    lines, method, used = [], "", pd.DataFrame()
    for role, outcome, frame, mix in asked:
        column = "yield_pct" if outcome == "yield" else "outcome"
        try:
            fitted = bench.model(formula(frame, column, "person", "doublings", mix=mix), frame)
        except FitError:
            continue
        term = f"{outcome}, for each doubling of sessions"
        lines.append(
            difference(fitted, "doublings", term, "points", matters=MATTERS[outcome], level=level,
                       level_used=together, by={"role": role})
        )  # fmt: skip
        method = method or adjusted_for(fitted, matters=MATTERS_IN_WORDS)
        used = frame if used.empty else used
    if not lines:
        return results.unanswered(
            Gap(f"Cannot be told: no person has {FEWEST_SESSIONS} sessions here with an outcome recorded.")
        )
    method = f"within persons, limits for all {len(asked)} lines together; the first of them: {method}"
    used = used[["patient_id", "session_id"]].assign(reason="")
    return Result(pd.DataFrame(lines), used, method, by=("role",))


def numbered(records: Records, role: str) -> pd.DataFrame:
    """Return sessions with `person`, `number` of the session for that person, and `doublings` of it."""
    rows = records.sessions.dropna(subset=[role]).sort_values(["register_month", "session_id"])
    rows = rows.assign(person=rows[role].astype(str), number=rows.groupby(role).cumcount() + 1)
    return rows.assign(doublings=np.log2(rows["number"]))


def _asked(
    records: Records, choices: yields.Choices
) -> Iterator[tuple[str, str, pd.DataFrame, tuple[str, ...]]]:
    """Return role, outcome, rows with `outcome`, and the case mix, where persons have enough sessions."""
    units = bench.units(records, choices=choices).frame
    cases = units.drop_duplicates("session_id")[["session_id", "method", "age_years", "curl"]]
    for role, name in ROLES.items():
        counted = numbered(records, role)
        keys = counted[["session_id", "person", "doublings"]]
        grown = units[units["reason"].eq("")].merge(keys, on="session_id", validate="many_to_one")
        done = (
            counted.drop(columns="method")
            .merge(cases, on="session_id", validate="one_to_one")
            .assign(zone="")
        )
        out = done["grafts_out"].astype(float)
        tried = done["attempts"].astype(float)
        for outcome, frame, values, mix in (
            ("yield", grown, grown["yield_pct"], ("age_years", "curl", "on_therapy")),
            (
                "transected grafts",
                done,
                100 * done["grafts_transected"] / out,
                ("method", "curl", "age_years"),
            ),
            ("attempts without a graft", done, 100 * (1 - out / tried), ("curl", "age_years")),
        ):
            told = frame.assign(outcome=pd.to_numeric(values, errors="coerce").astype(float))
            told = told.dropna(subset=["outcome", "doublings"])
            often = told.groupby("person")["session_id"].transform("nunique").ge(FEWEST_SESSIONS)
            told = told[often].reset_index(drop=True)
            if told["patient_id"].nunique() >= FEWEST_PATIENTS:
                varies = tuple(c for c in mix if told[c].nunique() > 1)
                yield name, outcome, told, varies
