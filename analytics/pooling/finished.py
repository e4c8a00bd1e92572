"""What does a finished study say: the pooled curve by zone; and what was in the files that were exchanged?

`combined` and `curve_of` are the questions of page 07, which fail alone.
"""

from pathlib import Path

import numpy as np
import pandas as pd

from analytics import dictionary
from analytics.errors import ParameterError
from analytics.pooling.checks import checked_round
from analytics.pooling.coding import Coding, matrix
from analytics.pooling.files import AnswerFile, RoundFile, SummaryFile, checked_form
from analytics.pooling.rounds import pooled, read_round, shared_covariance
from analytics.pooling.summary import combine, is_kind, read_folder
from analytics.results import LEVEL, Curve, Result, limits, line

FORMS: dict[str, type[SummaryFile | AnswerFile | RoundFile]] = {
    "summary": SummaryFile,
    "answer": AnswerFile,
    "round": RoundFile,
}
NOT_OURS = "neither a summary, an answer nor a round; keep only a study's own files in the folder"


def curve(round_file: dict, *, level: float = LEVEL, step: float = 0.5) -> Curve:
    """Return the pooled mean yield by month and zone with its band, from a finished study's last round file.

    Parameters
    ----------
    round_file
        Of `finished`.
    step
        Months from one point of the curve to the next, above 0.

    Returns
    -------
    Curve
        By zone: the mean at the zone's maturity in `estimates`, or flagged at the last month counted before
        it; the curve in `path`, between the months that were counted; spreads between clinics, patients and
        placements in `extra`. Patients are those counted in the zone.

    Examples
    --------
    The demo's finished round of six invented clinics:

    >>> from pathlib import Path
    >>> curve(finished(Path("data_demo/pooling"))).by
    ('zone',)
    """
    coding = checked_round(round_file)
    fit = pooled(round_file)
    cov = fit.beta_cov + shared_covariance(round_file)
    seen = round_file["history"][-1]["zones"]
    paths, ends = [], []
    for zone in (z for z in coding.zones if z in seen):
        last = min(coding.knots[-1], seen[zone]["to_month"])
        months = np.arange(min(max(coding.knots[0], seen[zone]["from_month"]), last), last + step / 2, step)
        maturity = float(dictionary.MATURITY_MONTH[zone])
        at = min(maturity, last)
        flag = "" if at == maturity else f"not counted up to maturity, month {maturity:g}"
        paths.append(_curve_of(fit.beta, cov, coding, zone, months, level))
        end = _curve_of(fit.beta, cov, coding, zone, np.array([at]), level)
        ends.append(end.assign(n_patients=seen[zone]["n_patients"], flag=flag))
    at_maturity, path = (pd.concat(parts, ignore_index=True) for parts in (ends, paths))
    names = [*(["clinic"] if coding.has_clinic_level else []), "patient", "placement"]
    spread = pd.DataFrame(
        {"level": [*names, "reading"], "sd": [*(float(np.sqrt(c[0, 0])) for c in fit.covariances), fit.sigma]}
    )
    method = (
        f"mixed model over {len(coding.clinics)} clinics from sums alone, {len(round_file['history'])} "
        "exchanges, REML; natural spline of month by zone, "
        "intercepts by clinic, patient and placement; errors of ratios of region over zone in the band"
    )
    used = pd.DataFrame({"clinic": list(coding.clinics), "reason": ""})
    return Curve(
        at_maturity, used, method, ("zone",), dict(fit.checks), "curve", path=path, extra={"spread": spread}
    )


def curve_of(_: object, folder: Path | str) -> Curve:
    """Return the pooled curve of the finished round in a folder: a question about no records.

    Parameters
    ----------
    folder
        Of round files, one of them finished.

    Returns
    -------
    Curve
        Of `curve`.

    Examples
    --------
    >>> from analytics import pooling
    >>> pooling.curve_of(None, "data_demo/pooling").by
    ('zone',)
    """
    return curve(finished(Path(folder)))


