"""Is a file of a pooled study what it says it is, before anything is computed from it?

A check sum shows that a file arrived as it was written, not that it was written right. So every part has a
declared shape here: names and kinds (pydantic), sizes that follow from the study's coding, and what sums of
squares must obey. With m columns of [X, y] and L levels, gram and cross are (m, m), `trace` (L,), `slope`
(L, m, m), `trace2` (L, L), `curve` (L, L, k, k). Cross-products, each `slope`, `trace2`, and `curve` laid out
as (L k, L k), and `ratio_own` (m - 1, m - 1; `pooling.coding`) are products of a matrix with itself
(`mixed_parts.Sums`), hence symmetric, nowhere negative.
"""

from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from analytics.errors import ParameterError
from analytics.pooling.coding import FIRST_SCHEMA, SCHEMA, Coding

LARGEST = 1e18  # no sum of squares of percents and months over any register comes near; assumed
LARGEST_COUNT = 10**9
SYMMETRIC = 1e-9
NEGATIVE = 1e-8

Number = Annotated[float, Field(ge=-LARGEST, le=LARGEST, allow_inf_nan=False)]
Above = Annotated[float, Field(gt=0, le=LARGEST, allow_inf_nan=False)]
NotBelow = Annotated[float, Field(ge=0, le=LARGEST, allow_inf_nan=False)]
Ratio = Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)]  # of a level's SD to the residual SD
Count = Annotated[int, Field(ge=1, le=LARGEST_COUNT)]
Text = Annotated[str, Field(min_length=1, max_length=200)]
Hash = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
Schema = Annotated[int, Field(ge=SCHEMA, le=SCHEMA)]
FirstSchema = Annotated[int, Field(ge=FIRST_SCHEMA, le=FIRST_SCHEMA)]  # not Literal[1], which True equals
Month = Annotated[int, Field(ge=0, le=600)]
Row = list[Number]
Matrix = list[Row]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class LocalStart(_Part):
    """A clinic's own spread and level, a start for the search."""

    ratio: Annotated[list[Ratio], Field(min_length=2, max_length=2)]
    sigma: Above
    n: Count
    level: Annotated[dict[str, Annotated[tuple[Number, Above], Field(strict=False)]], Field(min_length=1)]


class SurveySums(_Part):
    """Sums of the first round."""

    n: Count
    gram: Matrix
    z_squares: list[list[NotBelow]]
    n_groups: list[Count]
    log_weights: Number


class SurveyAnswer(SurveySums):
    """Sums of the first round and a start."""

    local: LocalStart | None


class SurveyTotal(SurveySums):
    """Totals of the first round and where the search starts."""

    start: list[NotBelow] | None


class CriterionSums(_Part):
    """Sums of a later round."""

    n: Count
    log_det: NotBelow  # of I plus something nowhere negative
    cross: Matrix
    trace: list[NotBelow]
    slope: list[Matrix]
    trace2: Matrix
    curve: list[list[Matrix]]
    ratio_own: Matrix
    ratio_common: Row


class SurveyAsked(_Part):
    """What the first round asks."""

    kind: Literal["survey"]


class CriterionAsked(_Part):
    """What a later round asks."""

    kind: Literal["criterion"]
    theta: Row
    probe: Matrix | None


class DoneAsked(_Part):
    """What the last round file says."""

    kind: Literal["done"]
    beta: Row
    beta_df: list[Above]


class ZoneCounted(_Part):
    """How many patients were counted in a zone, and between which months."""

    n_patients: Count
    from_month: Month
    to_month: Month


class SurveyStep(_Part):
    """The first round with its totals."""

    asked: SurveyAsked
    total: SurveyTotal
    n_patients: dict[str, Count]
    zones: dict[str, ZoneCounted]


class CriterionStep(_Part):
    """A later round with its totals."""

    asked: CriterionAsked
    total: CriterionSums
    n_patients: dict[str, Count]
    zones: dict[str, ZoneCounted]


class RoundFile(_Part):
    """A round file; its coding is checked by `pooling_coding.coding_from`."""

    schema_: Schema = Field(alias="schema")
    kind: Literal["round"]
    coding: dict
    coding_sha256: Hash
    number: Count
    asked: SurveyAsked | CriterionAsked | DoneAsked = Field(discriminator="kind")
    history: list[SurveyStep | CriterionStep]
    sha256: Hash


