"""The set analysed: one row per planted zone with its yield, what is known of it, and why it is left out.

Plain types (text, float, whole numbers, True and False as 1 and 0), so that any library reads it.
"""

import html
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analytics import study, yields
from analytics.dictionary import TABLES, Column
from analytics.errors import ParameterError
from analytics.files import file
from analytics.records import Records

# What a unit has beside the columns of the dictionary.
MADE = {
    "yield_pct": ("number", "% of planted hairs", "yield of the reading nearest to the month asked for"),
    "yield_variance": ("number", "squared % of planted hairs", "its sampling variance, taken as known"),
    "reading_month": ("number", "months", "month of that reading since the session"),
    "early_yield_pct": ("number", "% of planted hairs", "the last yield before the zone was mature"),
    "planted_hairs_cm2": ("number", "hairs/cm2", "planted density: counted in the region, else the zone's"),
    "maturity_month": ("number", "months", "month at which the zone is mature"),
    "on_therapy": ("word", "", "whether medical therapy was under way in the month of the session"),
    "is_due": ("yes or no", "", "whether the month asked for was reached by the end of the register"),
    "reason": ("word", "", "why the unit is not analysed; empty where it is"),
}
FIRST = ("patient_id", "session_id", "placement_id", "zone", *MADE)
SHOWN_ROWS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Units:
    """One row per planted zone: `frame`; `plan` names the study whose set it is, empty for everyone.

    `own` are the columns that the clinic declares in `variables.toml`.

    Examples
    --------
    >>> from analytics import simulate
    >>> made = units(simulate.as_records(simulate.register(40)[0]))
    >>> made.codebook().columns.tolist()
    ['column', 'type', 'unit', 'meaning', 'n_missing']
    >>> len(made.frame) - int(made.frame["reason"].eq("").sum()) == int(made.left_out()["n_rows"].sum())
    True
    """

    frame: pd.DataFrame
    plan: str = ""
    own: tuple[Column, ...] = ()

    @property
    def analysed(self) -> pd.DataFrame:
        """The rows with a usable outcome."""
        return self.frame[self.frame["reason"].eq("")].reset_index(drop=True)

    def codebook(self) -> pd.DataFrame:
        """Return one row per column: column, type, unit, meaning, and how many rows lack it.

        Returns
        -------
        pandas.DataFrame
            One row per column of `frame`.
        """
        own = {c.name: (c.kind, c.unit, c.meaning) for c in self.own}
        rows = [
            (name, *own.get(name, described(name)), int(self.frame[name].isna().sum()))
            for name in self.frame.columns
        ]
        return pd.DataFrame(rows, columns=["column", "type", "unit", "meaning", "n_missing"])

    def left_out(self) -> pd.DataFrame:
        """Return how many rows are left out, by reason.

        Returns
        -------
        pandas.DataFrame
            reason in words, and how many rows it keeps out.
        """
        why = self.frame.loc[self.frame["reason"].ne(""), "reason"]
        return why.value_counts().rename_axis("reason").reset_index(name="n_rows")

    def to_csv(self, path: str | Path) -> Path:
        """Write the rows as CSV, with the codebook beside it, and return the path.

        Parameters
        ----------
        path
            Of the CSV file; the codebook is put beside it.

        Returns
        -------
        Path
            Of the CSV file.

        Raises
        ------
        ParameterError
            When a file of somebody else is in the place.
        """
        place = Path(path)
        file(place.with_name(f"{place.stem}_codebook.csv"), self.codebook().to_csv(index=False), by="bench")
        return file(place, self.frame.to_csv(index=False), by="bench")

    def to_parquet(self, path: str | Path) -> Path:
        """Write the rows as one Parquet file and return the path.

        Parameters
        ----------
        path
            Of the Parquet file.

        Returns
        -------
        Path
            Of the file.

        Raises
        ------
        ParameterError
            When a file of somebody else is in the place.
        """
        return file(Path(path), self.frame.to_parquet(index=False), by="bench")

    def __repr__(self) -> str:
        whose = f" of the plan {self.plan}" if self.plan else ""
        return f"Units{whose}: {len(self.frame)} planted zones, {len(self.analysed)} analysed"

    def _repr_html_(self) -> str:
        head = self.frame[[c for c in FIRST if c in self.frame]].head(SHOWN_ROWS)
        return f"<p>{html.escape(repr(self))}</p>{head.to_html(index=False, na_rep='')}"


def units(
    records: Records,
    plan: "study.Plan | None" = None,
    *,
    choices: yields.Choices = yields.USUAL,
    month: float | None = None,
    late_months: float = 6.0,
) -> Units:
    """Return one row per planted zone with its yield, its known variance, all variables, and reasons.

    Parameters
    ----------
    plan
        A study plan: its population, its reading, its primary analysis; then choices and months are the
        plan's.
    month
        Month since the session; by default the maturity month of each zone.
    late_months
        How far past it a reading may lie.

    Returns
    -------
    Units
        `frame` of n rows, one per planted zone; yields in percent of planted hairs.

    Raises
    ------
    FitError
        When no reading is usable.

    Examples
    --------
    >>> from analytics import records, simulate
    >>> made = units(simulate.as_records(simulate.register(20)[0]))
    >>> {"yield_pct", "zone", "smoker", "reason"} <= set(made.frame.columns)
    True
    """
    own = tuple(column for columns in records.own.values() for column in columns)
    if plan is not None:
        given = study.sample(records, plan, plan.primary).units.rename(columns={"x": "compared"})
        return Units(_plain(given), plan.title, own)
    if late_months < 0:
        raise ParameterError("units(late_months): a number of months from 0 on; correct it")
    reading = study.Reading(choices, late_months, month)
    return Units(_plain(study.of_everyone(records, reading=reading).drop(columns="x")), own=own)


def described(name: str) -> tuple[str, str, str]:
    """Return type, unit and meaning of a column of the set; empty where it is the clinic's own."""
    known = {c.name: (c.kind, c.unit, c.meaning) for t in reversed(TABLES.values()) for c in t.columns}
    return {**known, **MADE}.get(name, ("", "", ""))


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Return columns of plain types under plain names, the usual ones first."""
    named = frame.rename(
        columns={
            "y": "yield_pct",
            "variance": "yield_variance",
            "month": "reading_month",
            "early": "early_yield_pct",
        }
    ).drop(columns="unit_id")
    order = [*(c for c in FIRST if c in named), *(c for c in named if c not in FIRST)]
    out = {}
    for name in order:
        column = named[name]
        if pd.api.types.is_bool_dtype(column):
            out[name] = column.astype("Float64").to_numpy(dtype=float, na_value=np.nan)
        elif pd.api.types.is_numeric_dtype(column):
            out[name] = pd.to_numeric(column).to_numpy()
        else:
            out[name] = column.astype(object).where(column.notna(), None)
    return pd.DataFrame(out).reset_index(drop=True)
