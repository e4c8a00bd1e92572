"""What must all clinics code alike before their sums may be added?

The study file (TOML) names it, its clinics, and the coding: zones, spline knots in months, case mix, native
change. Every clinic's rows become the same columns: an indicator a zone, a natural spline of month a zone,
case-mix columns. y is yield in percent of planted hairs (before month 6: gain), from the rows of
`yields.by_visit` that serve the curve. Levels: clinic intercept (where there are at least three clinics),
patient intercept, placement intercept.

An error that all of a clinic's readings share moves the pooled curve as a whole. A yield from a zone's
average planted density is divided by the mean ratio of region over zone, and that ratio has a standard
error (`yields.link`): one number for all such readings of a clinic, which does not shrink with their
number. It moves the readings by a known pattern c and the coefficients by A c, as in `yields.means`; A =
(X'H^-1 X)^-1 X'H^-1 at the fit reached. A clinic adds X'H^-1 c to its sums. Where it has its own ratio,
from double counts, its error is its own, and clinics' squares add up; where it has the stated one, the
error is one and the same for all of them, and they add up before they are squared.

c is y times the ratio's standard error times the share of the zone's readings that rest on an average: the
same share for every reading of a zone, so that no sum tells which patients have one.
"""

import hashlib
import json
import tomllib
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from analytics import dictionary, yields
from analytics.errors import ParameterError
from analytics.numerics import mixed
from analytics.numerics.mixed import MixedFit, Plan
from analytics.records import Records
from analytics.regrowth import natural_basis
from analytics.yields import MIN_BOTH

OWN, COMMON = "ratio_own", "ratio_common"


def patterns(rows: pd.DataFrame, y: pd.Series, records: Records) -> dict[str, pd.Series]:
    """Return what one standard error of the ratio does to each reading, the clinic's own or everybody's.

    Parameters
    ----------
    rows
        Rows of `yields.by_visit`.
    y
        Yield over the ratio, percent.
    """
    error = yields.planted_error(records)
    from_zone = rows["planted_source"].eq("zone")
    share = from_zone.groupby(rows["zone"]).transform("mean").astype(float)
    moved = y * share * error.zone_ratio_se / error.zone_ratio
    is_own = error.n_both >= MIN_BOTH
    return {OWN: moved * is_own, COMMON: moved * (not is_own)}


def sums(designs: dict[str, mixed.Design], theta: np.ndarray, form: Plan) -> dict[str, np.ndarray]:
    """Return a part's sums at theta: squares of its own shared error, (p, p), and the common one's, (p,).

    Parameters
    ----------
    designs
        The part's rows with the pattern OWN or COMMON in the place of y.
    theta, form
        As for `mixed.contributions`.
    """
    own, common = (_moved(designs[name], theta, form) for name in (OWN, COMMON))
    return {OWN: np.outer(own, own), COMMON: common}


def _moved(given: mixed.Design, theta: np.ndarray, form: Plan) -> np.ndarray:
    """Return X'H^-1 c in working columns. They hold y less a multiple of X, which is put back."""
    p = form.p
    found = mixed.contributions(theta, mixed.prepare(given, form), form, probe=np.zeros((form.m, 1)))
    shift = np.linalg.solve(form.basis[:p, :p], form.basis[:p, p])
    return found.cross[:p, p] - found.cross[:p, :p] @ shift


def covariance(fit: MixedFit, total: dict[str, np.ndarray]) -> np.ndarray:
    """Return what shared errors add to the covariance of the coefficients, (p, p).

    Parameters
    ----------
    fit
        The fit reached.
    total
        The parts' `sums` at its theta, added up.
    """
    p = fit.form.p
    common = np.asarray(total[COMMON], dtype=float)
    squares = np.asarray(total[OWN], dtype=float) + np.outer(common, common)
    takes = fit.form.basis[:p, :p] @ np.linalg.inv(fit.optimum.sums.cross[:p, :p])
    return fit.form.unit**2 * (takes @ squares @ takes.T)


SCHEMA = 2  # of rounds and answers
FIRST_SCHEMA = 1  # of summaries and ledgers, whose form is as it was
MIN_PATIENTS = 10
MIN_CELL = 5
MIN_CLINICS_FOR_A_LEVEL = 3
KNOTS = (1.0, 6.0, 10.0, 18.0)