class AnswerFile(_Part):
    """An answer file."""

    schema_: Schema = Field(alias="schema")
    kind: Literal["answer"]
    coding_sha256: Hash
    round_sha256: Hash
    clinic: Text
    n_patients: Count
    zones: dict[str, ZoneCounted]
    sums: SurveyAnswer | CriterionSums
    sha256: Hash


class LedgerEntry(_Part):
    """What one answer or summary rested on."""

    kind: Literal["answer", "summary"]
    clinic: str
    coding_sha256: str
    round: Annotated[int, Field(ge=0, le=1000)]
    marks: dict[str, dict[str, str]]


class LedgerFile(_Part):
    """A clinic's ledger."""

    schema_: FirstSchema = Field(alias="schema")
    kind: Literal["ledger"]
    key: Hash
    answers: list[LedgerEntry]


class SummaryLine(_Part):
    """One estimate of a summary."""

    term: Text
    zone: Text
    estimate: Number
    se: Above
    n_patients: Count
    unit: Text


class SummaryFile(_Part):
    """A summary file."""

    schema_: FirstSchema = Field(alias="schema")
    kind: Literal["summary"]
    clinic: Text
    curve: Text
    estimates: list[SummaryLine]
    sha256: Hash


def checked_form(found: object, model: type[_Part], *, where: str, action: str) -> None:
    """Refuse a file with a part that is missing, unknown, or of the wrong kind.

    Raises
    ------
    ParameterError
        Names the file, its first wrong part and the rule; never a value.
    """
    try:
        model.model_validate(found)
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        part = ".".join(str(p) for p in first["loc"] if not str(p)[:1].isupper()) or "file"
        raise ParameterError(
            f"{where}, {part}: not of the agreed form ({first['msg'].lower()}); {action}"
        ) from None


def check_summary(found: object, *, where: str, action: str) -> None:
    """Refuse a summary that is not of the agreed form, names a measure twice, or gives an impossible one.

    Raises
    ------
    ParameterError
        With the part and the rule.
    """
    if not isinstance(found, dict):
        raise ParameterError(f"{where}: not a summary of this version; {action}")
    checked_form(found, SummaryFile, where=where, action=action)
    lines = found["estimates"]
    measures = [(line["term"], line["zone"]) for line in lines]
    rules = (
        (len(set(measures)) == len(measures), "a measure stands there twice"),
        (
            all(x["estimate"] > 0 for x in lines if x["unit"] == "ratio" or x["term"] == "half_month"),
            "a ratio or a half month is above 0",
        ),
        (
            all(0 <= x["estimate"] <= 100 for x in lines if x["term"].startswith("share past")),
            "a share lies from 0 to 100 %",
        ),
    )
    for holds, words in rules:
        if not holds:
            raise ParameterError(f"{where}, estimates: {words}; {action}")


def check_sums(sums: dict, coding: Coding, *, where: str, action: str, probe: list | None = None) -> None:
    """Refuse sums of the wrong size, and matrices of products that cannot be.

    Raises
    ------
    ParameterError
        With the part and the rule.
    """
    m, levels = len(coding.columns) + 1, n_levels(coding)
    k = m if probe is None else len(probe[0])
    sizes: dict[str, tuple[int, ...]] = (
        {"gram": (m, m), "n_groups": (levels,), "z_squares": (levels, 1)}
        if "gram" in sums
        else {
            "cross": (m, m),
            "trace": (levels,),
            "slope": (levels, m, m),
            "trace2": (levels, levels),
            "curve": (levels, levels, k, k),
            "ratio_own": (m - 1, m - 1),
            "ratio_common": (m - 1,),
        }
    )
    arrays = {
        name: _sized(sums[name], size, f"{where}, {name}", action=action) for name, size in sizes.items()
    }
    products: list[tuple[str, np.ndarray]] = [
        (name, arrays[name]) for name in ("gram", "cross", "trace2", "ratio_own") if name in arrays
    ]
    if "slope" in arrays:
        products += [("slope", one) for one in arrays["slope"]]
        products.append(("curve", arrays["curve"].transpose(0, 2, 1, 3).reshape(levels * k, levels * k)))
    for name, matrix in products:
        _refuse_impossible(matrix, f"{where}, {name}", action=action)
    if "gram" in sums:
        _refuse_groups(sums, where=where, action=action)


def check_local(local: dict | None, coding: Coding, *, where: str, action: str) -> None:
    """Refuse a start whose zones are not the study's."""
    if local is not None and not set(local["level"]) <= set(coding.zones):
        raise ParameterError(f"{where}, local: a zone that is not in this study; {action}")


