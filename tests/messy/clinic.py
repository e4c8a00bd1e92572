"""A known register of an invented practice, and a draft of how its front desk keeps it.

The facts are drawn by seed: thirty patients, one operation each, one to three zones, counts before and at
3, 6,
12 and 18 months. Planted densities and growth are an ordinary practice's (invented), so that nothing in
the register is odd by itself. A `Draft` is the plain sheet: one row a planting, one column a fact. Habits
(`messy.habits`) change drafts; `messy.writing` writes them.
"""

import datetime
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

VISITS = (0, 3, 6, 12, 18)
GROWTH = {0: 0.0, 3: 0.1, 6: 0.5, 12: 0.85, 18: 0.9}
ZONES = ("hairline", "frontal", "midscalp", "crown")
AREA = {"hairline": 20.0, "frontal": 35.0, "midscalp": 38.0, "crown": 45.0}


@dataclass(frozen=True)
class Planting:
    """One planting and its counts: planned visit -> (day, hairs/cm2)."""

    patient: str
    date: datetime.date
    method: str
    surgeon: str
    zone: str
    area: float
    grafts: tuple[int, int, int, int]
    counts: dict[int, tuple[datetime.date, float]]

    @property
    def hairs(self) -> int:
        """Return the planted hairs."""
        return sum(n * g for n, g in enumerate(self.grafts, 1))


def register(seed: int = 1, n_patients: int = 30) -> tuple[Planting, ...]:
    """Return the plantings of a register."""
    rng = np.random.default_rng(seed)
    out = []
    for i in range(n_patients):
        day = datetime.date(2021, 1, 4) + datetime.timedelta(days=int(rng.integers(0, 700)))
        method, surgeon = str(rng.choice(["FUE", "FUT"])), str(rng.choice(["S1", "S2", "S3"]))
        first = int(rng.integers(0, 3))
        days = {
            v: day + datetime.timedelta(days=round(v * 30.4375) + int(rng.integers(-9, 15))) for v in VISITS
        }
        days[0] = day
        seen = [v for v in VISITS if v in (0, 6, 12) or rng.random() < 0.8]
        for zone in ZONES[first : first + int(rng.integers(1, 4))]:
            area = round(AREA[zone] * float(rng.uniform(0.8, 1.2)), 1)
            grafts = _grafts(area, float(rng.uniform(50, 75)), rng)
            planted = sum(n * g for n, g in enumerate(grafts, 1)) / area
            before, level = float(rng.uniform(10, 35)), float(rng.uniform(0.85, 1.05))
            counts = {
                v: (days[v], round(before + planted * GROWTH[v] * level + float(rng.normal(0, 1.5)), 1))
                for v in seen
            }
            out.append(Planting(f"{100 + 7 * i:04d}", day, method, surgeon, zone, area, grafts, counts))
    return tuple(out)


def _grafts(area: float, density: float, rng: np.random.Generator) -> tuple[int, int, int, int]:
    """Return grafts of one to four hairs with about a density of hairs, two hairs a graft on average."""
    n = area * density / 2.05
    shares = np.array([0.25, 0.5, 0.2, 0.05]) + rng.uniform(-0.01, 0.01, 4)
    return tuple(round(float(n * s)) for s in shares)  # type: ignore[return-value]


Cell = object


@dataclass(frozen=True)
class Column:
    """One column of a draft: its heading, its unit, and the cell of a planting (None where empty)."""

    key: str
    header: str
    cell: Callable[[Planting], Cell]
    unit: str = ""
    group: str = ""


@dataclass(frozen=True)
class Draft:
    """A sheet as it will be written; `answers` are what the practice would answer to a question.

    `layout` names a function of `messy.writing`, `form` the kind of file. `above`, `below`: rows around the
    table; `between(i)`: rows after the i-th row. `lost`: counts (planting, visit) that the habit itself
    makes unreadable. `answers`: regular expression in the mapping file -> what is written for it.
    """

    plantings: tuple[Planting, ...]
    columns: tuple[Column, ...]
    layout: str = "wide"
    form: str = "xlsx"
    text: dict[str, str] = field(default_factory=dict)
    above: tuple[tuple[Cell, ...], ...] = ()
    below: tuple[tuple[Cell, ...], ...] = ()
    between: tuple[Callable[[int, list[list[Cell]]], list[list[Cell]]], ...] = ()
    grid: tuple[Callable[[list[list[Cell]]], list[list[Cell]]], ...] = ()
    answers: dict[str, str] = field(default_factory=dict)
    header_style: str = "one row"
    options: frozenset[str] = frozenset()

    def column(self, key: str) -> Column:
        """Return a column by its key."""
        return next(c for c in self.columns if c.key == key)

    def changed(self, key: str, **to: object) -> "Draft":
        """Return the draft with one column changed."""
        return replace(self, columns=tuple(replace(c, **to) if c.key == key else c for c in self.columns))  # type: ignore[arg-type]

    def each(self, keys: Callable[[str], bool], change: Callable[[Cell], Cell]) -> "Draft":
        """Return the draft with the cells of some columns changed, empty ones left."""

        def changed(column: Column) -> Column:
            old = column.cell

            def cell(p: Planting) -> Cell:
                value = old(p)
                return None if value is None else change(value)

            return replace(column, cell=cell)

        return replace(self, columns=tuple(changed(c) if keys(c.key) else c for c in self.columns))

    def added(self, *columns: Column, at: int | None = None) -> "Draft":
        """Return the draft with further columns."""
        place = len(self.columns) if at is None else at
        return replace(self, columns=(*self.columns[:place], *columns, *self.columns[place:]))

    def without(self, *keys: str) -> "Draft":
        """Return the draft without some columns."""
        return replace(self, columns=tuple(c for c in self.columns if c.key not in keys))


def is_count(key: str) -> bool:
    """Tell whether a column holds counts."""
    return key.startswith("count_")


def is_date(key: str) -> bool:
    """Tell whether a column holds days."""
    return key == "date" or key.startswith("day_")


def is_number(key: str) -> bool:
    """Tell whether a column holds numbers."""
    return is_count(key) or key == "area" or key.startswith("grafts_")


def draft(plantings: tuple[Planting, ...]) -> Draft:
    """Return the plain sheet of a register."""
    columns = [
        Column("patient", "Chart no", lambda p: p.patient),
        Column("date", "Op date", lambda p: p.date),
        Column("method", "Method", lambda p: p.method),
        Column("surgeon", "Surgeon", lambda p: p.surgeon),
        Column("zone", "Zone", lambda p: p.zone),
        Column("area", "Area", lambda p: p.area, unit="cm2"),
        *(Column(f"grafts_{n}", f"{n}s", lambda p, n=n: p.grafts[n - 1], group="Grafts by hairs")
          for n in (1, 2, 3, 4)),
        Column("count_0", "before", lambda p: p.counts[0][1], unit="hairs/cm2", group="Counts"),
    ]  # fmt: skip
    for v in VISITS[1:]:
        columns += [
            Column(f"day_{v}", f"{v}M date", lambda p, v=v: p.counts[v][0] if v in p.counts else None,
                   group="Counts"),
            Column(f"count_{v}", f"{v}M", lambda p, v=v: p.counts[v][1] if v in p.counts else None,
                   unit="hairs/cm2", group="Counts"),
        ]  # fmt: skip
    return Draft(plantings, tuple(columns))
