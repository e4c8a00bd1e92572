"""How long a front desk's workbook of 50,000 rows takes to be read, mapped and written.

    python tests/bench/mapping_speed.py

The workbook is the register in tests/data, its rows repeated under new chart numbers.
"""

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import openpyxl
import xlsxwriter
from python_calamine import CalamineWorkbook

from analytics import mapping

HERE = Path(__file__).parents[1]
N_ROWS = 50_000


def build(path: Path) -> int:
    """Write the workbook; return its rows."""
    sheet = openpyxl.load_workbook(HERE / "data" / "register_b.xlsx").worksheets[0]
    rows = [[c.value for c in row] for row in sheet.iter_rows(min_row=1, max_row=426)]
    head, body = rows[:4], rows[4:]
    with xlsxwriter.Workbook(path, {"constant_memory": True}) as book:
        out = book.add_worksheet("Cases 2021-24")
        for i, row in enumerate(head):
            out.write_row(i, 0, row)
        for i in range(N_ROWS):
            row = list(body[i % len(body)])
            row[0] = f"{i // len(body)}-{row[0]}"
            for j, cell in enumerate(row):
                if cell is not None:
                    out.write(i + 4, j, cell)
    return N_ROWS


def main() -> None:
    """Print seconds (and of those on the processor): calamine alone, the whole of apply, and propose."""
    with tempfile.TemporaryDirectory() as folder:
        path, plan = Path(folder) / "big.xlsx", Path(folder) / "m.toml"
        print(f"{build(path)} rows, {path.stat().st_size / 2**20:.1f} MB")
        text = (HERE / "data" / "register_b.mapping.toml").read_text(encoding="utf-8")
        plan.write_text(text.replace("last_row = 426", f"last_row = {N_ROWS + 4}"), encoding="utf-8")
        read = timed(lambda: CalamineWorkbook.from_path(str(path)).get_sheet_by_index(0).to_python())
        whole = timed(lambda: mapping.apply(path, plan, Path(folder) / "out"))
        proposed = timed(lambda: mapping.propose(path))
    for name, (seconds, busy) in {"calamine alone": read, "apply": whole, "propose": proposed}.items():
        print(
            f"{name:<16}{seconds:6.2f} s ({busy:.2f} s on the processor), {busy / read[1]:.1f} times calamine"
        )


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Return seconds by the clock and on the processor."""
    clock, busy = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - clock, time.process_time() - busy


if __name__ == "__main__":
    sys.exit(main())
