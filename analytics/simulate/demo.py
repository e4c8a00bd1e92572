"""The demo: one invented practice over twelve quarters, with every awkward case on purpose.

The seed was fixed before any estimate from the demo was seen, and stays. What `register` draws by chance
is in `DEMO_TRUTH`; what is then made awkward by rule is in the private functions below, one for each case.
"""

from pathlib import Path

import numpy as np
import pandas as pd

from analytics import files
from analytics.simulate.register import Latent, as_handed_in, register
from analytics.simulate.truth import Truth, markdown

SEED = 20240601
N_PATIENTS = 240
MONTHS = 36
DEMO_TRUTH = Truth(
    low_volume_cases=3, split_scalp=0.04, other_device=0.02, device_repeats=0.01, failed_growth=2
)
WRITER = "demo"
SETTINGS_BEGIN = "<!-- settings: made by analytics.simulate.demo.write_demo, do not edit -->"
SETTINGS_END = "<!-- end of settings -->"

Tables = dict[str, pd.DataFrame]


def demo() -> tuple[Tables, Latent]:
    """Return the tables of the demo and the truth behind them.

    Examples
    --------
    >>> tables, latent = demo()
    >>> len(tables["patients"]), int((tables["sessions"]["surgeon_id"] == "S4").sum())
    (240, 3)
    """
    tables, latent = register(N_PATIENTS, truth=DEMO_TRUTH, seed=SEED, months=MONTHS)
    for awkward in (
        _marks_lost,
        _fields_changed,
        _only_totals_known,
        _covariates_missing,
        _donor_measured_later,
        _transection_not_counted,
        _operated_again,
    ):
        tables = awkward(tables)
    return {name: as_handed_in(name, table) for name, table in tables.items()}, latent


def write_demo(folder: str | Path) -> list[Path]:
    """Write the demo's tables as CSV files into a folder and return their paths.

    Parameters
    ----------
    folder
        An existing folder. The section of settings of a README.md that has one is replaced; a table that is
        there and says something else is not: move it away first.

    Returns
    -------
    list of Path
        One file per table.

    Raises
    ------
    ParameterError
        When a file of the same name says something else; no table is written then.

    Examples
    --------
    >>> from tempfile import mkdtemp
    >>> from analytics import simulate
    >>> sorted(path.stem for path in simulate.write_demo(mkdtemp()))[:3]
    ['events', 'measurements', 'patients']
    """
    tables, _ = demo()
    texts = {Path(folder) / f"{name}.csv": as_csv(table).encode() for name, table in tables.items()}
    for path, text in texts.items():
        files.refuse_file(path, by=WRITER, becomes=text)
    paths = [files.put_file(path, text, by=WRITER) for path, text in texts.items()]
    page = Path(folder) / "README.md"
    if page.is_file() and not page.is_symlink() and SETTINGS_BEGIN.encode() in page.read_bytes():
        files.write(page, with_settings(page.read_text(encoding="utf-8")))
    return paths


def with_settings(page: str) -> str:
    """Return a page with the settings of the demo between its two marks, unchanged where it has none."""
    before, begin, rest = page.partition(SETTINGS_BEGIN)
    _, end, after = rest.partition(SETTINGS_END)
    if not begin or not end:
        return page
    return f"{before}{begin}\n{markdown(DEMO_TRUTH)}{end}{after}"


def as_csv(table: pd.DataFrame) -> str:
    """Return a table as CSV text: whole numbers without a point, True and False, nothing for missing.

    Examples
    --------
    >>> print(as_csv(pd.DataFrame({"a": [1.0, np.nan], "b": [0.5, 2.0], "c": [True, False]})), end="")
    a,b,c
    1,0.5,True
    ,2.0,False
    """
    out = table.copy()
    for name in out.columns:
        column = out[name]
        if pd.api.types.is_float_dtype(column) and (column.dropna() % 1 == 0).all():
            out[name] = column.astype("Int64")
    return out.to_csv(index=False, lineterminator="\n")


