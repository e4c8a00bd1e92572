"""Make a handout: the records of one patient alone go in, one HTML file (and a PDF) comes out.

No run record and no numbers lie beside it, as a report has them: both would hold the code. The name holds
none either, so that a handout of the same name may be another patient's: it is never written over.
"""

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from analytics import course, files, records, reports, review
from analytics.errors import ParameterError
from analytics.pages.handout.settings import holds_code, settings
from analytics.pages.handout.sheet import html

NAME, WRITER = "handout", "handout"
FORMATS = ("html", "pdf")
SHORTEST_WITHIN = 3  # letters of a code that is looked for inside other words too


def write(
    data: str | Path, out: str | Path, *, formats: Sequence[str] = ("html",), label: str = "", **given: Any
) -> dict[str, Path]:
    """Write a handout and return its files by format.

    Parameters
    ----------
    data
        The records.
    out
        Folder of reports; the handout becomes `out/handout_<label>_<as_of>/`.
    formats
        Of html and pdf.
    label
        Tells handouts apart; it may not hold the patient's code.
    given
        Settings of the handout, by name.

    Raises
    ------
    ParameterError
        When a setting is wrong, the label holds the code, or a handout of this name is there.
    RecordError
        When the records break the dictionary.
    """
    chosen = settings(given)
    name = reports.report_name(NAME, _safe_label(label, chosen.patient), {"as_of": chosen.as_of})
    if unknown := [f for f in formats if f not in FORMATS]:
        raise ParameterError(f"formats: {len(unknown)} unknown; a handout is made as {' or '.join(FORMATS)}")
    place = Path(out).resolve() / name
    if place.exists():
        raise ParameterError(
            f"{name}: a handout of this name is there, perhaps another patient's; give a --label, or move it"
        )
    known = records.load(Path(data))
    records.patient(known, chosen.patient)
    own = records.subset(known, [chosen.patient])
    text = html(
        chosen,
        course.own_counts(own, patient_id=chosen.patient),
        course.next_visits(known, _schedule(data), patient_id=chosen.patient),
        n_sessions=len(own.sessions),
        invented=reports.is_invented(known),
    )
    made = {"html": files.folder(place, {f"{name}.html": text}, by=WRITER) / f"{name}.html"}
    if "pdf" in formats:
        made["pdf"] = reports.pdf(made["html"], place / f"{name}.pdf")
    return made


def _safe_label(label: str, code: str) -> str:
    within = len(code) >= SHORTEST_WITHIN and code.casefold() in label.casefold()
    if within or holds_code(re.sub(r"[_.-]", " ", label), code):
        raise ParameterError(
            "label: it holds the patient's code, which must not stand in the name of a handout"
        )
    return label


def _schedule(data: str | Path) -> tuple:
    place = Path(data)
    return review.schedule((place if place.is_dir() else place.parent) / "criteria.toml")


def refuse_other_pages(page: str) -> None:
    """Refuse a page other than the case's, which alone is made for a patient.

    Raises
    ------
    ParameterError
        When another page is asked for.
    """
    if not reports.parameters.notebook(page).stem.startswith("04_"):
        raise ParameterError(
            "audience patient: page 04 alone is made for a patient; the others hold everybody"
        )
