"""Could two answers of one clinic, set side by side, tell of a few patients?

The difference of two sums is a sum over the patients whose readings came, went or changed between them. So a
clinic keeps a ledger of what it has answered: of every patient and zone behind an answer a keyed mark, no
code and no reading. The next answer or summary is refused where the readings of some patients, but of fewer
than `MIN_PATIENTS` (in a zone: `MIN_CELL`), differ from those behind an earlier one. Within a study not one
may differ, for the rounds belong to the same rows. The ledger stays in the clinic.
"""

import hashlib
import hmac
import json
import secrets
from pathlib import Path

import numpy as np

from analytics import dictionary, yields
from analytics.errors import ParameterError
from analytics.pooling.coding import (
    FIRST_SCHEMA,
    KNOTS,
    MIN_CELL,
    MIN_PATIENTS,
    Coding,
    coding_from,
    usable_rows,
)
from analytics.pooling.files import LedgerFile, checked_form
from analytics.records import Records

Marks = dict[str, dict[str, str]]
DIGITS = 32


def empty_ledger() -> dict:
    """Return a ledger without answers, with a new key for its marks."""
    return {"schema": FIRST_SCHEMA, "kind": "ledger", "key": secrets.token_hex(32), "answers": []}


def read_ledger(path: Path) -> dict:
    """Read a clinic's ledger; a new one where there is no such file.

    Parameters
    ----------
    path
        Of the clinic's ledger, which need not be there.

    Returns
    -------
    dict
        Its key and what was answered so far.

    Raises
    ------
    ParameterError
        When the file is no ledger of this version.

    Examples
    --------
    >>> read_ledger(Path("no_such_ledger.json"))["answers"]
    []
    """
    place = Path(path)
    if not place.exists():
        return empty_ledger()
    try:
        found = json.loads(place.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise _no_ledger(place) from error
    if not isinstance(found, dict) or (found.get("kind"), found.get("schema")) != ("ledger", FIRST_SCHEMA):
        raise _no_ledger(place)
    checked_form(found, LedgerFile, where=f"pool ledger {place.name}", action="use the ledger as it was kept")
    return found


def note_answer(ledger: dict, round_file: dict, records: Records, clinic: str) -> dict:
    """Return the ledger with an answer to a round noted.

    Parameters
    ----------
    ledger
        Of `read_ledger`.
    round_file
        The round that is answered.
    clinic
        Code of the clinic in the study.

    Returns
    -------
    dict
        The ledger, ready for JSON.

    Raises
    ------
    ParameterError
        When the readings differ from those behind an earlier answer in too few patients, or, after a study's
        first round, in any; or when the ledger knows these records under another code.

    Examples
    --------
    As `regrowth pool answer` does before it writes an answer.
    """
    coding = coding_from(round_file["coding"])
    entry = {
        "kind": "answer",
        "clinic": clinic,
        "coding_sha256": round_file["coding_sha256"],
        "round": int(round_file["number"]),
        "marks": marks(records, ledger["key"], coding.zones),
    }
    first = [
        e
        for e in ledger["answers"]
        if e["kind"] == "answer" and e["coding_sha256"] == entry["coding_sha256"] and e["round"] == 1
    ]
    if entry["round"] > 1 and first and _changed(first[-1]["marks"], entry["marks"]):
        raise ParameterError(
            "pool answer: the records have changed since this study's first round; answer with the records "
            "of the first round, or let the office open a new study"
        )
    return _noted(ledger, entry, coding.min_patients, coding.min_cell)


def note_summary(ledger: dict, records: Records, clinic: str) -> dict:
    """Return the ledger with a summary noted.

    Parameters
    ----------
    ledger
        Of `read_ledger`.
    clinic
        Code of the clinic.

    Returns
    -------
    dict
        The ledger, ready for JSON.

    Raises
    ------
    ParameterError
        When the readings differ from those behind an earlier answer in too few patients.

    Examples
    --------
    As `regrowth pool summary` does before it writes a summary.
    """
    entry = {
        "kind": "summary",
        "clinic": clinic,
        "coding_sha256": "",
        "round": 0,
        "marks": marks(records, ledger["key"], tuple(dictionary.ZONES)),
    }
    return _noted(ledger, entry, MIN_PATIENTS, MIN_CELL)


def marks(records: Records, key: str, zones: tuple[str, ...]) -> Marks:
    """Return by zone and patient a keyed mark of the readings that enter a sum."""
    coding = Coding("ledger", (), zones, KNOTS, (), "assumed", yields.ANNUAL_LOSS_PCT, MIN_PATIENTS, MIN_CELL)
    secret = bytes.fromhex(key)
    found: Marks = {zone: {} for zone in zones}
    # The reading itself, not y: y is over the clinic's mean planted ratio, which any new patient moves.
    rows = usable_rows(records, coding).sort_values(["placement_id", "month", "yield_pct"])
    for (zone, patient), own in rows.groupby(["zone", "patient_id"], sort=True):
        said = np.round(own[["month", "yield_pct"]].to_numpy(dtype=float), 6)
        found[str(zone)][_mark(secret, str(patient).encode())] = _mark(secret, said.tobytes())
    return found


def _mark(secret: bytes, content: bytes) -> str:
    return hmac.new(secret, content, hashlib.sha256).hexdigest()[:DIGITS]


def _changed(before: Marks, after: Marks) -> dict[str, set[str]]:
    """Return by zone of both the patients whose readings came, went or changed."""
    changed = {
        zone: {
            patient
            for patient in {*before[zone], *after[zone]}
            if before[zone].get(patient) != after[zone].get(patient)
        }
        for zone in before
        if zone in after
    }
    return {zone: patients for zone, patients in changed.items() if patients}


def _noted(ledger: dict, entry: dict, min_patients: int, min_cell: int) -> dict:
    _refuse_other_clinic(ledger, entry)
    for earlier in ledger["answers"]:
        changed = _changed(earlier["marks"], entry["marks"])
        few = sorted(zone for zone, patients in changed.items() if len(patients) < min_cell)
        if few or (changed and len(set.union(*changed.values())) < min_patients):
            where = f" in {', '.join(few)}" if few else ""
            least = min_cell if few else min_patients
            raise ParameterError(
                f"pool {entry['kind']}: since an earlier one the readings of fewer than {least} "
                f"patients{where} have changed, so that the difference of the two would tell of them; answer "
                "with the earlier records, or wait until more patients have new readings"
            )
    kept = [e for e in ledger["answers"] if e["marks"] != entry["marks"] or _what(e) != _what(entry)]
    return {**ledger, "answers": [*kept, entry]}


def _refuse_other_clinic(ledger: dict, entry: dict) -> None:
    """Refuse another code for the same patients, and other patients under the same code."""
    for earlier in ledger["answers"]:
        before, now = (_patients(one["marks"]) for one in (earlier, entry))
        same_code = earlier["clinic"] == entry["clinic"]
        same_study = earlier["coding_sha256"] == entry["coding_sha256"]
        if not same_code and same_study and before & now:
            raise ParameterError(
                f"pool {entry['kind']}(clinic): these records have answered under another code; give the "
                "code this clinic has in the study, or name another clinic's own ledger"
            )
        if same_code and before and now and not before & now:
            raise ParameterError(
                f"pool {entry['kind']}(clinic): this code has answered before, and none of its patients are "
                "in these records; give this clinic's own records, or the code they belong to"
            )


def _patients(marks_of: Marks) -> set[str]:
    return {patient for by_patient in marks_of.values() for patient in by_patient}


def _what(entry: dict) -> tuple:
    return entry["kind"], entry["clinic"], entry["coding_sha256"], entry["round"]


def _no_ledger(place: Path) -> ParameterError:
    return ParameterError(
        f"pool ledger {place.name}: not a ledger of this version; name the clinic's own with --ledger, or a "
        "new place if there is none"
    )
