"""What a surgeon writes down: traced areas, drafts of a session, and the densities aimed at.

Areas name cm2 by zone, as traced: `frontal 45, crown 90`. A draft names grafts by zone, e.g. `frontal 1200,
crown 1800 at 2.1` (grafts, hairs per graft; where those are not given, the practice's own mean of the zone),
and an area of its own where it plants another one: `crown 1800 on 60`. Aims name a density by zone, e.g.
`frontal to 110 priority 2, crown to 80`, or area and density: `frontal 45 to 110`.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analytics import dictionary
from analytics.errors import ParameterError

MAX_DRAFTS = 4
_NUMBER = r"(\d+(?:\.\d+)?)"
_AREA = re.compile(rf"^\s*(\w+)\s+{_NUMBER}(?:\s*cm2)?\s*$")
_AIM = re.compile(rf"^\s*(\w+)(?:\s+{_NUMBER}(?:\s*cm2)?)?\s+to\s+{_NUMBER}(?:\s+priority\s+{_NUMBER})?\s*$")
_ZONE = re.compile(
    rf"^\s*(\w+)\s+(\d+)(?:\s+(?:grafts|FU))?(?:\s+on\s+{_NUMBER}(?:\s*cm2)?)?(?:\s+at\s+{_NUMBER})?\s*$"
)
LEAST_AREA, MOST_AREA = 0.5, 300.0  # cm2
MOST_DENSITY = 260.0  # hairs/cm2: above the densest scalp counted (dictionary)
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


def read_areas(text: str) -> dict[str, float]:
    """Return areas in cm2 by zone, from a line such as `frontal 45, crown 90`; empty where nothing is given.

    Parameters
    ----------
    text
        Zones parted by commas: zone and cm2.

    Returns
    -------
    dict
        Zone -> area in cm2, above 0.

    Raises
    ------
    ParameterError
        When the line cannot be read, a zone is unknown or named twice, or an area is out of range.

    Examples
    --------
    >>> read_areas("frontal 45, crown 90")
    {'frontal': 45.0, 'crown': 90.0}
    """
    areas: dict[str, float] = {}
    for part in _parts(text):
        found = _AREA.match(part)
        if not found or found[1].lower() not in dictionary.ZONES:
            raise ParameterError(
                "planning.read_areas: areas: cannot be read; write each zone as: zone cm2, for instance "
                "frontal 45, crown 90"
            )
        zone = found[1].lower()
        if zone in areas:
            raise ParameterError("planning.read_areas: areas: a zone is named twice; name each zone once")
        areas[zone] = _area_in_range(float(found[2]), "planning.read_areas")
    return areas


def read_drafts(texts: Sequence[str], *, areas: Mapping[str, float] | None = None) -> tuple[Draft, ...]:
    """Return drafts from lines such as `frontal 1200 on 45, crown 1800 on 90 at 2.1`; skip empty lines.

    Parameters
    ----------
    texts
        A draft each: zones parted by commas, grafts, `on` and cm2, `at` and hairs a graft (optional).
    areas
        Traced areas, cm2 by zone, for zones of which a draft names none.

    Returns
    -------
    tuple of Draft
        Named A, B, ... in the order given.

    Raises
    ------
    ParameterError
        When a line cannot be read, a zone is unknown, named twice or without an area, or a number is out of
        range.

    Examples
    --------
    >>> read_drafts(["frontal 800 on 40, crown 2200 at 2.1"], areas={"crown": 90.0})[0].grafts
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
    return tuple(_draft(chr(ord("A") + i), text, areas or {}) for i, text in enumerate(written))


def _parts(text: str) -> list[str]:
    plain = re.sub(r"(\d),(\d{3})\b", r"\1\2", text)
    return [part for part in plain.split(",") if part.strip()]


def _draft(name: str, text: str, areas: Mapping[str, float]) -> Draft:
    zones = [_zone(part, name, areas) for part in _parts(text)]
    if len({z.zone for z in zones}) < len(zones):
        raise ParameterError(f"planning.read_drafts: draft {name} names a zone twice; name each zone once")
    return Draft(name, tuple(zones))


def _zone(part: str, name: str, areas: Mapping[str, float]) -> ZoneDraft:
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
    zone, grafts = found[1].lower(), int(found[2])
    per_graft = float(found[4]) if found[4] else None
    limits = (
        (zone in dictionary.ZONES, f"has an unknown zone; use one of {', '.join(dictionary.ZONES)}"),
        (1 <= grafts <= 8000, "has grafts out of range; expected 1 to 8000 per zone"),
        (per_graft is None or 1 <= per_graft <= 4.5, "has hairs per graft out of range; expected 1 to 4.5"),
        (bool(found[3]) or zone in areas, "has a zone without an area; name it after on, or under areas"),
    )
    for holds, words in limits:
        if not holds:
            raise ParameterError(f"planning.read_drafts: draft {name} {words}")
    area = float(found[3]) if found[3] else areas[zone]
    return ZoneDraft(zone, grafts, _area_in_range(area, f"planning.read_drafts: draft {name}"), per_graft)


def _area_in_range(area: float, where: str) -> float:
    if not LEAST_AREA <= area <= MOST_AREA:
        raise ParameterError(f"{where} has an area out of range; expected 0.5 to 300 cm2")
    return area


def read_aims(text: str, *, areas: Mapping[str, float] | None = None) -> tuple[Aim, ...]:
    """Return the aims of a line such as `frontal 45 to 110 priority 2, crown to 80`.

    Parameters
    ----------
    text
        Zones parted by commas: zone, cm2 (optional), `to` and hairs/cm2, `priority` (optional).
    areas
        Traced areas, cm2 by zone, for zones of which the line names none.

    Returns
    -------
    tuple of Aim
        In the order of the line.

    Raises
    ------
    ParameterError
        When the line cannot be read, a zone has no area, or a number is out of range.

    Examples
    --------
    >>> read_aims("frontal to 110 priority 2, crown 90 to 80", areas={"frontal": 45.0})[1]
    Aim(zone='crown', area_cm2=90.0, density=80.0, priority=1.0)
    """
    aims = []
    for part in _parts(text):
        found = _AIM.match(part)
        if not found or found[1].lower() not in dictionary.ZONES:
            raise ParameterError(
                "planning.read_aims: aims: cannot be read; write each zone as: zone cm2 to hairs/cm2, for "
                "instance frontal 45 to 110 priority 2, crown 90 to 80"
            )
        zone = found[1].lower()
        area = float(found[2]) if found[2] else (areas or {}).get(zone)
        if area is None:
            raise ParameterError(
                "planning.read_aims: aims: a zone has no area; write it as frontal 45 to 110, or under "
                "areas, as frontal 45"
            )
        aim = Aim(zone, _area_in_range(area, "planning.read_aims"), float(found[3]), float(found[4] or 1))
        if not (0 < aim.density <= MOST_DENSITY and aim.priority > 0):
            raise ParameterError(
                "planning.read_aims: aims: a density or priority out of range; expected above 0, and up to "
                f"{MOST_DENSITY:g} hairs/cm2"
            )
        aims.append(aim)
    if len({aim.zone for aim in aims}) < len(aims):
        raise ParameterError("planning.read_aims: aims: a zone is named twice; name each zone once")
    return tuple(aims)
