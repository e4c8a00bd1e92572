"""What was counted on one patient's own head, and nothing else: for a page that the patient takes home.

It is given that patient's records alone (`records.subset`), so that no number of anybody else can be in it.
"""

import pandas as pd

from analytics import yields
from analytics.records import Records

COUNTED = ["zone", "session_number", "month", "density", "before"]


def own_counts(records: Records, *, patient_id: str) -> pd.DataFrame:
    """Return the usable counts of one patient in planted zones, on the clock of each zone's latest session.

    Parameters
    ----------
    records
        The records of that patient, or of more.

    Returns
    -------
    pandas.DataFrame
        One row per zone and month: `density` (hairs/cm2, the mean where a zone has several regions) and
        `before`, the density before the session. Counts of failed photographs are not among them.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> own_counts(clinic, patient_id=clinic.patients["patient_id"].iloc[0]).columns.tolist()
    ['zone', 'session_number', 'month', 'density', 'before']
    """
    rows = yields.by_visit(records)
    rows = rows[rows["patient_id"].eq(patient_id) & rows["for_curve"] & ~rows["is_baseline"].astype(bool)]
    latest = rows.groupby("zone")["session_number"].transform("max")
    rows = rows[rows["session_number"].eq(latest) & rows["month"].gt(0)]
    means = rows.groupby(["zone", "session_number", "month"], as_index=False).agg(
        density=("density", "mean"), before=("baseline_density", "mean")
    )
    return pd.DataFrame(means, columns=COUNTED)
