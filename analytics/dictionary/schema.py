"""How the dictionary is written down: columns, tables, and the words and sources they share.

A `Column` says what one cell may hold, a `Table` what one row is. Limits over several columns stand beside
the rules that use them (`records.rules`).
"""

from dataclasses import dataclass
from typing import Literal

Kind = Literal["id", "label", "choice", "number", "integer", "yesno"]

TEXT_KINDS = ("id", "label", "choice")


@dataclass(frozen=True, slots=True)
class Column:
    """What the cells of one column may hold.

    `kind` is id (a code, kept as text with its leading zeros), label (a short word of the clinic's own),
    choice (one of `allowed`), number, integer or yesno. `low` and `high` are hard limits (breaking them is
    an error), `soft_low` and `soft_high` usual limits (a warning). A column that is `optional` may be
    absent; `default` says in words what an empty cell then means. A cell of a `required` column may not be
    empty. `derived` columns are filled at load and never asked for. `basis` is published, assumed (no
    source) or definition; `source` names the publication.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    soft_low: float | None = None
    soft_high: float | None = None
    allowed: tuple[str, ...] = ()
    required: bool = False
    optional: bool = False
    default: str = ""
    refers_to: str = ""
    derived: bool = False
    basis: str = "definition"
    source: str = ""

    @property
    def dtype(self) -> str:
        """Return the pandas type: string, float64 (missing NaN), int64 (never missing) or boolean."""
        if self.kind in TEXT_KINDS:
            return "string"
        if self.kind == "yesno":
            return "boolean"
        never_missing = self.kind == "integer" and (self.required or self.derived or self.fills)
        return "int64" if never_missing else "float64"

    @property
    def fills(self) -> bool:
        """Return True where an empty cell takes a stated default, so that no loaded cell is empty."""
        return self.optional and self.default != "" and not self.default.startswith("empty")


@dataclass(frozen=True, slots=True)
class Table:
    """What one row of a table is, its key, and its columns in order."""

    name: str
    row: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    optional: bool = False
    absent: str = ""

    def names(self) -> list[str]:
        """Return the column names in order, those filled at load included."""
        return [c.name for c in self.columns]

    def asked(self) -> tuple[Column, ...]:
        """Return the columns a clinic may hand in."""
        return tuple(c for c in self.columns if not c.derived)

    def column(self, name: str) -> Column:
        """Return one column by its name."""
        return next(c for c in self.columns if c.name == name)


ZONES = ("hairline", "frontal", "midscalp", "crown", "temples", "other")
MEASURED_ZONES = (*ZONES, "donor")
FRONT = ("hairline", "frontal")  # the reference of every ratio
MATURITY_MONTH = {"hairline": 12, "frontal": 12, "temples": 12, "midscalp": 15, "crown": 18, "other": 18}
# Baseline is a count at month -6 to 0 of its session.
BASELINE_FROM_MONTH = -6.0
OLDEST_AGE = 90  # ages of 90 and more are kept together as 90

SCALES = {
    "Norwood-Hamilton": ("I", "II", "IIa", "III", "IIIa", "III vertex", "IV", "IVa", "V", "Va", "VI", "VII"),
    "Ludwig": ("I", "II", "III"),
}
METHODS = ("FUT", "FUE", "combined")
MEDIA = ("saline", "ringer", "buffered", "culture", "hypothermic", "hypothermic_atp", "plasma", "other")
CALIBRE_METHODS = ("optical", "caliper", "phototrichogram", "microscope", "other")
HAIR_LENGTHS = ("shaved", "trimmed", "short", "long")
CONDITION_REASONS = (
    "light",
    "wet hair",
    "oily hair",
    "angle",
    "distance",
    "focus",
    "hair length",
    "dye",
    "concealer",
    "styling",
    "other",
)
EVENT_KINDS = (
    "folliculitis",
    "infection",
    "necrosis",
    "effluvium",
    "oedema",
    "numbness",
    "pain",
    "bleeding",
    "dislodged grafts",
    "wide scar",
    "keloid",
    "cyst",
    "reoperation",
    "other",
)
THERAPY_KINDS = ("oral", "topical", "oral and topical", "injected", "light", "other")

ASSUMED = "assumed"
PUBLISHED = "published"
GUO = "Guo et al. 2017, Plast Aesthet Res 4:150-4; Birnbaum et al. 2018, Skin Appendage Disord 4:304-7"
CUT_OFF = "40 in Rushton 1989 (author and year from memory), 30 to 60 elsewhere (from memory); margin assumed"
CALIBRE = "Jeong et al. 2011, Skin Res Technol 17:63-8"
SESSION_SIZE = "Kayiran 2017, Clin Surg 2:1287; Georgian Med News 2005;(122):7-10"
LIFETIME = "Umar 2016, Aesthet Surg J 36:1101-10"
SCALP = "Bernstein & Rassman 1997, Dermatol Surg 23:785-99"
HELD = "Kim et al. 2002, Ann Dermatol 14(3)"
DENSE = (
    "Mayer, Keene & Perez-Meza 2005, meeting report (from memory); Nakatsui, Wong & Groot 2008, Dermatol Surg"
)
TARGET_AREA = "Kaufman et al. 2008, Eur J Dermatol 18:407-11"
