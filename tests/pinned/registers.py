"""The registers that are pinned, and the settings each page is asked with on them.

`demo` is the invented clinic. `register_a` is the small practice the tests hold. `one_surgeon` is every third
patient of `register_a`, with all sessions by the same surgeon. `twelve` is every twentieth patient of the
demo: twelve patients. The last two are recipes: they are written into a folder when asked for.
"""

from pathlib import Path

import pandas as pd

from analytics.reports import parameters

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "data_demo"
REGISTER_A = ROOT / "tests" / "data" / "register_a"
NAMES = ("demo", "register_a", "one_surgeon", "twelve")
# The method checks read no records and the pooled page reads files of several clinics: once is enough.
ON_THE_DEMO_ALONE = ("06", "07")

_BESIDE_THE_DEMO = {
    "02": {"criteria": str(DEMO / "criteria.toml"), "action_log": str(DEMO / "actions.toml")},
    "03": {"plan": str(DEMO / "study_out_of_body.toml")},
    "04": dict(parameters.DEMO["04_case_course"]),
    "05": {name: str(value) for name, value in parameters.DEMO["05_session_plan"].items()},
}
# 0034 was operated on twice, in four zones, and reads behind in one of them; 0001 was counted in neither zone
# of the drafts. The demo's pages are asked with their own patients.
_PATIENTS = {
    "register_a": {"04": {"patient": "0034"}, "05": {"patient": "0034"}},
    "one_surgeon": {"04": {"patient": "0034"}, "05": {"patient": "0001"}},
    "twelve": {"04": {"patient": "0001"}, "05": {"patient": "0001"}},
}


def settings(register: str, page: str, folder: Path) -> dict[str, str]:
    """Return the settings with which a page is asked; `folder` takes the registers that are recipes."""
    number = page[:2]
    if number == "06":
        return {}
    if number == "07":
        return {"answers": str(DEMO / "pooling")}
    asked = {"data": str(_place(register, folder))}
    if number == "02":
        # A review of its own: what an earlier one remembered would move the signals that are new.
        asked["state"] = str(folder / f"{register}.state")
    return {**asked, **_BESIDE_THE_DEMO.get(number, {}), **_PATIENTS.get(register, {}).get(number, {})}


def pairs(pages: list[str]) -> list[tuple[str, str]]:
    """Return every register with every page that is pinned on it."""
    return [
        (register, page)
        for register in NAMES
        for page in pages
        if register == "demo" or page[:2] not in ON_THE_DEMO_ALONE
    ]


def is_long(register: str, page: str) -> bool:
    """Tell whether a page takes over ten seconds that no other test shares (those of the demo are shared)."""
    return register != "demo" and page[:2] in ("01", "02", "03", "04")


def _place(register: str, folder: Path) -> Path:
    if register == "demo":
        return DEMO
    if register == "register_a":
        return REGISTER_A
    place = folder / register
    if not place.exists():
        {"one_surgeon": _write_one_surgeon, "twelve": _write_twelve}[register](place)
    return place


def _tables(folder: Path) -> dict[str, pd.DataFrame]:
    """Return the tables of a folder as text, so that codes and numbers stay as they were written."""
    return {p.stem: pd.read_csv(p, dtype=str, keep_default_na=False) for p in sorted(folder.glob("*.csv"))}


def _write(place: Path, tables: dict[str, pd.DataFrame]) -> None:
    place.mkdir(parents=True)
    for name, table in tables.items():
        table.to_csv(place / f"{name}.csv", index=False)


def _write_one_surgeon(place: Path) -> None:
    tables = _every(3, _tables(REGISTER_A))
    _write(place, {**tables, "sessions": tables["sessions"].assign(surgeon_id="S1")})


def _write_twelve(place: Path) -> None:
    _write(place, _every(20, _tables(DEMO)))


def _every(step: int, tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Return the rows of every so many patients, by their codes in order."""
    patients = set(sorted(tables["patients"]["patient_id"])[::step])
    sessions = set(tables["sessions"].loc[tables["sessions"]["patient_id"].isin(patients), "session_id"])
    return {
        name: t[t["patient_id"].isin(patients) if "patient_id" in t else t["session_id"].isin(sessions)]
        for name, t in tables.items()
    }
