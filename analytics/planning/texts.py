"""What a surgeon writes down: drafts of a session, and the densities aimed at.

A draft names grafts and area by zone, e.g. `frontal 1200 on 45, crown 1800 on 90 at 2.1` (grafts, area in
cm2, hairs per graft; where those are not given, the practice's own mean of the zone). Aims name area and
density by zone, e.g. `frontal 45 to 110 priority 2, crown 90 to 80`.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from analytics import dictionary
from analytics.errors import ParameterError

MAX_DRAFTS = 4
_NUMBER = r"(\d+(?:\.\d+)?)"
_AIM = re.compile(rf"^\s*(\w+)\s+{_NUMBER}\s+to\s+{_NUMBER}(?:\s+priority\s+{_NUMBER})?\s*$")
_ZONE = re.compile(
    rf"^\s*(\w+)\s+(\d+)(?:\s+(?:grafts|FU))?\s+on\s+{_NUMBER}(?:\s*cm2)?(?:\s+at\s+{_NUMBER})?\s*$"
)
_HAIRS = re.compile(r"\d\s*hairs?\b")


@dataclass(frozen=True, slots=True)
class ZoneDraft:
    """Grafts for one zone: how many, on what area, with how many hairs each (None: the practice's mean)."""

    zone: str
    grafts: int
    area_cm2: float
    hairs_per_graft: float | None = None


@dataclass(frozen=True, slots=True)
class Draft:
    """A named split of grafts over zones."""

    name: str
    zones: tuple[ZoneDraft, ...]

    @property
    def grafts(self) -> int:
        """Return all grafts of the draft."""
        return sum(z.grafts for z in self.zones)


@dataclass(frozen=True, slots=True)
class Aim:
    """A density aimed at in one zone, hairs/cm2, on an area, with the weight of falling short of it."""

    zone: str
    area_cm2: float
    density: float
    priority: float = 1.0


def read_drafts(texts: Sequence[str]) -> tuple[Draft, ...]:
    """Return drafts from lines such as `frontal 1200 on 45, crown 1800 on 90 at 2.1`; skip empty lines.

    Raises
    ------
    ParameterError
        When a line cannot be read, a zone is unknown or named twice, or a number is out of range.

    Examples
    --------
    >>> read_drafts(["frontal 800 on 40, crown 2200 on 90 at 2.1"])[0].grafts
    3000
    """
    written = [text for text in texts if text.strip()]
    if not written:
        raise ParameterError(
            "planning.read_drafts: none given; write one as: frontal 800 on 40, crown 2200 on 90"
        )
    if len(written) > MAX_DRAFTS:
        raise ParameterError(
            f"planning.read_drafts: {len(written)} drafts; compare up to {MAX_DRAFTS} at a time"
        )
    return tuple(_draft(chr(ord("A") + i), text) for i, text in enumerate(written))


def _draft(name: str, text: str) -> Draft:
    plain = re.sub(r"(\d),(\d{3})\b", r"\1\2", text)
    zones = [_zone(part, name) for part in plain.split(",") if part.strip()]
    if len({z.zone for z in zones}) < len(zones):
        raise ParameterError(f"planning.read_drafts: draft {name} names a zone twice; name each zone once")
    return Draft(name, tuple(zones))


def _zone(part: str, name: str) -> ZoneDraft:
    found = _ZONE.match(part)
    if not found and _HAIRS.search(part):
        raise ParameterError(
            f"planning.read_drafts: draft {name} counts hairs; a draft counts grafts (follicular units): "
            "divide by the hairs per graft and name them after at, for instance crown 2200 on 90 at 2.1"
        )
    if not found:
        raise ParameterError(
            f"planning.read_drafts: draft {name} cannot be read; write each zone as: zone grafts on cm2 at "
            "hairs per graft (which may be left out), for instance crown 2200 on 90 at 2.1"
        )
    zone = found[1].lower()
    grafts, area = int(found[2]), float(found[3])
    per_graft = float(found[4]) if found[4] else None
    limits = (
        (zone in dictionary.ZONES, f"has an unknown zone; use one of {', '.join(dictionary.ZONES)}"),
        (1 <= grafts <= 8000, "has grafts out of range; expected 1 to 8000 per zone"),
        (0.5 <= area <= 300, "has an area out of range; expected 0.5 to 300 cm2"),
        (per_graft is None or 1 <= per_graft <= 4.5, "has hairs per graft out of range; expected 1 to 4.5"),
    )
    for holds, words in limits:
        if not holds:
            raise ParameterError(f"planning.read_drafts: draft {name} {words}")
    return ZoneDraft(zone, grafts, area, per_graft)


def read_aims(text: str) -> tuple[Aim, ...]:
    """Return the aims of a line such as `frontal 45 to 110 priority 2, crown 90 to 80`.

    Raises
    ------
    ParameterError
        When the line cannot be read.

    Examples
    --------
    >>> read_aims("frontal 45 to 110 priority 2, crown 90 to 80")[1]
    Aim(zone='crown', area_cm2=90.0, density=80.0, priority=1.0)
    """
    aims = []
    for part in text.split(","):
        found = _AIM.match(part)
        if not found or found[1].lower() not in dictionary.ZONES:
            raise ParameterError(
                "planning.read_aims: cannot be read; write each zone as: zone cm2 to hairs/cm2, for instance "
                "frontal 45 to 110 priority 2, crown 90 to 80"
            )
        aims.append(Aim(found[1].lower(), float(found[2]), float(found[3]), float(found[4] or 1)))
    return tuple(aims)
