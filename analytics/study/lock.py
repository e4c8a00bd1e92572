"""A register of the same shape with invented outcomes, so that a plan can be finished before looking.

Patients, sessions, placements, visits, regions, months and readers stay as they are; every density after and
before is drawn anew from the invented clinic's curve (`records.simulate_truth`), complications are dealt to
other sessions that were asked, and answers are exchanged. What is compared has no effect by construction.

Was the plan fixed before the outcomes were looked at, and has it been changed since?

Freezing writes a small file beside the plan: the hash of what the plan says, its content, the time, the size
of the register, and the reports already made on the same data. The first freeze stays the reference. A
later change does not stop a study; it makes it *changed after freezing: exploratory*, and says which entries
were changed. A file can be forged or made late: it binds those who want to be bound, and says so.
"""

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analytics.dictionary import TABLES
from analytics.errors import ParameterError
from analytics.files import file
from analytics.records import Records
from analytics.simulate import Truth, emerged
from analytics.study.plan import Plan, digest, read
from analytics.yields import ANNUAL_LOSS_PCT

ENDING = ".frozen.json"
RUN_FILE = "run.json"
# A report has seen the outcomes when it read one of these tables in the same state.
OUTCOME_TABLES = ("measurements", "events", "ratings")
NOT_FROZEN = "not frozen: exploratory"
CHANGED = "changed after freezing: exploratory"
AS_FROZEN = "as frozen"


@dataclass(frozen=True, slots=True)
class Seen:
    """A report made on the same data: page, time it was finished, its question."""

    page: str
    finished: str
    title: str


@dataclass(frozen=True, slots=True)
class Frozen:
    """One freeze: hash and content of the plan, time, rows a table, hashes of the tables, reports before."""

    plan_sha256: str
    plan: dict[str, Any]
    frozen_at: str
    register_size: dict[str, int]
    tables: dict[str, str]
    reports_before: tuple[Seen, ...]


@dataclass(frozen=True, slots=True)
class Status:
    """Where a plan stands: in words, its first freeze (None), the entries changed since, register growth."""

    word: str
    frozen: Frozen | None
    changed: tuple[str, ...]
    grown: dict[str, int]
    n_freezes: int

    @property
    def is_confirmatory(self) -> bool:
        """Whether the plan is as it was frozen."""
        return self.word == AS_FROZEN


def place_of(plan: str | Path) -> Path:
    """Return where the freezes of a plan are kept."""
    path = Path(plan)
    return path.with_name(path.stem + ENDING)