class StudyFile(BaseModel):
    """The TOML file of a pooled study."""

    model_config = ConfigDict(extra="forbid")

    name: str
    clinics: list[str] = Field(min_length=2)
    zones: list[str] = Field(default=["hairline", "frontal", "midscalp", "crown", "temples"], min_length=1)
    knots: list[Annotated[float, Field(ge=0, le=600, allow_inf_nan=False)]] = Field(
        default=list(KNOTS), min_length=3
    )
    case_mix: list[str] = Field(default=[])
    native_change: str = "assumed"
    annual_loss_pct: float = Field(default=yields.ANNUAL_LOSS_PCT, ge=0, le=60)
    min_patients: int = Field(default=MIN_PATIENTS, ge=5)
    min_cell: int = Field(default=MIN_CELL, ge=3)


@dataclass(frozen=True, slots=True)
class Coding:
    """The agreed coding of a pooled study, in plain values."""

    name: str
    clinics: tuple[str, ...]
    zones: tuple[str, ...]
    knots: tuple[float, ...]
    case_mix: tuple[str, ...]
    native_change: str
    annual_loss_pct: float
    min_patients: int
    min_cell: int

    @property
    def columns(self) -> tuple[str, ...]:
        """Return the names of the columns of X, in order."""
        spline = [f"spline {j + 1}: {z}" for z in self.zones for j in range(len(self.knots) - 1)]
        return (*(f"level: {z}" for z in self.zones), *spline, *self.case_mix)

    @property
    def has_clinic_level(self) -> bool:
        """Return True where the clinics are enough for a clinic intercept."""
        return len(self.clinics) >= MIN_CLINICS_FOR_A_LEVEL

    @property
    def sha256(self) -> str:
        """Return the hash that every round and answer carries."""
        return digest(asdict(self))


def read_study(path: Path) -> Coding:
    """Read a study file.

    Parameters
    ----------
    path
        A TOML file, such as that in `data_demo/pooling`.

    Returns
    -------
    Coding
        Clinics, zones, knots, case mix and least numbers, as every clinic codes its rows.

    Raises
    ------
    ParameterError
        When the file cannot be read, or breaks its rules.

    Examples
    --------
    >>> read_study(Path("data_demo/pooling/study.toml")).zones
    ('hairline', 'frontal', 'crown')
    """
    try:
        raw = tomllib.loads(Path(path).read_text(encoding="utf-8"))
        study = StudyFile(**raw)
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ParameterError(
            f"pool study file: cannot be read as TOML ({type(error).__name__}); check the path and the file"
        ) from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "file"
        raise ParameterError(
            f"pool study file, {where}: {first['msg'].lower()}; see the example in data_demo/pooling"
        ) from error
    return _coding(study, where="pool study file, ", action="see the example in data_demo/pooling")


def usable_rows(records: Records, coding: Coding) -> pd.DataFrame:
    """Return the rows of `yields.by_visit` that enter the sums: curve readings of the study's zones."""
    choices = yields.Choices(coding.native_change, coding.annual_loss_pct)
    visits = yields.by_visit(records, choices=choices)
    rows = visits[visits["for_curve"] & ~visits["is_baseline"] & visits["yield_pct"].notna()]
    return rows[rows["zone"].isin(coding.zones)]


def design_rows(records: Records, coding: Coding) -> pd.DataFrame:
    """Return one row a usable reading: patient, placement, zone, month, y, its shared errors, case mix."""
    rows = usable_rows(records, coding)
    y = rows["yield_pct"].astype(float) / rows["planted_ratio"].astype(float)
    frame = pd.DataFrame(
        {
            "patient": rows["patient_id"].astype(str),
            "placement": rows["placement_id"].astype(str),
            "zone": rows["zone"].astype(str),
            "month": rows["month"].astype(float),
            "y": y,
            **patterns(rows, y, records),
        }
    )
    for name in coding.case_mix:
        frame[name] = _mix(rows, records, name)
    return frame.sort_values(["patient", "placement", "month"]).reset_index(drop=True)


def counted(frame: pd.DataFrame, coding: Coding) -> dict[str, dict[str, int]]:
    """Return by zone how many patients were counted, and in which whole months `min_cell` of them were."""
    found = {}
    for zone, own in frame.groupby("zone"):
        months = own.groupby("patient")["month"]
        at = min(coding.min_cell, months.ngroups) - 1
        first, last = np.sort(months.min())[at], np.sort(months.max())[::-1][at]
        found[str(zone)] = {
            "n_patients": int(months.ngroups),
            "from_month": int(np.ceil(first)),
            "to_month": int(np.floor(max(last, np.ceil(first)))),
        }
    return found


