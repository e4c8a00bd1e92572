"""What left each clinic, file by file, in words."""

import numpy as np
import pandas as pd

from analytics.errors import ParameterError
from analytics.pooling_files import AnswerFile, RoundFile, SummaryFile, checked_form
from analytics.pooling_oneshot import folder_of
from analytics.pooling_rounds import read_round

FORMS: dict[str, type[SummaryFile | AnswerFile | RoundFile]] = {
    "summary": SummaryFile,
    "answer": AnswerFile,
    "round": RoundFile,
}
NOT_OURS = "neither a summary, an answer nor a round; keep only a study's own files in the folder"


def what_left(folder: str) -> pd.DataFrame:
    """Return one row a file: what it holds, how many numbers, least patients behind one."""
    rows = []
    for path in sorted(folder_of(folder).glob("*.json")):
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
