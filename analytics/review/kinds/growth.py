"""Criteria of growth: the mean yield of a group of zones, and the share of placements that truly grow poorly.

Rows are readings: one per placement, that nearest its zone's maturity, in the quarter in which it was made.
Means are those of `yields.average`. The same clock places a reading in the audit and on the chart; a declared
change, which acts at the operation, is therefore marked where its first readings can stand.

A low reading is more often counting error than poor growth. The distribution of plateaus on the emergence
fit separates the two: its share of placements whose true yield at maturity lies under the threshold, zone by
zone, weighted by the placements of each zone. It rests on everything known at the end of a quarter, so that
one quarter's share and the next one's rest mostly on the same placements: their difference is shown without
an interval. A single case is named as poor growth only when the upper limit of its reading lies under the
threshold: counting lower limits flags most of a healthy practice.
"""

from dataclasses import replace
from typing import Literal

import numpy as np
import pandas as pd
from pydantic import Field

from analytics import followup, regrowth, yields
from analytics.dictionary import MATURITY_MONTH
from analytics.errors import FitError
from analytics.records import once
from analytics.results import of_share
from analytics.review.declared import Zone
from analytics.review.kinds.kind import Criterion
from analytics.review.measures import NOTHING, Measured
from analytics.review.periods import LAST, THIS, YEAR, View, as_at, last_month
from analytics.review.units import exceptions

GROUP = "period"


class MeanYield(Criterion):
    """Mean yield at maturity in a group of zones."""

    measure: Literal["yield"]
    zones: tuple[Zone, ...] = Field(min_length=1)

    scale = "own unit"
    chart = "individuals"
    own_case_mix = ("zone",)
    counts_yes_or_no = False

    @property
    def counts_at(self) -> str:
        """The event that places one of them in a quarter: its clock."""
        return "the reading at maturity"

    @property
    def lag_months(self) -> int:
        """Months from an operation to its first reading at maturity."""
        return int(min(MATURITY_MONTH[zone] for zone in self.zones))

    @property
    def counted(self) -> str:
        """What one of the denominator is."""
        return "placements read"

    def count(self, view: View) -> pd.DataFrame:
        """Return one row per reading at maturity in these zones."""
        return _readings(view, self.zones)

    def of_groups(
        self, view: View, rows: pd.DataFrame, group: np.ndarray, *, level: float
    ) -> dict[str, Measured]:
        """Return the mean of each group, by one mixed model of one reading per placement."""
        counted = rows.assign(**{GROUP: group}).loc[rows["reason"].eq(""), ["placement_id", GROUP]]
        if counted.empty:
            return {}
        theirs = view.by_visit.merge(counted, on="placement_id", validate="many_to_one")
        try:
            table = yields.average(view.records, by=(GROUP,), rows=theirs, level=level).table()
        except FitError:
            return {}
        means = table[np.isfinite(table["estimate"])]
        return {str(row[GROUP]): _of_mean_yield(row) for _, row in means.iterrows()}

    def due_so_far(self, view: View) -> pd.DataFrame:
        """Return placements whose window of maturity has closed; seen: counted inside, and usable.

        Those who withdrew were due once and are among the absent; `state` says what became of each.
        """
        rows = followup.states(view.records, view.by_visit, until=last_month(view.quarter))
        code = rows["session_id"].map(exceptions(view.records, self.exceptions)).fillna("")
        due = rows["is_closed"] & rows["state"].ne(followup.SHARED)
        rows = rows[rows["zone"].isin(self.zones) & code.eq("") & due].reset_index(drop=True)
        value = rows["placement_id"].map(view.readings.groupby("placement_id")["yield_pct"].mean())
        wanted = ["patient_id", "session_id", "zone", "state"]
        return rows[wanted].assign(value=value, seen=value.notna())


class PoorGrowth(Criterion):
    """The share of placements whose true yield at maturity lies under a threshold, by the emergence model."""

    measure: Literal["poor_growth"]
    zones: tuple[Zone, ...] = Field(min_length=1)
    threshold_pct: float = Field(gt=0, lt=100)

    chart = "none"
    has_rows_of_its_own = False
    compares_operators = False
    watched = "readings"
    own_case_mix = ("zone",)
    counts_yes_or_no = False

    @property
    def counted(self) -> str:
        """What one of the denominator is."""
        return "placements followed so far"

    @property
    def counts_at(self) -> str:
        """The event that places one of them in a quarter: its clock."""
        return "everything followed so far"

    @property
    def poor_below_pct(self) -> float:
        """Reading below which a case is a poor one."""
        return self.threshold_pct

    def count(self, view: View) -> pd.DataFrame:
        """Return one row per reading at maturity in these zones."""
        return _readings(view, self.zones)

    def of_periods(self, view: View, rows: pd.DataFrame, *, level: float) -> dict[str, Measured]:
        """Return the model's share as known at the end of this quarter and of the last.

        The share of the last four quarters is that of this quarter: the model uses all placements followed
        so far.
        """
        now = self._modelled(view, level)
        last = NOTHING
        if view.quarter > 1:
            before = replace(view, records=as_at(view.records, view.quarter - 1), quarter=view.quarter - 1)
            last = self._modelled(before, level)
        return {THIS: now, LAST: last, YEAR: now}

    def over(self, view: View, rows: pd.DataFrame, quarters: int, *, level: float) -> Measured:
        """Return the model's share of all placements followed so far, however many quarters are asked for."""
        return self._modelled(view, level)

    def history(self, view: View, rows: pd.DataFrame, *, level: float) -> dict[int, Measured]:
        """Return nothing: each quarter's share would be a model of its own."""
        return {}

    def in_quarter(self, view: View, quarter: int, *, level: float) -> Measured:
        """Return nothing: the model's share is of all placements so far, not of one quarter's."""
        return NOTHING

    def difference(self, now: Measured, before: Measured, *, level: float) -> tuple[float, float, float]:
        """Return one share less the other, without limits: both rest mostly on the same placements."""
        return now.estimate - before.estimate, np.nan, np.nan

    def to_look_at(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Return the readings whose upper limit lies under the threshold, lowest first."""
        return rows[rows["upper"] < self.threshold_pct].sort_values("yield_pct")

    def _modelled(self, view: View, level: float) -> Measured:
        try:
            plateaus = once(view.records, "plateaus", (), lambda: regrowth.fit_plateaus(view.records))
        except FitError:
            return NOTHING
        fit = plateaus.fit
        zones = [z for z in self.zones if z in fit.zones]
        if not zones:
            return NOTHING
        found = regrowth.share_below(plateaus, zones, self.threshold_pct, level=level)
        patients, placed = plateaus.n_followed(zones)
        (low, high), _ = of_share(100 * found.ci_low, 100 * found.ci_high, patients)
        return Measured(
            100 * found.estimate,
            100 * found.se,
            found.df,
            low,
            high,
            patients,
            placed,
            np.nan,
            float(placed),
        )


def _readings(view: View, zones: tuple[str, ...]) -> pd.DataFrame:
    rows = view.readings[view.readings["zone"].isin(zones)]
    return rows.assign(part=rows["yield_pct"], whole=1.0, reason="")


def _of_mean_yield(row: pd.Series) -> Measured:
    df = float(row.get("df", np.nan))
    return Measured(
        float(row["estimate"]),
        float(row["se"]),
        df if np.isfinite(df) and df > 0 else max(float(row["n_patients"]) - 1.0, 1.0),
        float(row["ci_low"]),
        float(row["ci_high"]),
        int(row["n_patients"]),
        int(row["n_rows"]),
        np.nan,
        float(row["n_rows"]),
    )