def matrix(frame: pd.DataFrame, coding: Coding) -> np.ndarray:
    """Return X, (n, p), by the agreed coding."""
    zone = np.stack([frame["zone"].eq(z).to_numpy(dtype=float) for z in coding.zones], axis=1)
    basis = natural_basis(frame["month"].to_numpy(dtype=float), np.array(coding.knots))
    spline = [zone[:, [k]] * basis for k in range(len(coding.zones))]
    mix = frame[list(coding.case_mix)].to_numpy(dtype=float).reshape(len(frame), len(coding.case_mix))
    return np.hstack([zone, *spline, mix])


def part_design(frame: pd.DataFrame, coding: Coding, clinic: str, *, of: str = "y") -> mixed.Design:
    """Return the rows of one clinic or partition as a part of the mixed model, with a column as its y."""
    one = np.ones((len(frame), 1))
    patient = np.array([f"{clinic}|{p}" for p in frame["patient"]])
    placement = np.array([f"{clinic}|{p}" for p in frame["placement"]])
    levels = [(patient, one), (placement, one)]
    if coding.has_clinic_level:
        levels = [(np.full(len(frame), clinic), one), *levels]
    return mixed.design(frame[of].to_numpy(dtype=float), matrix(frame, coding), levels, where="pooling")


def shared_designs(frame: pd.DataFrame, coding: Coding, clinic: str) -> dict[str, mixed.Design]:
    """Return the same rows with what the shared errors do to them in the place of y."""
    names = (OWN, COMMON)
    return {name: part_design(frame, coding, clinic, of=name) for name in names}


def digest(content: object) -> str:
    """Return the SHA-256 of plain content in one fixed form."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def digest_or_none(content: object) -> str | None:
    """Return the digest, or None where the content is not plain (NaN, other objects)."""
    try:
        return digest(content)
    except (TypeError, ValueError):
        return None


def _coding(study: StudyFile, *, where: str, action: str) -> Coding:
    unknown = [z for z in study.zones if z not in dictionary.ZONES]
    rules = (
        (not unknown, f"zones: unknown; use some of {', '.join(dictionary.ZONES)}"),
        (len(set(study.clinics)) == len(study.clinics), "clinics: a code is named twice"),
        (
            all(a < b for a, b in zip(study.knots, study.knots[1:], strict=False)),
            "knots: must rise, in months",
        ),
        (study.native_change in ("none", "assumed"), "native_change: use none or assumed"),
    )
    for holds, words in rules:
        if not holds:
            raise ParameterError(f"{where}{words}; {action}")
    return Coding(
        study.name,
        tuple(study.clinics),
        tuple(study.zones),
        tuple(float(k) for k in study.knots),
        tuple(study.case_mix),
        study.native_change,
        float(study.annual_loss_pct),
        study.min_patients,
        study.min_cell,
    )


def coding_from(plain: dict) -> Coding:
    """Return the coding of a round file.

    Raises
    ------
    ParameterError
        When a part of it is missing, unknown or against the rules of a study file.
    """
    missing = [name for name in StudyFile.model_fields if name not in plain]
    if missing:
        raise ParameterError(
            f"pool round file, coding.{missing[0]}: missing; ask the study's office for the file again"
        )
    try:
        study = StudyFile.model_validate(plain, strict=True)
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        part = ".".join(str(p) for p in first["loc"]) or "file"
        raise ParameterError(
            f"pool round file, coding.{part}: {first['msg'].lower()}; ask the study's office for the file "
            "again"
        ) from None
    return _coding(
        study, where="pool round file, coding.", action="ask the study's office for the file again"
    )


def _mix(rows: pd.DataFrame, records: Records, name: str) -> np.ndarray:
    source = (
        rows[name]
        if name in rows
        else rows["patient_id"].map(
            records.patients.set_index("patient_id").get(name, pd.Series(dtype=float))
        )
    )
    values = pd.to_numeric(source.astype("Float64"), errors="coerce")
    if values.isna().all():
        raise ParameterError(
            f"pool answer: no values for the agreed case-mix column {name}; fill it, or leave it out of "
            "the study"
        )
    return values.fillna(values.mean()).to_numpy(dtype=float)
