"""What is published of the headlines of a practice: value, range, how many, source, and how far it compares.

Numbers as printed in the sources named; *second-hand* where a source quotes another. Nothing here is a
standard: definitions differ, and published series are of those who came back.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Published:
    """A published number beside a headline: `panel`, `term` and `zone` name the headline."""

    headline: str
    panel: str
    term: str
    zone: str
    unit: str
    value: str
    of: str
    source: str
    definition: str
    compares: str


_POOLED = "Stoneburner et al. 2020, Aesthet Plast Surg, doi 10.1007/s00266-019-01529-9"
_SHIN = "Shin et al. 2014, J Am Acad Dermatol (second-hand)"
_READERS = "two-point phototrichogram, university record 158519"

PUBLISHED_RANGES = (
    Published(
        "planted hairs grown at maturity, frontal", "at_maturity", "yield_at_maturity", "frontal", "%",
        "85.0 (95 % interval 78.9 to 91.1)", "34 articles", _POOLED,
        "survival of micrografts, hair loss without scarring, as each article defined it",
        "loosely: grafts or hairs, boxes or zones; native change mostly not taken out",
    ),
    Published(
        "planted hairs grown at maturity, crown", "at_maturity", "yield_at_maturity", "crown", "%",
        "none found", "", "", "", "no published count of a crown against a front was found",
    ),
    Published(
        "attempts that bring a graft", "losses", "out of attempts", "", "%",
        "95", "22 patients", _SHIN, "grafts out of punch attempts, mechanised excision",
        "fairly: same definition, one population",
    ),
    Published(
        "grafts taken out without a cut", "losses", "intact of out", "", "%",
        "95.1 (4.9 transected)", "22 patients", _SHIN, "100 less visibly transected of those extracted",
        "partly: a graft with a cut follicle, or cut follicles, were not told apart",
    ),
    Published(
        "hairs a graft, planted", "hairs_per_graft", "planted", "", "hairs",
        "2.44 (taken at random) and 2.72 (chosen)", "24 patients",
        "Bernstein & Wolfeld 2016, Dermatol Surg 42:710-14", "hairs in each graft taken out",
        "partly: a bilateral trial, grafts out and not planted; populations differ by half a hair",
    ),
    Published(
        "one reader twice, CV", "repeats", "within-reader CV (log scale)", "", "%",
        "2.6 to 9.8", "7 volunteers, 3 readings", _READERS, "coefficient of variation of repeated counts",
        "fairly: unoperated scalp, three dermatologists",
    ),
    Published(
        "two readers, CV", "repeats", "between-reader CV (log scale)", "", "%",
        "2.9 to 6.3", "7 volunteers, 3 readers", _READERS, "coefficient of variation between readers",
        "fairly: unoperated scalp, three dermatologists",
    ),
)  # fmt: skip