def _marks_lost(tables: Tables) -> Tables:
    """Mark three regions anew in mid-series: the place is another one, and has no baseline."""
    counts = tables["measurements"].copy()
    planted = counts[(counts["region_kind"] == "planted") & counts["roi_marked"]]
    series = planted.groupby(["patient_id", "session_id", "region_id"])["month"].agg(["size", "min", "max"])
    long = series[(series["size"] >= 4) & (series["min"] <= 0) & (series["max"] > 11)].iloc[10::25].head(3)
    for patient, session, region in long.index:
        here = (counts["patient_id"] == patient) & (counts["region_id"] == region)
        here &= (counts["session_id"] == session) & (counts["month"] > 7)
        counts.loc[here, "region_id"] = f"{region}-b"
    return {**tables, "measurements": counts}


def _fields_changed(tables: Tables) -> Tables:
    """Count two unmarked regions in smaller fields from some month on."""
    counts = tables["measurements"].copy()
    planted = counts[(counts["region_kind"] == "planted") & ~counts["roi_marked"]]
    series = planted.groupby(["patient_id", "session_id", "region_id"])["month"].agg(["size", "max"])
    for patient, session, region in (
        series[(series["size"] >= 4) & (series["max"] > 8)].iloc[5::20].head(2).index
    ):
        here = (counts["patient_id"] == patient) & (counts["region_id"] == region)
        here &= (counts["session_id"] == session) & (counts["month"] > 4)
        area = 0.65 * counts.loc[here, "n_fields"]
        hairs = np.round(counts.loc[here, "density_hairs_cm2"] * area)
        counts.loc[here, "roi_area_cm2"] = 0.65
        counts.loc[here, "density_hairs_cm2"] = (hairs / area).round(1)
    return {**tables, "measurements": counts}


def _only_totals_known(tables: Tables) -> Tables:
    """Leave some placements with grafts and hairs but no sizes."""
    placements = tables["placements"].copy()
    sizes = [f"grafts_{k}" for k in (1, 2, 3, 4)]
    some = placements.index[20::70]
    hairs = placements[sizes].to_numpy() @ np.array([1, 2, 3, 4])
    placements["hairs"] = pd.Series(hairs[some], index=some, dtype=float)
    placements["grafts"] = placements["grafts"].astype(float).where(placements.index.isin(some))
    placements[sizes] = placements[sizes].astype(float)
    placements.loc[some, sizes] = np.nan
    return {**tables, "placements": placements}


def _covariates_missing(tables: Tables) -> Tables:
    patients = tables["patients"].copy()
    patients["smoker"] = patients["smoker"].astype("boolean")
    patients.loc[patients.index[30::80], "smoker"] = pd.NA
    patients.loc[patients.index[50::90], "loss_class"] = None
    patients.loc[patients.index[17::120], "hair_calibre_um"] = np.nan
    patients.loc[patients.index[17::120], "calibre_method"] = None
    return {**tables, "patients": patients}


def _donor_measured_later(tables: Tables) -> Tables:
    """Measure three people's donor zone only before their second session."""
    sessions, patients = tables["sessions"], tables["patients"]
    twice = sessions.loc[sessions["session_number"] == 2, "patient_id"].iloc[4::15].head(3)
    measured = np.where(patients["patient_id"].isin(twice), 2, 1)
    return {**tables, "patients": patients.assign(donor_measured_before_session=measured)}


def _transection_not_counted(tables: Tables) -> Tables:
    sessions = tables["sessions"].copy()
    sessions["grafts_transected"] = sessions["grafts_transected"].astype(float)
    sessions.loc[sessions.index[12::60], "grafts_transected"] = np.nan
    return {**tables, "sessions": sessions}


def _operated_again(tables: Tables) -> Tables:
    """Add one correction of a scar, recorded as an event of the first session."""
    first = tables["sessions"].query("method == 'FUT' and session_number == 1").iloc[3]
    again = {
        "session_id": first["session_id"],
        "kind": "reoperation",
        "month": 9.0,
        "severity": "moderate",
        "temporary": False,
        "resolved_month": np.nan,
    }
    events = pd.concat([tables["events"], pd.DataFrame([again])], ignore_index=True)
    events = events.sort_values(["session_id", "month", "kind"], ignore_index=True)
    return {**tables, "events": events}
