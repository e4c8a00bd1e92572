"""Does every page answer every small clinic?

    python tests/bench/small_registers.py [--only TEXT] [pages, as 01 04]

Writes the registers of `tests/small_clinics.py` and asks pages 01, 02, 04, 05 and 07 on each, as results;
prints what is wrong: a page refused, a section failed by the package, an impossible interval, a point beside
another label.
"""

import os
import sys
import tempfile
import time
import traceback
import warnings
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path.insert(0, str(Path(__file__).parents[1]))

import matplotlib as mpl  # noqa: E402
import small_clinics as small  # noqa: E402
from pinned import pages  # noqa: E402

mpl.use("Agg")
PAGES = ("01", "02", "04", "05", "07")


def main(words: list[str]) -> int:
    """Ask every page on every register; return 1 where something is wrong."""
    only = words.pop(words.index("--only") + 1) if "--only" in words else ""
    asked = [word for word in words if not word.startswith("--")] or list(PAGES)
    names = {name[:2]: name for name in pages.names()}
    n_wrong = n_asked = 0
    with tempfile.TemporaryDirectory() as folder:
        for i, (register, recipe) in enumerate(small.RECIPES.items()):
            if only not in register:
                continue  # a part of the name
            place = small.written(Path(folder) / str(i), recipe)
            for page in asked:
                if page == "07" and i:
                    continue  # reads files of clinics and no register
                began = time.perf_counter()
                wrong = _asked(names[page], place)
                n_asked, n_wrong = n_asked + 1, n_wrong + bool(wrong)
                took = time.perf_counter() - began
                print(f"{page} {register}: {took:.1f} s, {len(wrong)} wrong", flush=True)
                for one in wrong:
                    print(f"    {one}", flush=True)
    print(f"{n_asked} pages asked, {n_wrong} with something wrong")
    return int(bool(n_wrong))


def _asked(page: str, place: Path) -> list[str]:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            return small.faults(pages.shown(page, small.settings(page, place))["internal"])
        except Exception:  # any failure is what is looked for
            return [traceback.format_exc(limit=-4)]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
