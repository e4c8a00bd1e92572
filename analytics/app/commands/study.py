"""`regrowth study freeze|status|design|dry-run PLAN DATA`: decide before looking.

`freeze` writes down what the plan says and the size of the register; `status` says whether it still holds;
`design` what could be found, without looking at the answer; `dry-run` runs every analysis of the plan on a
register of the same shape with invented outcomes, and writes that register where asked. The study itself is
a page: `regrowth report 03 DATA --set plan=PLAN`.
"""

import argparse
from collections.abc import Callable
from pathlib import Path

from analytics import files, numbers, records, study
from analytics.files import file, refuse_file, state
from analytics.results import Result

MORE = """\
what to do:
  dry-run  run every analysis of the plan on records of the same shape with invented outcomes
  design   what could be found with the records there are, without looking at the answer
  freeze   write down what the plan says beside the plan, and lock the rows in the state folder
  status   whether the plan and the records are as they were when frozen

The study itself is a page, made after freezing: regrowth report 03 DATA --set plan=PLAN
"""
DRY_RUN = "study dry-run"
INVENTED = "Outcomes are invented: nothing below says anything about the practice."


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("action", choices=("freeze", "status", "design", "dry-run"), help="see below")
    parser.add_argument("plan", type=Path, help="TOML file of the plan")
    parser.add_argument("data", type=Path, help="folder of tables, workbook or DuckDB file")
    parser.add_argument(
        "--reports",
        default="reports",
        help="folder of reports, to list those made on the same data (reports)",
    )
    parser.add_argument(
        "--state", default="", help="state folder of the clinic (beside the records), where rows are locked"
    )
    parser.add_argument("--out", type=Path, help="dry-run: folder for the register with invented outcomes")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Do what was asked and say it."""
    place = study.beside(options.plan, options.data)
    plan = study.read(place)
    read = records.load(options.data)
    memory = state.folder(options.data, options.state)
    try:
        return _done(options, plan, place, read, memory, say)
    finally:
        # After it, so that a freeze does not list itself.
        study.note_look(memory, f"study {options.action}", plan.title)


def _done(
    options: argparse.Namespace, plan: study.Plan, place: Path, read: records.Records, memory: Path,
    say: Callable[[str], None],
) -> int:  # fmt: skip
    if options.action == "freeze":
        made = study.freeze(place, read, reports=options.reports, memory=memory)
        for notice in study.lint(plan, read, name=place.name).notices:
            say(f"Note: {notice}")
        say(f"Frozen at {made.frozen_at}: plan SHA-256 {made.plan_sha256}")
        say(f"Register: {', '.join(f'{n} {t}' for t, n in made.register_size.items())}")
        say(f"Looked at before, by reports and commands: {len(made.reports_before)}")
        for seen in made.reports_before:
            say(f"  {seen.page}, {seen.finished}")
        where = study.status(place, read, memory=memory)
        if not where.is_confirmatory:
            say(f"Against the first freeze: {where.word} ({', '.join(where.changed)})")
    elif options.action == "status":
        for row in study.standing(
            study.status(place, read, memory=memory), read, options.reports
        ).itertuples():
            say(f"{row.what}: {row.stands}")
    elif options.action == "design":
        _tell(study.design(read, plan), say)
    else:
        _dry_run(plan, place, options.data, read, options.out, say)
    return 0


def _dry_run(plan, place: Path, data: Path, read, out: Path | None, say: Callable[[str], None]) -> None:
    if out is not None:
        files.refuse_source(data, out)
        refuse_file(out / place.name, by=f"{DRY_RUN}, plan")
    copy = study.synthetic(read, seed=plan.seed)
    say(INVENTED)
    _tell(study.tests(copy, plan), say)
    if out is not None:
        records.write(copy, out, by=DRY_RUN)
        file(out / place.name, place.read_bytes(), by=f"{DRY_RUN}, plan")
        say(f"Written to {out}; see the whole page with: regrowth report 03 {out} --set plan={place.name}")


def _tell(result: Result, say: Callable[[str], None]) -> None:
    for _, row in result.table().iterrows():
        name = ", ".join(str(row[c]) for c in (*result.by, "term"))
        flag = str(row.get("flag", "") or "")
        say(f"{name}: {numbers.full(row)}{'; ' + flag if flag and flag != 'nan' else ''}")
