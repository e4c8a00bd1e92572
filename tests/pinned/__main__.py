"""Compare the pages of today with the pins, or accept what moved.

    python -m tests.pinned compare [--only PAGE/REGISTER/TABLE]
    python -m tests.pinned accept --reason "why" [--only PAGE/REGISTER/TABLE]

Any part of `--only` may be `*` or left out from the right: `01`, `01/twelve`, `*/demo`, `01/demo/emergence`.
"""

import argparse
import datetime
import os
import sys
import tempfile
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path.insert(0, str(Path(__file__).parents[1]))

from pinned import compare, pages, registers, stored, today  # noqa: E402

LEDGER = today.FOLDER / "LEDGER.md"


def main(words: list[str]) -> int:
    """Read the command, do it, and return 1 where something differs and was not accepted."""
    parser = argparse.ArgumentParser(prog="python -m tests.pinned", description=__doc__.split("\n")[0])
    parser.add_argument("what", choices=("compare", "accept"))
    parser.add_argument("--only", default="", help="PAGE/REGISTER/TABLE")
    parser.add_argument("--reason", default="", help="why the numbers moved, for the ledger")
    given = parser.parse_args(words)
    if given.what == "accept" and not given.reason.strip():
        parser.error("accept needs --reason: say why the numbers moved")
    only = [*given.only.split("/"), "", "", ""][:3]
    found: list[compare.Move] = []
    with tempfile.TemporaryDirectory() as place:
        for register, page in registers.pairs(pages.names()):
            if _is_asked(only[1], register) and (_is_asked(only[0], page) or page.startswith(f"{only[0]}_")):
                found += _one(register, page, only[2], Path(place), accept=given.what == "accept")
    for move in found:
        print(move.sentence())
    print(f"{len(found)} moved" if found else "nothing moved")
    if given.what == "accept" and found:
        _note(given.reason.strip(), found)
        return 0
    return int(bool(found))


def _one(register: str, page: str, table: str, place: Path, *, accept: bool) -> list[compare.Move]:
    """Compare one page on one register; write what is accepted."""
    path = today.path(register, page)
    pinned, now = stored.read(path), today.made(register, page, place)
    found = [m for m in compare.moves(register, page, pinned, now) if _is_asked(table, m.table)]
    if accept and found:
        stored.write(path, _accepted(pinned, now, table))
    return found


def _accepted(pinned: stored.Pins, now: stored.Pins, table: str) -> stored.Pins:
    """Return today's tables where asked for, in today's order, and the pinned ones otherwise."""
    if _is_asked(table, ""):
        return now
    kept = {
        key: (now if _is_asked(table, key[1]) else pinned).tables.get(key)
        for key in {**now.tables, **pinned.tables}
    }
    return stored.Pins({key: t for key, t in kept.items() if t is not None}, pinned.refused)


def _is_asked(asked: str, name: str) -> bool:
    return asked in ("", "*", name)


def _note(reason: str, found: list[compare.Move]) -> None:
    """Add what moved and why to the end of the ledger."""
    date = datetime.datetime.now(datetime.UTC).date().isoformat()
    lines = [f"\n## {date}: {reason}\n", *(f"- {line}" for line in compare.summary(found))]
    with LEDGER.open("a", encoding="utf-8") as ledger:
        ledger.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
