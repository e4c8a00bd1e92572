"""Case mix as columns: what each session or placement had, coded for a regression.

A missing value is its own group of a word, and the mean of a number, so that no row is lost.
"""

import numpy as np
import pandas as pd

from analytics.errors import ParameterError
from analytics.records import Records


def with_case_mix(rows: pd.DataFrame, known: Records, names: tuple[str, ...]) -> pd.DataFrame:
    """Return the rows with the case-mix columns of their session and patient added where missing."""
    sessions = known.sessions.set_index("session_id")
    patients = known.patients.set_index("patient_id")
    out = rows.copy()
    for name in names:
        if name in out.columns:
            continue
        if name in sessions.columns:
            out[name] = out["session_id"].map(sessions[name])
        elif name in patients.columns:
            out[name] = out["patient_id"].map(patients[name])
        else:
            raise ParameterError(f"review, case mix: {name} is no column of sessions or patients")
    return out


def columns(rows: pd.DataFrame, names: tuple[str, ...]) -> tuple[np.ndarray, list[str]]:
    """Return a design with its constant: numbers centred, words as groups against their commonest.

    Groups that no row has, or all rows have, make no column.

    Returns
    -------
    tuple
        Design of shape (n, p) and the p column names.
    """
    parts, labels = [np.ones(len(rows))], ["constant"]
    for name in names:
        for label, values in _coded(rows[name], name):
            if np.ptp(values) > 0:
                parts.append(values)
                labels.append(label)
    design = np.column_stack(parts)
    kept = independent(design)
    return design[:, kept], [labels[i] for i in kept]


def _coded(values: pd.Series, name: str) -> list[tuple[str, np.ndarray]]:
    if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
        numbers = values.astype(float)
        if name == "session_number":
            return [("repeat session", (numbers > 1).to_numpy(dtype=float))]
        centred = numbers - numbers.mean()
        return [(name, centred.fillna(0.0).to_numpy(dtype=float))]
    words = values.astype("string").fillna("not recorded")
    commonest = words.value_counts().index[0]
    return [
        (f"{name}: {word}", words.eq(word).to_numpy(dtype=float))
        for word in sorted(words.unique())
        if word != commonest
    ]


def independent(design: np.ndarray) -> list[int]:
    """Return the columns that add something to those before them."""
    kept: list[int] = []
    for i in range(design.shape[1]):
        if np.linalg.matrix_rank(design[:, [*kept, i]]) > len(kept):
            kept.append(i)
    return kept
