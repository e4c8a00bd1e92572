"""Are a round file and its answers whole, of this study and this round, and possible?"""

from collections.abc import Sequence

from analytics.errors import ParameterError
from analytics.pooling.coding import SCHEMA, Coding, coding_from, digest, digest_or_none
from analytics.pooling.files import (
    AnswerFile,
    RoundFile,
    check_history,
    check_local,
    check_sums,
    check_zones,
    checked_form,
)

AS_RECEIVED = "ask the study's office for the file again"
ANSWER_AGAIN = "the clinic must answer again"


def checked_round(round_file: dict) -> Coding:
    """Return the coding of a round file whose check sum, form, sizes and algebra hold.

    Raises
    ------
    ParameterError
        Names the part that does not, the rule, and what to do.
    """
    if (
        not isinstance(round_file, dict)
        or round_file.get("kind") != "round"
        or round_file.get("schema") != SCHEMA
    ):
        raise ParameterError(
            "pool round file: not a round of this version; ask the study's office for the current file"
        )
    body = {k: v for k, v in round_file.items() if k != "sha256"}
    if round_file.get("sha256") != digest_or_none(body):
        raise ParameterError(
            "pool round file: changed after it was written (its check sum does not hold); use the file as "
            "received"
        )
    where = "pool round file"
    checked_form(round_file, RoundFile, where=where, action=AS_RECEIVED)
    coding = coding_from(round_file["coding"])
    check_history(round_file, coding, where=where, action=AS_RECEIVED)
    if coding.sha256 != round_file["coding_sha256"]:
        raise ParameterError("pool round file: the coding does not match its hash; use the file as received")
    return coding


def check_answers(round_file: dict, coding: Coding, answers: list[dict]) -> None:
    """Refuse answers that are not one a clinic, to this round, whole and possible.

    Raises
    ------
    ParameterError
        Names the clinic, the part, the rule, and what to do.
    """
    for given in answers:
        _check_one(given, round_file, coding)
    seen = [a["clinic"] for a in answers]
    doubled = sorted({c for c in seen if seen.count(c) > 1})
    missing = [c for c in coding.clinics if c not in seen]
    if doubled:
        raise ParameterError(f"pool next: two answers from {', '.join(doubled)}; keep one a clinic")
    alike = same([(a["clinic"], a["sums"].get("gram", a["sums"].get("cross"))) for a in answers])
    if alike:
        raise ParameterError(
            f"pool next: {' and '.join(alike)} answer with the same sums, which is one clinic's records "
            "under two codes; let both answer again with their own"
        )
    if missing:
        raise ParameterError(
            f"pool next: no answer from {', '.join(missing)}; wait for it, or open a new study without it"
        )


def same(given: Sequence[tuple[str, object]]) -> tuple[str, ...]:
    """Return the codes of the first two that hand over the very same numbers; none where all differ."""
    seen: dict[str, str] = {}
    for code, numbers in given:
        other = seen.setdefault(digest(numbers), code)
        if other != code:
            return other, code
    return ()


def _check_one(given: dict, round_file: dict, coding: Coding) -> None:
    if not isinstance(given, dict) or given.get("kind") != "answer" or given.get("schema") != SCHEMA:
        raise ParameterError(
            "pool next: a file is not an answer of this version; ask the clinic to answer again"
        )
    clinic = given.get("clinic")
    if clinic not in coding.clinics:
        raise ParameterError(
            "pool next: an answer comes from a clinic that is not in this study; leave it out"
        )
    where = f"pool next, answer of {clinic}"
    body = {k: v for k, v in given.items() if k != "sha256"}
    if given.get("coding_sha256") != coding.sha256:
        raise ParameterError(
            f"{where}: made with another coding; the clinic must answer this study's round file"
        )
    if given.get("round_sha256") != round_file["sha256"]:
        raise ParameterError(
            f"{where}: answers another round; the clinic must answer round {round_file['number']}"
        )
    if given.get("sha256") != digest_or_none(body):
        raise ParameterError(
            f"{where}: holds NaN or was changed after it was written; the clinic must answer again"
        )
    checked_form(given, AnswerFile, where=where, action=ANSWER_AGAIN)
    earlier = [h["n_patients"].get(clinic) for h in round_file["history"][:1]]
    if earlier and earlier[0] != given["n_patients"]:
        raise ParameterError(
            f"{where}: its number of patients is not that of the first round; the clinic must answer with "
            "the same records"
        )
    _check_asked_for(given, round_file["asked"], coding, where)
    _check_zones(given, coding, where)


def _check_zones(given: dict, coding: Coding, where: str) -> None:
    """Refuse numbers of patients by zone that cannot be."""
    for zone, counted in given["zones"].items():
        n, order = counted["n_patients"], counted["from_month"] <= counted["to_month"]
        if zone not in coding.zones or not (coding.min_cell <= n <= given["n_patients"] and order):
            raise ParameterError(
                f"{where}, zones: numbers of patients or months that cannot be; {ANSWER_AGAIN}"
            )
    if "gram" in given["sums"]:
        check_zones(given["zones"], given["sums"]["gram"], coding, where=where, action=ANSWER_AGAIN)


def _check_asked_for(given: dict, asked: dict, coding: Coding, where: str) -> None:
    """Refuse an answer that holds other sums than were asked for, or impossible ones."""
    sums, is_survey = given["sums"], asked["kind"] == "survey"
    if asked["kind"] == "done" or ("gram" in sums) != is_survey:
        raise ParameterError(f"{where}: holds other sums than the round asks for; {ANSWER_AGAIN}")
    check_sums(sums, coding, where=where, action=ANSWER_AGAIN, probe=asked.get("probe"))
    if given["n_patients"] < coding.min_patients:
        raise ParameterError(f"{where}: fewer than {coding.min_patients} patients; leave the clinic out")
    if is_survey:
        check_local(sums["local"], coding, where=where, action=ANSWER_AGAIN)
        if sums["n_groups"][-2] != given["n_patients"]:
            raise ParameterError(f"{where}: its numbers of patients do not agree; {ANSWER_AGAIN}")