def freeze(
    plan: str | Path, records: Records, *, reports: str | Path = "", now: datetime | None = None
) -> Frozen:
    """Write down the plan as it stands, before its outcomes are looked at.

    Parameters
    ----------
    plan
        The TOML file.
    records
        The register as it is today.
    reports
        Folder of reports, to list those already made on the same data.
    now
        Time of freezing; the clock's if not given.

    Raises
    ------
    ParameterError
        When the plan is incomplete, was frozen before and says the same still, or the file of its freezes was
        changed by hand.
    """
    content = read(plan)
    before = _freezes(plan)
    if before and before[-1].plan_sha256 == digest(content):
        raise ParameterError(f"{Path(plan).name}: was frozen before and says the same still; nothing to do")
    made = Frozen(
        digest(content),
        content.model_dump(mode="json"),
        (now or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds"),
        size(records),
        _hashes(records),
        tuple(reports_on(records, reports)),
    )
    file(place_of(plan), _as_text((*before, made)), by="study freeze", was=_as_text(before).encode())
    return made


def _as_text(freezes: Iterable[Frozen]) -> str:
    listed = [asdict(f) for f in freezes]
    return json.dumps({"freezes": listed}, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def status(plan: str | Path, records: Records) -> Status:
    """Return where the plan stands against its first freeze."""
    content, freezes = read(plan), _freezes(plan)
    if not freezes:
        return Status(NOT_FROZEN, None, (), {}, 0)
    first = freezes[0]
    now = size(records)
    grown = {
        t: now[t] - first.register_size.get(t, 0) for t in now if now[t] != first.register_size.get(t, 0)
    }
    if first.plan_sha256 == digest(content):
        return Status(AS_FROZEN, first, (), grown, len(freezes))
    changed = tuple(sorted(_differences(first.plan, content.model_dump(mode="json"))))
    return Status(CHANGED, first, changed, grown, len(freezes))


def _differences(old: Any, new: Any, at: str = "") -> Iterable[str]:
    """Return the entries that differ, as dotted names; values are not named."""
    if isinstance(old, dict) and isinstance(new, dict):
        for name in sorted(set(old) | set(new)):
            yield from _differences(old.get(name), new.get(name), f"{at}.{name}" if at else name)
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for k, (a, b) in enumerate(zip(old, new, strict=True), start=1):
            yield from _differences(a, b, f"{at} {k}")
    elif old != new:
        yield at


def size(records: Records) -> dict[str, int]:
    """Return the rows of each table of the register."""
    return {name: len(getattr(records, name)) for name in TABLES}


def _hashes(records: Records) -> dict[str, str]:
    if records.sources.empty:
        return {}
    return {str(s.table): str(s.sha256) for s in records.sources.itertuples()}


def reports_on(records: Records, folder: str | Path) -> list[Seen]:
    """Return the reports in a folder that were made on outcome tables in the state they are in now."""
    hashes = _hashes(records)
    outcome = {hashes[t] for t in OUTCOME_TABLES if t in hashes}
    if not folder or not Path(folder).is_dir():
        return []
    found = [_report(path, outcome) for path in sorted(Path(folder).rglob(RUN_FILE))]
    return sorted((f for f in found if f is not None), key=lambda s: (s.finished, s.page))


def _report(path: Path, outcome: set[str]) -> Seen | None:
    """Return what a report's record says of it; None for a file of that name that is no such record."""
    try:
        graph = json.loads(path.read_text(encoding="utf-8")).get("@graph", [])
        entries = {str(e.get("@id", "")): e for e in graph if isinstance(e, dict)}
        read_tables = {str(e.get("sha256")) for name, e in entries.items() if name.startswith("#table-")}
    except (OSError, ValueError, AttributeError, TypeError):
        return None
    run = entries.get("#run")
    if run is None or not (read_tables & outcome):
        return None
    page = str(run.get("instrument", {}).get("@id", "")).removeprefix("#").removesuffix(".ipynb")
    return Seen(page, str(run.get("endTime", "")), str(entries.get("./", {}).get("name", "")))


def _freezes(plan: str | Path) -> list[Frozen]:
    path = place_of(plan)
    if not path.exists():
        return []
    try:
        listed = json.loads(path.read_text(encoding="utf-8"))["freezes"]
        return [
            Frozen(**{**f, "reports_before": tuple(Seen(**s) for s in f["reports_before"])}) for f in listed
        ]
    except (json.JSONDecodeError, UnicodeDecodeError, KeyError, TypeError):
        raise ParameterError(
            f"{path.name}: is no list of freezes; restore it from your backup, or set it aside and freeze "
            "again (the study is then exploratory)"
        ) from None


def same_as_frozen(plan: Plan, frozen: Frozen) -> bool:
    """Return whether a plan says what was frozen."""
    return digest(plan) == frozen.plan_sha256


OTHER_ZONE = "midscalp"
FEWEST_HAIRS = 0.0


def synthetic(records: Records, *, seed: int) -> Records:
    """Return the register with invented outcomes.

    Parameters
    ----------
    seed
        The same seed gives the same copy.
    """
    rng = np.random.default_rng(seed)
    truth = Truth()
    return replace(
        records,
        measurements=_densities(records, truth, rng),
        events=_events(records, rng),
        ratings=_ratings(records.ratings, rng),
        sources=pd.DataFrame(),
        warnings=(),
    )


def _densities(records: Records, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    counts = records.measurements.copy()
    operated = records.sessions.set_index("session_id")["patient_month"].astype(float)
    at = counts["session_id"].map(operated).to_numpy(dtype=float) + counts["month"].to_numpy(dtype=float)
    native = _native(counts, at, truth, rng)
    grown = _grown(counts, at, records, operated, truth, rng)
    expected = np.maximum(native + grown, 1.0)
    area = (counts["roi_area_cm2"] * counts["n_fields"]).fillna(1.0).to_numpy(dtype=float)
    spread = np.sqrt(truth.phi * expected / np.maximum(area, 0.1))
    drawn = np.maximum(expected + spread * rng.standard_normal(len(counts)), FEWEST_HAIRS)
    known = counts["density_hairs_cm2"].notna()
    return counts.assign(
        density_hairs_cm2=pd.Series(drawn.round(1), index=counts.index).where(known),
        density_fu_cm2=np.nan, hair_calibre_um=np.nan,
    )  # fmt: skip


def _native(counts: pd.DataFrame, at: np.ndarray, truth: Truth, rng: np.random.Generator) -> np.ndarray:
    region = (counts["patient_id"] + "|" + counts["region_id"]).to_numpy(dtype=object).astype(str)
    _, code = np.unique(region, return_inverse=True)
    zones = counts["zone"].to_numpy(dtype=object).astype(str)
    of = [truth.zones.get(z, truth.zones[OTHER_ZONE]) for z in zones]
    mean = np.array([80.0 if z == "donor" else t.native_density for z, t in zip(zones, of, strict=True)])
    sd = np.array([t.native_sd for t in of])
    level = np.maximum(mean + sd * rng.standard_normal(code.max() + 1)[code], 2.0)
    return level * np.where(zones == "donor", 1.0, (1 - ANNUAL_LOSS_PCT / 100) ** (np.maximum(at, 0.0) / 12))


def _grown(
    counts: pd.DataFrame, at: np.ndarray, records: Records, operated: pd.Series, truth: Truth,
    rng: np.random.Generator,
) -> np.ndarray:  # fmt: skip
    """Return what all plantings of a zone up to the reading have grown, hairs/cm2."""
    places = _placements(records, operated, truth, rng)
    rows = pd.DataFrame(
        {
            "row": np.arange(len(counts)), "patient_id": counts["patient_id"].to_numpy(),
            "zone": counts["zone"].to_numpy(), "at": at, "kind": counts["region_kind"].to_numpy(),
        }
    )  # fmt: skip
    both = rows[rows["kind"].eq("planted")].merge(places, on=["patient_id", "zone"], how="inner")
    since = np.maximum((both["at"] - both["operated"]).to_numpy(dtype=float), 0.0)
    share = emerged(since / both["half"].to_numpy(dtype=float), both["shape"].to_numpy(dtype=float))
    grown = both["planted"].to_numpy(dtype=float) * both["plateau"].to_numpy(dtype=float) / 100 * share
    return np.bincount(both["row"].to_numpy(), weights=grown, minlength=len(counts))


def _placements(
    records: Records, operated: pd.Series, truth: Truth, rng: np.random.Generator
) -> pd.DataFrame:
    own = records.placements
    of = [truth.zones.get(str(z), truth.zones[OTHER_ZONE]) for z in own["zone"]]
    patient = pd.factorize(own["patient_id"])[0]
    shift = truth.plateau_sd_patient * rng.standard_normal(patient.max() + 1)[patient]
    shift = shift + truth.plateau_sd_placement * rng.standard_normal(len(own))
    tempo = truth.log_tempo_sd_patient * rng.standard_normal(patient.max() + 1)[patient]
    planted = own["roi_planted_hairs_cm2"].fillna(own["hairs"] / own["area_cm2"])
    return pd.DataFrame(
        {
            "patient_id": own["patient_id"], "zone": own["zone"], "operated": own["session_id"].map(operated),
            "planted": planted.fillna(planted.median()),
            "plateau": np.array([t.plateau_yield for t in of]) + shift,
            "half": np.array([t.half_month for t in of]) * np.exp(tempo),
            "shape": [t.shape for t in of],
        }
    )  # fmt: skip


def _events(records: Records, rng: np.random.Generator) -> pd.DataFrame:
    """Return the complications dealt to other sessions that were asked about them."""
    events = records.events
    asked = records.visits[records.visits["complications_asked"].fillna(False).astype(bool)]
    sessions = asked["session_id"].drop_duplicates().to_numpy(dtype=object)
    if not len(events) or not len(sessions):
        return events
    drawn = events.assign(session_id=pd.array(rng.choice(sessions, size=len(events)), dtype="string"))
    return drawn.drop_duplicates(["session_id", "kind"]).reset_index(drop=True)


def _ratings(ratings: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    columns = ["satisfaction_0_10", "would_choose_again"]
    order = rng.permutation(len(ratings))
    mixed = {c: ratings[c].iloc[order].set_axis(ratings.index) for c in columns}
    return ratings.assign(**mixed)
