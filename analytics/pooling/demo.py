"""Six invented clinics that pool their answers: the files of `data_demo/pooling`, made by this module.

Each clinic is simulated with its own plateau and tempo about a common mean (between-clinic SD 3 points of
plateau, 6 % of half month: invented).
"""

from dataclasses import replace
from pathlib import Path

import numpy as np

from analytics import simulate
from analytics.pooling.coding import read_study
from analytics.pooling.rounds import answer, next_round, open_round
from analytics.pooling.summary import summary
from analytics.records import Records

SEED = 20240701
CLINICS = ("C1", "C2", "C3", "C4", "C5", "C6")
PATIENTS = (80, 120, 60, 150, 90, 100)
PLATEAU_SD, TEMPO_SD = 3.0, 0.06
STUDY = """name = "Yield over six invented clinics"
clinics = ["C1", "C2", "C3", "C4", "C5", "C6"]
zones = ["hairline", "frontal", "crown"]
knots = [1.0, 6.0, 10.0, 18.0]
"""


def registers() -> dict[str, Records]:
    """Return the six clinics' registers."""
    rng = np.random.default_rng(SEED)
    made = {}
    for i, (clinic, n) in enumerate(zip(CLINICS, PATIENTS, strict=True)):
        shift, slow = PLATEAU_SD * rng.normal(), np.exp(TEMPO_SD * rng.normal())
        truth = simulate.Truth()
        zones = {
            name: replace(zone, plateau_yield=zone.plateau_yield + shift, half_month=zone.half_month * slow)
            for name, zone in truth.zones.items()
        }
        tables, _ = simulate.register(n, truth=replace(truth, zones=zones), seed=SEED + i + 1)
        made[clinic] = simulate.as_records(tables)
    return made


def files(folder: Path) -> dict[str, dict]:
    """Return the demo's files by name, made in memory from the study file in the folder."""
    coding = read_study(folder / "study.toml")
    clinics = registers()
    made = {f"summary_{c}.json": summary(r, c) for c, r in clinics.items()}
    current = open_round(coding)
    while current["asked"]["kind"] != "done":
        answers = [answer(current, clinics[c], c) for c in coding.clinics]
        current = next_round(current, answers)
    return {**made, "round_finished.json": current}
