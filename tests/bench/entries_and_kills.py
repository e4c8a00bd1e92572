"""Entries at the chair, many times: the checks of `tests/test_entry.py` with the numbers of a year.

    python tests/bench/entries_and_kills.py [ENTRIES A FORM] [KILLS] [PAIRS OF WRITERS]

Random entries and undos against the same rows typed, in each of the four stored forms (200 each); a writer
killed at a random moment (50); two writers at once, on a folder and a workbook in turn (50). Prints what
failed, and nothing of what passed but its number. Seeds: the number of each try.
"""

import os
import random
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import test_entry


def tried(what: str, n: int, one: Callable[[Path, int], None]) -> None:
    """Do one thing n times, each in a folder of its own, and print how often it held."""
    begun, failed = time.perf_counter(), 0
    for number in range(n):
        with tempfile.TemporaryDirectory() as place:
            try:
                one(Path(place), number)
            except AssertionError:
                failed += 1
                traceback.print_exc()
    print(f"{what}: {n} tries, {failed} failed, {time.perf_counter() - begun:.0f} s", flush=True)


def main(entries: int, kills: int, pairs: int) -> None:
    """Print each kind of try."""
    os.environ["REGROWTH_ENTRIES"] = str(entries)
    kinds = test_entry.KINDS
    tried(
        f"{entries} entries and undos in each form",
        len(kinds),
        lambda place, i: test_entry.test_random_entries_and_undos_equal_typed_rows(place, kinds[i]),
    )
    tried(
        "killed",
        kills,
        lambda place, i: test_entry.test_a_kill_leaves_the_register_before_or_after(
            place, random.Random(i).uniform(0.0, 0.5)
        ),
    )
    tried(
        "two writers",
        pairs,
        lambda place, i: test_entry.test_two_writers_at_once_lose_nothing(place, ("csv", "xlsx")[i % 2]),
    )


if __name__ == "__main__":
    asked = [int(a) for a in sys.argv[1:4]]
    main(*(asked + [200, 50, 50][len(asked) :]))
