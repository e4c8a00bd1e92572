"""Counts exported in five shapes (of `tests/test_entry_import.py`), some 500 drawn: each cell accounted for.

    python tests/bench/five_exports.py [SEED]

Draws new counts for planted zones of the demo, writes them as a German comma CSV, an Excel sheet with a title
and densities, JSON lines, a CSV with two dates, and a tidy CSV, proposes the columns, imports each into a
copy of the demo, and compares what then stands in the register with what was drawn.
"""

import datetime
import random
import shutil
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import test_entry_import as shapes

from analytics import entry, records

DEMO = Path(__file__).parents[2] / "data_demo"
HEADS = {
    "comma.csv": 8,
    "excel.xlsx": 7,
    "lines.jsonl": 6,
    "dated.csv": 7,
    "tidy.csv": 7,
}  # filled cells a row


def drawn(register: records.Records, seed: int) -> tuple[list[tuple], dict[str, tuple[str, str]]]:
    """Return counts as rows, and the dates of operation and visit of each patient."""
    chance, days, months, rows = random.Random(seed), {}, {}, []
    order = register.sessions.sort_values("patient_month")
    last = order.groupby("patient_id")["session_id"].last()
    counted = register.measurements[register.measurements["region_kind"].eq("planted")]
    regions = counted.groupby(["patient_id", "zone"])["region_id"].nunique()
    for place in register.placements.drop_duplicates(["patient_id", "zone"]).itertuples():
        person = place.patient_id
        if place.session_id != last[person] or regions.get((person, place.zone), 1) > 1:
            continue
        if person not in days:
            start = datetime.date(2030, 1, 1) + datetime.timedelta(days=chance.randrange(300))
            seen = start + datetime.timedelta(days=chance.randrange(1000, 1300))
            days[person] = (start.isoformat(), seen.isoformat())
            months[person] = entry.months_since(seen.isoformat(), start.isoformat())
        hairs, fields = chance.randrange(20, 150), chance.choice([1, 2, 3])
        rows.append((person, place.zone, months[person], hairs, fields, chance.choice(["R1", "R2"])))
    return rows, days


def main(seed: int) -> int:
    """Print a line a shape; 1 where a cell or a density is lost."""
    rows, days = drawn(records.load(DEMO), seed)
    shapes.NEW, shapes.DAYS = rows, days
    wanted = {(p, z, m): round(h / (0.65 * n), 2) for p, z, m, h, n, _ in rows}
    failed = 0
    for shape, (make, mended) in shapes.SHAPES.items():
        with tempfile.TemporaryDirectory() as folder:
            place = Path(folder) / "register"
            shutil.copytree(DEMO, place, ignore=shutil.ignore_patterns("p*ing", "published", "pictures"))
            source = make(Path(folder) / shape)
            text = entry.propose(source)
            for was, becomes in mended.items():
                text = text.replace(was, becomes)
            (Path(folder) / "columns.toml").write_text(text, encoding="utf-8")
            found = entry.import_counts(place, source, entry.read_export(Path(folder) / "columns.toml"))
            before = len(records.load(place).measurements)
            entry.record(place, found.changes, kind="import")
            new = records.load(place).measurements.iloc[before:]
        keys = zip(new["patient_id"], new["zone"], new["month"], strict=True)
        is_same = dict(zip(keys, new["density_hairs_cm2"], strict=True)) == wanted
        n = sum(found.cells.values())
        is_whole = n == HEADS[shape] * len(rows)
        failed += not (is_same and is_whole)
        print(f"{shape}: {len(rows)} counts, {n} cells {dict(found.cells)}, same densities: {is_same}")
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 7))