def combined(_: object, folder: Path | str) -> Result:
    """Return the pooled answers of the summaries in a folder: a question about no records.

    Parameters
    ----------
    folder
        Of summaries (`summary`).

    Returns
    -------
    Result
        Of `combine`.

    Examples
    --------
    >>> combined(None, "data_demo/pooling").by
    ('measure',)
    """
    return combine(read_folder(Path(folder)))


def finished(folder: Path) -> dict:
    """Return the finished round of a folder, whatever its file is called.

    Parameters
    ----------
    folder
        Of round files.

    Returns
    -------
    dict
        The round file.

    Raises
    ------
    ParameterError
        When the folder holds none, or those of two studies.

    Examples
    --------
    Shown with `curve`.
    """
    rounds = [read_round(path) for path in sorted(Path(folder).glob("*.json")) if is_kind(path, "round")]
    asked = [one.get("asked") for one in rounds]
    done = [r for r, a in zip(rounds, asked, strict=True) if isinstance(a, dict) and a.get("kind") == "done"]
    if not done:
        raise ParameterError(
            "pool: the folder holds no finished round; the study's office makes it: regrowth pool next"
        )
    if len({one.get("coding_sha256") for one in done}) > 1:
        raise ParameterError("pool: the folder holds finished rounds of two studies; keep one study a folder")
    return done[-1]


def _curve_of(
    beta: np.ndarray, cov: np.ndarray, coding: Coding, zone: str, months: np.ndarray, level: float
) -> pd.DataFrame:
    flat = {name: np.zeros(len(months)) for name in coding.case_mix}
    x = matrix(pd.DataFrame({"zone": zone, "month": months, **flat}), coding)
    mean, se = x @ beta, np.sqrt(np.einsum("ij,jk,ik->i", x, cov, x))
    of = {"zone": zone}
    ci = limits(mean, se, level=level)
    return pd.DataFrame(line("yield", mean, "%", by=of, x=months, se=se, ci=ci, level=level, basis="model"))


def what_left(folder: Path) -> pd.DataFrame:
    """Return one row a file: what it holds, how many numbers, least patients behind one.

    Parameters
    ----------
    folder
        Of files that a clinic sent.

    Returns
    -------
    pandas.DataFrame
        One row a file: file, kind, and what it holds.

    Raises
    ------
    ParameterError
        When a file is none of ours, or broken.

    Examples
    --------
    >>> sorted(set(what_left(Path("data_demo/pooling"))["kind"]))
    ['round', 'summary']
    """
    rows = []
    for path in sorted(Path(folder).glob("*.json")):
        found = read_round(path)
        kind = str(found.get("kind", "unknown")) if isinstance(found, dict) else "unknown"
        if kind not in FORMS:
            raise ParameterError(f"pool file {path.name}: {NOT_OURS}")
        checked_form(found, FORMS[kind], where=f"pool file {path.name}", action="use the file as received")
        rows.append({"file": path.name, "kind": kind, **_contents(kind, found)})
    return pd.DataFrame(rows)


def _contents(kind: str, found: dict) -> dict:
    if kind == "summary":
        lines = found["estimates"]
        least = min((line["n_patients"] for line in lines), default=0)
        return {
            "holds": "estimates, standard errors, numbers of patients",
            "numbers": 3 * len(lines),
            "least_patients": least,
        }
    if kind == "answer":
        numbers = sum(
            np.size(np.array(v, dtype=float))
            for k, v in found["sums"].items()
            if k not in ("local", "z_squares")
        )
        return {
            "holds": "sums over all patients of the clinic",
            "numbers": numbers,
            "least_patients": found["n_patients"],
        }
    totals = found.get("history", [])
    least = min(totals[-1]["n_patients"].values()) if totals else 0
    return {
        "holds": "totals over all clinics of every round",
        "numbers": len(totals),
        "least_patients": least,
    }
