"""`deidentify` killed at random moments, and onto disks that fill: the tables are the old or the new, whole.

    python tests/bench/kills_and_full_disks.py [N_KILLS] [N_DISKS]

Disks are small file systems in memory (1 to 5 MB, filled before so that 0 to 0.6 MB is free; the tables take
0.25), so that part needs the right to mount one; without it that part says so and is left out. A full disk
must be a sentence and the code 2.
"""

import hashlib
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from analytics.identifiers import new_key

DATA = Path(__file__).parents[1] / "data" / "register_a"
MOST_FREE_KB = 600


def digests(folder: Path) -> dict[str, str]:
    """Return the hash of each table in a folder."""
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.glob("*.csv"))}


def command(source: Path, out: Path, key: Path) -> list[str]:
    """Return the command of one run."""
    return [sys.executable, "-m", "analytics", "deidentify", str(source), str(out), "--key-file", str(key)]


def versions(place: Path, key: Path) -> tuple[Path, Path, list[dict[str, str]]]:
    """Return two registers of one clinic, and the tables that each becomes."""
    one, other = place / "one", place / "other"
    for folder, lines in ((one, None), (other, -3)):
        shutil.copytree(DATA, folder)
        counts = folder / "measurements.csv"
        counts.write_text(
            "".join(counts.read_text(encoding="utf-8").splitlines(keepends=True)[:lines]), encoding="utf-8"
        )
    whole = []
    for folder in (one, other):
        subprocess.run(command(folder, place / f"out-{folder.name}", key), check=True, capture_output=True)
        whole.append(digests(place / f"out-{folder.name}"))
    return one, other, whole


def killed(n: int, rng: np.random.Generator, place: Path, key: Path) -> None:
    """Kill runs that replace tables by others; after the next look the tables are one version, whole."""
    one, other, whole = versions(place, key)
    out = place / "out"
    subprocess.run(command(one, out, key), check=True, capture_output=True)
    begun = time.monotonic()
    subprocess.run(command(other, out, key), check=True, capture_output=True)
    usual = time.monotonic() - begun
    for i in range(n):
        run = subprocess.Popen(command((one, other)[i % 2], out, key), stdout=subprocess.DEVNULL,
                               stderr=subprocess.DEVNULL)  # fmt: skip
        time.sleep(float(rng.uniform(0.2, 1.1) * usual))
        run.kill()
        run.wait()
        subprocess.run(
            [sys.executable, "-m", "analytics", "check", str(out)], capture_output=True, check=False
        )
        if digests(out) not in whole:
            raise SystemExit(f"run {i}: neither the old tables nor the new")
    print(f"{n} kills: the tables were old or new, whole", flush=True)


def full(n: int, rng: np.random.Generator, place: Path, key: Path) -> None:
    """Run onto disks that fill."""
    disk, stopped = place / "disk", 0
    disk.mkdir()
    for i in range(n):
        size = int(rng.integers(1000, 5000))
        mount = ["mount", "-t", "tmpfs", "-o", f"size={size}k", "tmpfs", str(disk)]
        if subprocess.run(mount, capture_output=True, check=False).returncode:
            print("disks: no right to mount one; left out")
            return
        try:
            (disk / "filler").write_bytes(bytes(int(1024 * (size - rng.uniform(0, MOST_FREE_KB)))))
            run = subprocess.run(
                command(DATA, disk / "out", key), capture_output=True, text=True, check=False
            )
            if "Traceback" in run.stderr or run.returncode not in (0, 2):
                raise SystemExit(f"disk {i}: {run.stderr[-500:]}")
            if run.returncode == 2:
                stopped += 1
                if (disk / "out").exists() and list((disk / "out").glob("*.csv")):
                    raise SystemExit(f"disk {i}: half of the tables")
        finally:
            subprocess.run(["umount", str(disk)], check=False)
    print(f"{n} disks: {stopped} were full, each a sentence, no table half there", flush=True)


def main(n_kills: int, n_disks: int) -> None:
    """Run both parts."""
    rng = np.random.default_rng(20261202)
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as safe:
        new_key(Path(safe) / "key")
        full(n_disks, rng, Path(folder), Path(safe) / "key")
        killed(n_kills, rng, Path(folder), Path(safe) / "key")


if __name__ == "__main__":
    main(*(int(a) for a in (sys.argv[1:3] or ("200", "50"))))
