"""`regrowth import counts FILE DATA`: add counts kept in a table, or exported from any counting tool.

`regrowth import photographs FOLDER DATA --pattern P` notes the pictures of a folder, which stay there.
"""

import argparse
import os
from collections.abc import Callable, Sequence
from pathlib import Path

from analytics import entry
from analytics.app.chair import asked
from analytics.errors import ParameterError
from analytics.files import begins, file, refuse_file, rows_of_cells, workbook

MORE = """
The first run writes a small file that says what each column holds; read it, answer its question marks, then
give it with --columns. It serves every later export of the same kind.

Of photographs only names made of codes are noted, and the month: from the name, or from the day the camera
noted and the month in which the register began (regrowth due asks for it once). No picture is copied.

  regrowth import photographs pictures my_register --consent --pattern "{patient}_{session}_{zone}_m{month}"
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("what", choices=("counts", "photographs"), help="what is imported")
    parser.add_argument("file", type=Path, help="CSV, Excel or JSON lines; of photographs their folder")
    parser.add_argument("data", nargs="?", default="", help="the register that the counts are added to")
    parser.add_argument("--columns", type=Path, help="what the columns hold, read and corrected by you")
    parser.add_argument("--key-file", type=Path, help="the clinic's key, where the file holds chart numbers")
    parser.add_argument("--pattern", default="", help="of the names of photographs, without their endings")
    parser.add_argument("--consent", action="store_true", help="each person agreed to these photographs")
    parser.add_argument("--standard", action="store_true", help="all were taken under standard conditions")
    parser.add_argument("--yes", action="store_true", help="write without asking")
    parser.add_argument("--state", default="", help="state folder, if not beside the register")


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Propose what the columns hold, or say what becomes of every row and add those that are new."""
    if options.what == "photographs":
        return _photographs(options, say)
    if options.columns is None:
        place = Path(f"{options.file.name}.columns.toml")
        if os.path.lexists(place):
            raise ParameterError(f"{place.name}: it exists, perhaps corrected by you; give it with --columns")
        file(place, entry.propose(options.file), by="import proposal")
        say(f"Proposed in {place}. Read every line, correct it, answer each question mark. Then:")
        say(f"regrowth import counts {options.file} DATA --columns {place}")
        return 0
    if not options.data:
        raise ParameterError("import: name the register that the counts are added to, after the file")
    aside = Path(f"{options.file.name}-set-aside.xlsx")
    refuse_file(aside, by="import")
    found = entry.import_counts(
        options.data, options.file, entry.read_export(options.columns), key_file=options.key_file
    )
    say(found.text())
    for row in found.conflicts.itertuples(index=False):
        where = f"row {row[0]}, patient {row[1]}, {row[2]}, month {row[3]}"
        say(f"  {where}: {row[4]} is {row[5]} in the register, {row[6]} in the file")
    if len(found.set_aside):
        head = list(found.set_aside.columns)
        cells = rows_of_cells([head, *found.set_aside.astype(object).to_numpy().tolist()])
        file(aside, workbook({"set aside": cells}), by="import")
        say(f"Rows set aside or in conflict stand in {aside} as they were. It may hold chart numbers.")
    return _write(options, found.changes, say)


def _photographs(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Note the pictures of a folder in the register."""
    if not options.data or not options.pattern:
        raise ParameterError("import photographs: name the folder, the register, and --pattern of the names")
    kept = begins.place(options.data, folder=options.state, key_file=options.key_file or "")
    found = entry.read_folder(
        options.data,
        options.file,
        options.pattern,
        begins=begins.read(kept),
        standard="True" if options.standard else "",
        consent="True" if options.consent else "",
    )
    say(found.text())
    return _write(options, found.changes, say)


def _write(options: argparse.Namespace, changes: Sequence[entry.Change], say: Callable[[str], None]) -> int:
    if not changes:
        say("There is nothing to add.")
        return 0
    if not (options.yes or asked.yes(f"Add {len(changes)} rows?")):
        say("Nothing was written.")
        return 1
    made = entry.record(options.data, changes, kind=f"import of {options.what}", kept_in=options.state)
    say(f"Written as entry {made.number}. To take it back: regrowth add {options.data} --undo {made.number}")
    return 0
