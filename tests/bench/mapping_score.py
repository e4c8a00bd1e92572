"""What becomes of the counts of a known register, kept in every sheet habit alone and in pairs of habits.

    python tests/bench/mapping_score.py [N_PAIRS]

Of each file: counts placed right, asked (the mapping stops with a sentence), set aside with a reason, wrong
with a word and wrong without one (`tests/messy/score.py`). Pairs are drawn by seed from those that can stand
in one file. A traceback ends the script.
"""

import sys
import tempfile
from itertools import combinations
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from messy.habits import HABITS, fits_together
from messy.score import Score, score

PARTS = ("right", "asked", "aside", "wrong_said", "wrong")
N_PAIRS, SEED, N_PATIENTS = 200, 20261130, 12


def main(n_pairs: int) -> int:
    """Print the score of singles and pairs and what was not placed right; return 1 if any is wrong unsaid."""
    pairs = [p for p in combinations(HABITS, 2) if fits_together(*p) and "workbook" not in p]
    chosen = np.random.default_rng(SEED).permutation(len(pairs))[:n_pairs]
    unsaid = 0.0
    for title, sets in (("singles", [(n,) for n in HABITS]), ("pairs", [pairs[i] for i in chosen])):
        found = {names: _scored(names) for names in sets}
        for names, one in found.items():
            if one.right < 1:
                shares = [f"{part} {getattr(one, part):.2f}" for part in PARTS]
                print(f"  {' + '.join(names)}: {', '.join(shares)}", flush=True)
        unsaid += sum(one.wrong for one in found.values())
        print(_summary(title, list(found.values())), flush=True)
    return 1 if unsaid else 0


def _scored(names: tuple[str, ...]) -> Score:
    with tempfile.TemporaryDirectory() as folder:
        return score(Path(folder), *names, n_patients=N_PATIENTS)


def _summary(title: str, found: list[Score]) -> str:
    means = [f"{part} {100 * float(np.mean([getattr(one, part) for one in found])):.1f} %" for part in PARTS]
    return f"{len(found)} {title}: {', '.join(means)}"


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else N_PAIRS))