def check_zones(zones: dict, gram: list, coding: Coding, *, where: str, action: str) -> None:
    """Refuse zones that are not those with readings: the squares of their indicators count them."""
    read = {zone for k, zone in enumerate(coding.zones) if gram[k][k] > 0}
    if set(zones) != read:
        raise ParameterError(f"{where}, zones: not those that the sums have readings of; {action}")


def check_history(round_file: dict, coding: Coding, *, where: str, action: str) -> None:
    """Refuse a round file whose number, rounds and sizes do not go together.

    Raises
    ------
    ParameterError
        With the part and the rule.
    """
    history, asked = round_file["history"], round_file["asked"]
    kinds = [step["asked"]["kind"] for step in history]
    rules = (
        (round_file["number"] == len(history) + 1, "number: rounds are numbered from 1, one after another"),
        (
            kinds == ["survey"] + ["criterion"] * (len(kinds) - 1) if kinds else True,
            "history: a survey, then sums",
        ),
        ((asked["kind"] == "survey") == (not history), "asked: the first round alone asks for the survey"),
        (len({step["total"]["n"] for step in history}) < 2, "history: every round has the same readings"),
        (
            all(set(step["n_patients"]) == set(coding.clinics) for step in history),
            "history: every round has each clinic's number of patients",
        ),
        (
            all(step[name] == history[0][name] for step in history for name in ("n_patients", "zones")),
            "history: every round has the same patients",
        ),
    )
    for holds, words in rules:
        if not holds:
            raise ParameterError(f"{where}, {words}; {action}")
    for i, step in enumerate(history, 1):
        place = f"{where}, round {i}"
        _check_asked(step["asked"], coding, where=place, action=action)
        check_sums(step["total"], coding, where=place, action=action, probe=step["asked"].get("probe"))
        if "gram" in step["total"]:
            check_zones(step["zones"], step["total"]["gram"], coding, where=place, action=action)
        start = step["total"].get("start")
        if start is not None:
            _sized(start, (n_levels(coding),), f"{place}, start", action=action)
    _check_asked(asked, coding, where=f"{where}, asked", action=action)


def n_levels(coding: Coding) -> int:
    """Return how many levels of intercepts the study's model has."""
    return 3 if coding.has_clinic_level else 2


def _check_asked(asked: dict, coding: Coding, *, where: str, action: str) -> None:
    m = len(coding.columns) + 1
    if asked["kind"] == "criterion":
        _sized(asked["theta"], (n_levels(coding),), f"{where}, theta", action=action)
        if asked["probe"] is not None:
            wide = len(asked["probe"][0]) if asked["probe"] else 0
            _sized(asked["probe"], (m, min(max(wide, 1), m)), f"{where}, probe", action=action)
    if asked["kind"] == "done":
        for name in ("beta", "beta_df"):
            _sized(asked[name], (m - 1,), f"{where}, {name}", action=action)


def _sized(value: list, size: tuple[int, ...], where: str, *, action: str) -> np.ndarray:
    try:
        array = np.array(value, dtype=float)
    except ValueError:
        array = np.zeros(0)
    if array.shape != size:
        raise ParameterError(
            f"{where}: not of the size that the study's columns and levels give "
            f"({' x '.join(map(str, size))}); {action}"
        )
    return array


def _refuse_impossible(matrix: np.ndarray, where: str, *, action: str) -> None:
    largest = float(np.abs(matrix).max())
    if not np.allclose(matrix, matrix.T, rtol=SYMMETRIC, atol=SYMMETRIC * largest):
        raise ParameterError(f"{where}: a matrix of cross-products is not symmetric; {action}")
    lowest = float(np.linalg.eigvalsh((matrix + matrix.T) / 2).min())
    if lowest < -NEGATIVE * max(largest, 1.0):
        raise ParameterError(f"{where}: a matrix of cross-products is impossible (negative); {action}")


def _refuse_groups(sums: dict, *, where: str, action: str) -> None:
    """Every level is an intercept: its squares add up to the readings, and no row is weighted."""
    n, groups = sums["n"], sums["n_groups"]
    if any(one != [n] for one in sums["z_squares"]) or sums["log_weights"] != 0:
        raise ParameterError(f"{where}, z_squares: intercepts add up to the number of readings; {action}")
    if groups != sorted(groups) or groups[-1] > n:
        raise ParameterError(
            f"{where}, n_groups: no more clinics than patients, patients than placements, placements than "
            f"readings; {action}"
        )
