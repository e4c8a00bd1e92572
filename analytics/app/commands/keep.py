"""`regrowth keep DATA --patient CODE --draft "..."`: keep a chosen draft with its case."""

import argparse
from collections.abc import Callable
from pathlib import Path

from analytics import planning, records, regrowth
from analytics.files import state


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("data", type=Path, help="folder of tables, workbook or DuckDB file")
    parser.add_argument("--patient", required=True, help="code of the patient")
    parser.add_argument("--draft", required=True, help="as on page 05: frontal 1000 on 45, crown 800 on 90")
    parser.add_argument("--areas", default="", help="traced areas, as frontal 45, crown 90")
    parser.add_argument(
        "--session-month",
        type=float,
        default=0.0,
        help="register month of the session (the newest in the records)",
    )
    parser.add_argument("--state", default="", help="state folder of the clinic (beside the records)")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Work out what the draft is expected to give, keep it, and say so."""
    (plan,) = planning.read_drafts([options.draft], areas=planning.read_areas(options.areas))
    read = records.load(options.data)
    records.patient(read, options.patient)
    plateaus = regrowth.fit_plateaus(read, fit=regrowth.fit_emergence(read))
    made = planning.entry(read, options.patient, plan, plateaus=plateaus, session_month=options.session_month)
    place = state.folder(options.data, options.state)
    state.append(place, planning.LOG, made)
    for zone in made["zones"]:
        ahead = "nothing to predict from"
        if zone["estimate"] is not None:
            ahead = (
                f"{zone['estimate']:.0f} hairs/cm2 expected at month {zone['month']:g} "
                f"({zone['ci_low']:.0f} to {zone['ci_high']:.0f})"
            )
        say(f"{zone['zone']}: {zone['grafts']:,} grafts on {zone['area_cm2']:g} cm2; {ahead}")
    say(
        f"Kept in {place} for this patient's session {made['sessions_before'] + 1}. What is planted and what "
        "grows will stand beside it on page 05."
    )
    return 0
