"""A head seen from above, face up: our own neutral drawing, five zones, a number printed in each.

Darker means more, on a scale that is fixed for the page and never stretched to the data. A zone without a
number is white. The text in a zone is black or white, whichever contrasts more.
"""

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import pandas as pd
import seaborn
from markupsafe import Markup

from analytics import numbers
from analytics.reports import filled

STEPS = 12  # of the scale's key
PART_OF_PALETTE = (0.03, 0.83)  # its ends are too pale for white, too dark for a rule
AA = 4.5
WHITE, INK = "#ffffff", "#000000"
OUTLINE = {
    "hairline": "M84 118 C100 78 128 62 150 62 C172 62 200 78 216 118 L200 134 C186 108 170 98 150 98 "
    "C130 98 114 108 100 134 Z",
    "frontal": "M98 137 C114 110 132 101 150 101 C168 101 186 110 202 137 L207 170 Q150 179 93 170 Z",
    "midscalp": "M93 173 Q150 182 207 173 L209 222 Q150 213 91 222 Z",
    "crown": "M91 225 Q150 216 209 225 C210 262 190 294 150 294 C110 294 90 262 91 225 Z",
    "temples": "M81 121 L96 138 L90 168 C74 164 62 152 58 137 C63 128 70 123 81 121 Z",
}
# Where the number stands; the temples' stands twice, mirrored about x = 150.
AT = {
    "hairline": (150, 87), "frontal": (150, 140), "midscalp": (150, 195),
    "crown": (150, 252), "temples": (77, 150),
}  # fmt: skip
NAMED_INSIDE = ("frontal", "midscalp", "crown")


def block(
    by_part: Mapping[str, Mapping[str, pd.Series]],
    title: str,
    scale: Mapping[str, Any],
    caption: str,
) -> Markup:
    """Return the map as HTML.

    Parameters
    ----------
    by_part
        Rows by zone for `printed`, and where given `beside`, `colour`.
    title, caption
        What it shows, and how to read it.
    scale
        `from`, `to`: the numbers at its ends; `says`: what it measures.
    """
    zones = [_zone(zone, by_part, scale) for zone in OUTLINE]
    other = [row for zone, row in by_part["printed"].items() if zone == "other"]
    told = " ".join([caption, *(f"Other zones: {numbers.full(row)}." for row in other)]).strip()
    return filled(
        "blocks/head_map",
        title=title,
        zones=zones,
        alt=f"Head seen from above, {scale['says']}: " + "; ".join(z["alt"] for z in zones),
        key=[_shade((i + 0.5) / STEPS) for i in range(STEPS)],
        ticks=_ticks(scale),
        says=scale["says"],
        caption=told,
        on_paper=told != scale.get("caption", ""),  # how any map of the page is read is not printed
    )


def _zone(
    zone: str,
    by_part: Mapping[str, Mapping[str, pd.Series]],
    scale: Mapping[str, Any],
) -> dict[str, Any]:
    row = by_part["printed"].get(zone)
    said = "" if row is None else _said(row)
    fill, ink = WHITE, INK
    shade = by_part.get("colour", by_part["printed"]).get(zone)
    if shade is not None and pd.notna(shade["estimate"]):
        at = (float(shade["estimate"]) - scale["from"]) / (scale["to"] - scale["from"])
        fill = _shade(min(1.0, max(0.0, at)))
        ink = _ink_on(fill)
    beside = _said(by_part["beside"][zone]) if zone in by_part.get("beside", {}) else ""
    full = "no number" if row is None else numbers.full(row, counts=False)
    x, y = AT[zone]
    return {
        "zone": zone, "path": OUTLINE[zone], "x": x, "y": y, "said": said, "beside": beside,
        "fill": fill, "ink": ink, "is_named": zone in NAMED_INSIDE,
        "alt": f"{numbers.title_case(zone)} {full}{f' against {beside}' if beside else ''}",
    }  # fmt: skip


def _said(row: pd.Series) -> str:
    return "–" if pd.isna(row["estimate"]) else numbers.number(row["estimate"])


def _ticks(scale: Mapping[str, Any]) -> list[dict[str, Any]]:
    low, high = scale["from"], scale["to"]
    marks = scale.get("ticks", [low, (low + high) / 2, high])
    return [{"at": 260 * (m - low) / (high - low), "text": numbers.number(m)} for m in marks]


@lru_cache(maxsize=1)
def _palette() -> list[tuple[float, float, float]]:
    return [tuple(c[:3]) for c in seaborn.color_palette("mako_r", 101)]


def _shade(share: float) -> str:
    low, high = PART_OF_PALETTE
    red, green, blue = (round(255 * v) for v in _palette()[round(100 * (low + share * (high - low)))])
    return f"#{red:02x}{green:02x}{blue:02x}"


def _ink_on(fill: str) -> str:
    """Return white where its contrast is at least 4.5, else black (WCAG 2.1, 1.4.3, relative luminance)."""
    parts = [int(fill[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (v / 12.92 if v <= 0.03928 else ((v + 0.055) / 1.055) ** 2.4 for v in parts)
    light = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    return WHITE if 1.05 / (light + 0.05) >= AA else INK
