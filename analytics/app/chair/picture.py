"""The person's counts over months, one small panel per planted zone, drawn at once from the rows alone."""

import html
from collections.abc import Mapping, Sequence

import pandas as pd

from analytics import entry

WIDE, HIGH, EDGE, BELOW = 260, 170, 36, 26
INK, QUIET, NEW = "#1b1f23", "#4a5259", "#0b4f8a"


def course(tables: Mapping[str, pd.DataFrame], *, new: Sequence[entry.Change] = ()) -> str:
    """Return the panels as SVG: a dot per count, a square for each count of the entry.

    The dashed line is the baseline and the planted hairs together: what would stand there if all grew.
    """
    counts = tables["measurements"]
    counts = counts[~counts["region_kind"].isin(["donor", "unplanted"])]
    fresh = {
        (c.becomes["zone"], c.becomes["session_id"], float(c.becomes["month"]))
        for c in new
        if c.table == "measurements" and c.becomes
    }
    planted = tables["placements"]
    zones = [z for z in dict.fromkeys(planted["zone"]) if counts["zone"].eq(z).any()]
    return "".join(_panel(zone, counts[counts["zone"].eq(zone)], planted, fresh) for zone in zones)


def _panel(zone: str, counts: pd.DataFrame, planted: pd.DataFrame, fresh: set) -> str:
    """Return the panel of one zone, of the latest session that planted it."""
    session = planted.loc[planted["zone"].eq(zone), "session_id"].iloc[-1]
    own = counts[counts["session_id"].eq(session)]
    month = pd.to_numeric(own["month"], errors="coerce")
    density = pd.to_numeric(own["density_hairs_cm2"], errors="coerce")
    here = planted[planted["zone"].eq(zone) & planted["session_id"].eq(session)]
    hairs = pd.to_numeric(here["roi_planted_hairs_cm2"], errors="coerce").max()
    base = density[month.le(0)].mean()
    full = base + hairs
    top = max([10.0, *density.dropna(), *([full] if pd.notna(full) else [])]) * 1.08
    last = max([18.0, *month.dropna()])

    def at(m: float, d: float) -> tuple[float, float]:
        return EDGE + (WIDE - EDGE - 8) * max(m, 0) / last, HIGH - BELOW - (HIGH - BELOW - 22) * d / top

    marks = []
    for m, d in zip(month, density, strict=True):
        if pd.notna(m) and pd.notna(d):
            x, y = at(m, d)
            is_new = (zone, session, m) in fresh
            shape = (
                f'<rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" fill="{NEW}">'
                if is_new
                else f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{QUIET}">'
            )
            close = "</rect>" if is_new else "</circle>"
            marks.append(f"{shape}<title>month {m:g}: {d:g} hairs/cm2</title>{close}")
    if pd.notna(full):
        y = at(0, full)[1]
        marks.append(
            f'<line x1="{EDGE}" x2="{WIDE - 8}" y1="{y:.1f}" y2="{y:.1f}" stroke="{INK}" '
            'stroke-dasharray="4 3"><title>baseline and all planted hairs</title></line>'
        )
    said = html.escape(f"{zone}, session {session}: {len(own)} counts in hairs per cm2 by month")
    return (
        f'<svg role="img" aria-label="{said}" width="{WIDE}" height="{HIGH}" font-size="12" '
        f'font-family="sans-serif" fill="{INK}"><text x="{EDGE}" y="13">{html.escape(zone)}, hairs/cm2</text>'
        f'<path d="M{EDGE} 20V{HIGH - BELOW}H{WIDE - 8}" fill="none" stroke="{QUIET}"/>'
        f'<text x="2" y="{at(0, 0)[1]:.0f}">0</text><text x="2" y="28">{top:.0f}</text>'
        f'<text x="{EDGE}" y="{HIGH - 8}">month 0</text>'
        f'<text x="{WIDE - 8}" y="{HIGH - 8}" text-anchor="end">{last:.0f}</text>{"".join(marks)}</svg>'
    )
