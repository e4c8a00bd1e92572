"""`regrowth pool`: one answer from many clinics, and no row leaves any."""

import argparse
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from analytics import files, pooling
from analytics import records as door
from analytics.errors import ParameterError
from analytics.files import file, refuse_file

WRITER = "pool"
STEPS = {
    "summary": "DATA: this clinic's estimates, for pooling in one shot",
    "combine": "SUMMARY ...: pool summaries by random effects",
    "open": "STUDY.toml: write the first round of an exact study",
    "answer": "ROUND DATA: this clinic's sums for the round",
    "next": "ROUND ANSWER ...: add the answers up and write the next round, or the end",
}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("step", choices=STEPS, help="; ".join(f"{k} {v}" for k, v in STEPS.items()))
    parser.add_argument("given", nargs="+", help="files and data of the step")
    parser.add_argument("--clinic", default="", help="this clinic's code in the study")
    parser.add_argument("--out", type=Path, help="file to write")
    parser.add_argument(
        "--ledger",
        type=Path,
        help="this clinic's own note of what it has answered; unless named, beside the data. It is not sent",
    )
    parser.add_argument("--write", action="store_true", help="write the file after showing what leaves")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Do one step; what would leave the clinic is shown before anything is written."""
    step: Callable[[argparse.Namespace, Callable[[str], None]], int] = {
        "summary": _summary,
        "combine": _combine,
        "open": _open,
        "answer": _answer,
        "next": _next,
    }[options.step]
    return step(options, say)


def _summary(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    (data,) = _exactly(options.given, 1, "summary DATA --clinic CODE --out FILE")
    found = door.load(data)
    made = pooling.summary(found, _clinic(options))
    before = pooling.read_ledger(_ledger(options, data))
    was = files.as_json(before).encode()
    noted = pooling.note_summary(before, found, _clinic(options))
    for line in made["estimates"]:
        say(
            f"{line['term']}, {line['zone']}: {line['estimate']:.3f} (SE {line['se']:.3f}), "
            f"{line['n_patients']} patients"
        )
    return _leave(options, made, _ledger(options, data), (was, noted), say)


def _combine(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    result = pooling.combine([pooling.read_summary(Path(path)) for path in options.given])
    shown = result.table()
    for row in shown[shown["term"].isin(("pooled", "new clinic"))].itertuples():
        said = f"{row.estimate:.2f} ({row.ci_low:.2f} to {row.ci_high:.2f}) {row.unit}"
        say(f"{row.measure}, {row.term}: {said if pd.notna(row.estimate) else row.flag}")
    say(result.method)
    return 0


def _open(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    (study,) = _exactly(options.given, 1, "open STUDY.toml --out FILE")
    made = pooling.open_round(pooling.read_study(Path(study)))
    file(_out(options), files.as_json(made), by=WRITER)
    say(f"The first round is in {_out(options)}. Send it to every clinic of the study.")
    return 0


def _answer(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    round_path, data = _exactly(options.given, 2, "answer ROUND DATA --clinic CODE --out FILE")
    asked, found = pooling.read_round(Path(round_path)), door.load(data)
    made = pooling.answer(asked, found, _clinic(options))
    before = pooling.read_ledger(_ledger(options, data))
    was = files.as_json(before).encode()
    noted = pooling.note_answer(before, asked, found, _clinic(options))
    say(pooling.what_leaves(made))
    return _leave(options, made, _ledger(options, data), (was, noted), say)


def _next(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    if len(options.given) < 2:
        raise ParameterError("regrowth pool next: give ROUND and one answer a clinic")
    first, *answers = options.given
    made = pooling.next_round(pooling.read_round(Path(first)), [pooling.read_round(Path(a)) for a in answers])
    file(_out(options), files.as_json(made), by=WRITER)
    if made["asked"]["kind"] != "done":
        say(f"Round {made['number']} is in {_out(options)}. Send it to every clinic of the study.")
        return 0
    say(f"The fit is reached after {len(made['history'])} exchanges; it is in {_out(options)}.")
    for row in pooling.curve(made).table().itertuples():
        say(
            f"{row.zone}, month {row.x:g}: {row.estimate:.2f} % ({row.ci_low:.2f} to {row.ci_high:.2f}), "
            f"{row.n_patients:,} patients{f'; {row.flag}' if row.flag else ''}"
        )
    return 0


def _leave(
    options: argparse.Namespace,
    made: dict,
    ledger: Path,
    entries: tuple[bytes, dict],
    say: Callable[[str], None],
) -> int:
    if not options.write:
        say("This is all that would leave the clinic. Nothing has been written: add --write to write it.")
        return 0
    out = _out(options)
    was, noted = entries
    refuse_file(out, by=WRITER)
    # The note first: an answer noted and then not written does no harm, one sent and not noted would.
    file(ledger, files.as_json(noted), by="pool ledger", was=was)
    file(out, files.as_json(made), by=WRITER)
    say(f"Noted in {ledger}, which stays in the clinic.")
    say(f"Written to {out}. Local law and consent decide whether it may be sent.")
    return 0


def _exactly(given: list[str], n: int, usage: str) -> list[str]:
    if len(given) != n:
        raise ParameterError(f"regrowth pool: expected {usage}")
    return given


def _ledger(options: argparse.Namespace, data: str) -> Path:
    """Return the place of the clinic's ledger: as named, beside the data, or beside what is written."""
    if options.ledger is not None:
        return Path(options.ledger)
    place = Path(data)
    beside = place.absolute().parent if place.exists() else _out(options).absolute().parent
    return beside / (f"{place.stem}.pool_ledger.json" if place.exists() else "pool_ledger.json")


def _clinic(options: argparse.Namespace) -> str:
    if not options.clinic:
        raise ParameterError("regrowth pool: give --clinic, this clinic's code in the study")
    return str(options.clinic)


def _out(options: argparse.Namespace) -> Path:
    if options.out is None:
        raise ParameterError("regrowth pool: give --out, the file to write")
    return Path(options.out)
