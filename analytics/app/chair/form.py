"""The form of the chair: code, month, hairs by zone, read back, written; the keyboard alone is enough.

Enter leads from field to field. What was last used stands there: zones, field, reader, device. The same rules
as `regrowth check` speak before anything is written, and the curve shows the new count at once. The chart
number and dates are read and taken out of their fields in the same moment; the picture goes when the next
person comes, so that no saved notebook holds one.
"""

import html
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import ipywidgets as widgets
from IPython.display import display

from analytics import entry
from analytics.app.chair import asked, correcting, picture
from analytics.dictionary import TABLES, Column
from analytics.errors import AnalyticsError
from analytics.identifiers import code

LABELS = {"description_width": "13rem"}
WIDE, IN_ROW, NARROW = {"width": "24rem"}, {"width": "20rem"}, {"width": "11rem"}
SETTINGS = ("reader_id", "device_class", "hair_length", "standard_conditions", "condition_reason")
VISIT = ("mode", "photographs_standard", "complications_asked", "withdrawn")
SESSION = (
    "register_month",
    "method",
    "surgeon_id",
    "team_id",
    "attempts",
    "grafts_out",
    "grafts_transected",
    "grafts_discarded",
    "holding_medium",
    "out_of_body_min",
)
PLANTED = ("zone", "area_cm2", "grafts_1", "grafts_2", "grafts_3", "grafts_4", "roi_planted_hairs_cm2")
PATIENT = (
    "sex",
    "age_years",
    "loss_class",
    "hair_calibre_um",
    "donor_area_cm2",
    "donor_fu_cm2",
    "donor_hairs_cm2",
)


@dataclass(slots=True)
class Chair:
    """The form and what it holds for the person in the chair."""

    data: Path
    key_file: str
    state: str
    person: widgets.Text
    month: widgets.Text
    visit_day: widgets.Text
    session_day: widgets.Text
    rows: widgets.VBox
    more: widgets.VBox
    said: widgets.HTML
    curve: widgets.HTML
    save: widgets.Button
    back: widgets.Button
    new_session: widgets.Button
    correct: widgets.Button
    hairs: list[widgets.Text] = field(default_factory=list)
    sizes: list[widgets.Text] = field(default_factory=list)
    cells: dict[str, widgets.DOMWidget] = field(default_factory=dict)
    case: entry.Case | None = None
    changes: tuple[entry.Change, ...] = ()
    kind: str = "follow-up"


def show(data: str | Path = "", *, key_file: str = "", state: str = "") -> None:
    """Display the form.

    Parameters
    ----------
    data
        The register: a folder of tables, a workbook or a DuckDB file.
    key_file
        The clinic's key; with it the chart number is asked for instead of the code.
    state
        State folder, if not beside the register.
    """
    chair = made(data, key_file=key_file, state=state)
    days = widgets.Accordion(
        [widgets.VBox([chair.visit_day, chair.session_day])], titles=("Month by two dates",)
    )
    more = widgets.Accordion([chair.more], titles=("Reader, device, conditions, visit",))
    buttons = widgets.HBox([chair.save, chair.back, chair.new_session, chair.correct])
    form = [chair.person, chair.month, days, chair.rows, buttons, chair.said, chair.curve, more]
    display(widgets.VBox(form))
    chair.person.focus()


def made(data: str | Path, *, key_file: str = "", state: str = "") -> Chair:
    """Return the form, not displayed; every field answers."""
    kind = widgets.Password if key_file else widgets.Text
    who = "Chart number" if key_file else "Code of the patient"
    chair = Chair(
        Path(data),
        key_file,
        state,
        kind(description=who, style=LABELS, layout=WIDE, continuous_update=False),
        _text("Months since the last session"),
        _text("Date of the visit", "2026-03-30; not stored"),
        _text("Date of the last session", "2024-09-28; not stored"),
        widgets.VBox(),
        widgets.VBox(),
        widgets.HTML(),
        widgets.HTML(),
        widgets.Button(description="Write", button_style="primary", disabled=True),
        widgets.Button(description="Take the last entry back", layout={"width": "auto"}),
        widgets.Button(description="New session"),
        widgets.Button(description="Correct a cell"),
    )
    chair.person.observe(lambda change: _guarded(chair, lambda: _come(chair, change["new"])), names="value")
    for day in (chair.visit_day, chair.session_day):
        day.observe(lambda _: _guarded(chair, lambda: _by_dates(chair)), names="value")
    chair.month.observe(lambda _: _guarded(chair, lambda: _look(chair, after=chair.month)), names="value")
    chair.save.on_click(lambda _: _guarded(chair, lambda: _write(chair)))
    chair.back.on_click(lambda _: _guarded(chair, lambda: _take_back(chair)))
    chair.new_session.on_click(lambda _: _guarded(chair, lambda: _ask_session(chair)))
    chair.correct.on_click(lambda _: _guarded(chair, lambda: _ask_correction(chair)))
    return chair


def _text(description: str, placeholder: str = "", value: str = "") -> widgets.Text:
    return widgets.Text(
        value=value,
        description=description,
        placeholder=placeholder,
        style=LABELS,
        layout=WIDE,
        continuous_update=False,
    )


def _guarded(chair: Chair, do: Callable[[], None]) -> None:
    """Do something; what is wrong is said in the form."""
    try:
        do()
    except AnalyticsError as error:
        chair.save.disabled = True
        chair.said.value = _alert(str(error).splitlines())


def _come(chair: Chair, typed: str) -> None:
    """Show what is known of the person whose code or chart number was typed."""
    if not typed.strip():
        return
    if chair.key_file:
        chair.person.value = ""
        typed = code(typed, chair.key_file)
    chair.case = entry.case_of(chair.data, typed)
    chair.changes, chair.kind = (), "follow-up"
    chair.month.value = chair.visit_day.value = chair.session_day.value = ""
    chair.curve.value = ""
    chair.save.disabled = True
    _draw_places(chair)
    if chair.case.is_new:
        chair.said.value = _status(["This code is not in the register yet: enter the session first."])
        _ask_session(chair)
        return
    sessions = ", ".join(chair.case.sessions)
    chair.said.value = _status([f"Sessions {sessions}. Counted: {len(chair.case.places)} places."])
    chair.curve.value = picture.course(chair.case.tables)
    chair.month.focus()
    _ = chair.case.told  # made while the months are typed: the first count waits for the rules once


def _draw_places(chair: Chair) -> None:
    """Draw a row for each place of the last session, and what was last used."""
    places = chair.case.places if chair.case else ()
    chair.hairs, chair.sizes, rows = [], [], []
    for at in places:
        last = (
            f"last {at.last['density_hairs_cm2']}/cm2, month {at.last['month']}"
            if at.last
            else "not counted yet"
        )
        fields = at.remembered["n_fields"]
        last = last if fields in ("", "1") else f"{fields} fields together; {last}"
        name = at.zone if at.region_id == at.zone else f"{at.zone} ({at.region_id})"
        hairs, size = _text(name, "hairs counted"), _text("field in cm2", "", at.remembered["roi_area_cm2"])
        number = len(chair.hairs)
        for box in (hairs, size):
            box.observe(
                lambda _, box=box, number=number: _guarded(
                    chair, lambda: _look(chair, after=box, number=number)
                ),
                names="value",
            )
        chair.hairs.append(hairs)
        chair.sizes.append(size)
        hairs.layout, size.style, size.layout = IN_ROW, {"description_width": "6rem"}, NARROW
        rows.append(widgets.HBox([hairs, size, widgets.Label(last)], layout={"flex_flow": "row wrap"}))
    chair.rows.children = tuple(rows)
    kept = places[0].remembered if places else {}
    chair.cells = {c: _field(TABLES["measurements"].column(c), kept.get(c, "")) for c in SETTINGS}
    if chair.case and chair.case.keeps_visits:
        chair.cells |= {c: _field(TABLES["visits"].column(c), "") for c in VISIT}
    chair.more.children = tuple(chair.cells.values())
    for box in chair.cells.values():
        box.observe(lambda _: _guarded(chair, lambda: _look(chair)), names="value")


def _field(column: Column, value: str) -> widgets.DOMWidget:
    """Return the field of a column: its words to choose from, or a text."""
    name = column.name.replace("_", " ")
    words = column.allowed or (("True", "False") if column.kind == "yesno" else ())
    if not words:
        return _text(name, column.unit, value)
    shown = [("", ""), *((w if column.allowed else {"True": "yes", "False": "no"}[w], w) for w in words)]
    return widgets.Dropdown(
        options=shown, value=value if value in words else "", description=name, style=LABELS
    )


def _by_dates(chair: Chair) -> None:
    """Turn two dates into a month and take both out of their fields."""
    if chair.visit_day.value and chair.session_day.value:
        month = entry.months_since(chair.visit_day.value.strip(), chair.session_day.value.strip())
        chair.visit_day.value = chair.session_day.value = ""
        chair.month.value = entry.text_of(month)


def _counts(chair: Chair) -> list[entry.Count]:
    places = chair.case.places if chair.case else ()
    return [
        entry.Count(at, asked.number(hairs.value, at.zone), asked.number(size.value or "0", "field"))
        for at, hairs, size in zip(places, chair.hairs, chair.sizes, strict=True)
        if hairs.value.strip()
    ]


def _look(chair: Chair, *, after: widgets.DOMWidget | None = None, number: int = -1) -> None:
    """Go on to the next field, read back what would be written, and show it on the curve."""
    if chair.case is None or chair.case.is_new or not chair.month.value.strip():
        return
    month = asked.number(chair.month.value, "months")
    counts = _counts(chair)
    is_last = number == len(chair.hairs) - 1
    if not is_last:  # the hand goes on while the rules are asked
        _next(chair, after, number)
    if counts:
        of_counts = {c: chair.cells[c].value for c in SETTINGS}
        of_visit = {c: chair.cells[c].value for c in VISIT if c in chair.cells}
        _propose(
            chair, entry.follow_up(chair.case, month, counts, cells=of_counts, visit=of_visit), "follow-up"
        )
    if is_last:  # a button that is not yet free takes no cursor
        _next(chair, after, number)


def _propose(chair: Chair, changes: Sequence[entry.Change], kind: str) -> None:
    """Say what the rules say of an entry and let it be written where nothing stops it."""
    assert chair.case is not None
    found = entry.look(chair.case, changes)
    chair.changes, chair.kind = tuple(changes), kind
    chair.save.disabled = not found.is_usable
    lines = asked.read_back(changes, chair.case)
    lines += [f"To look at: {p.sentence()}" for p in found.warnings]
    chair.said.value = _status(lines) if found.is_usable else _alert([p.sentence() for p in found.problems])
    chair.curve.value = picture.course(found.tables, new=changes)


def _next(chair: Chair, after: widgets.DOMWidget | None, number: int) -> None:
    """Put the cursor into the next field, or on the button when the last place was counted."""
    if after is chair.month and chair.hairs:
        chair.hairs[0].focus()
    elif after is not None and number >= 0:
        following = [*chair.hairs[number + 1 :]]
        (following[0] if following else chair.save).focus()


def _write(chair: Chair) -> None:
    if not chair.changes:
        return
    done = entry.record(chair.data, chair.changes, kind=chair.kind, kept_in=chair.state)
    # Without a person the emptied fields say nothing.
    chair.changes, chair.case = (), None
    chair.save.disabled = True
    for box in (*chair.hairs, chair.month, chair.person):
        box.value = ""
    if not chair.hairs:  # a session or a correction: what was typed stands in no saved notebook
        chair.rows.children = ()
    chair.said.value = _status([f"Written as entry {done.number}: {len(done.changes)} rows."])
    chair.person.focus()


def _take_back(chair: Chair) -> None:
    done = entry.undo(chair.data, kept_in=chair.state)
    chair.curve.value = ""
    chair.said.value = _status([f"Entry {done.takes_back} was taken back: {len(done.changes)} rows."])
    chair.person.focus()


def _ask_correction(chair: Chair) -> None:
    """Draw the fields that correct a cell of this person's rows."""
    if chair.case is None:
        chair.said.value = _alert(["Type the code of the patient first."])
        return

    def propose(changes: Sequence[entry.Change]) -> None:
        _propose(chair, changes, "correction")
        chair.save.focus()

    boxes = correcting.fields(chair.case, LABELS, lambda do: _guarded(chair, do), propose)
    chair.rows.children = tuple(boxes)
    chair.hairs, chair.sizes = [], []
    boxes[0].focus()


def _ask_session(chair: Chair) -> None:
    """Draw the fields of a new session, four zones, and of a new person."""
    if chair.case is None:
        chair.said.value = _alert(["Type the code of the patient first."])
        return
    last = chair.case.tables["sessions"].iloc[-1].to_dict() if chair.case.sessions else {}
    kept = {c: last.get(c, "") for c in ("method", "surgeon_id", "team_id", "holding_medium")}
    boxes = {c: _field(TABLES["sessions"].column(c), kept.get(c, "")) for c in SESSION}
    patient = {c: _field(TABLES["patients"].column(c), "") for c in PATIENT} if chair.case.is_new else {}
    zones = [{c: _field(TABLES["placements"].column(c), "") for c in PLANTED} for _ in range(4)]
    check = widgets.Button(description="Read back")
    check.on_click(lambda _: _guarded(chair, lambda: _session(chair, boxes, zones, patient)))
    titles = [widgets.HTML(f"<b>{html.escape(t)}</b>") for t in ("Patient", "Session", "Planted zones")]
    grid = [widgets.HBox(list(z.values()), layout=widgets.Layout(flex_flow="row wrap")) for z in zones]
    of_patient = [titles[0], *patient.values()] if patient else []
    chair.rows.children = (*of_patient, titles[1], *boxes.values(), titles[2], *grid, check)
    chair.hairs, chair.sizes = [], []
    next(iter((patient or boxes).values())).focus()


def _session(chair: Chair, boxes: dict, zones: Sequence[dict], patient: dict) -> None:
    assert chair.case is not None
    planted = [{c: box.value.strip() for c, box in zone.items()} for zone in zones]
    changes = entry.session(
        chair.case,
        {c: box.value.strip() for c, box in boxes.items()},
        [zone for zone in planted if zone["zone"]],
        patient={c: box.value.strip() for c, box in patient.items()},
    )
    _propose(chair, changes, "session")
    chair.save.focus()


def _status(lines: Sequence[str]) -> str:
    return f'<div role="status">{_list(lines)}</div>'


def _alert(lines: Sequence[str]) -> str:
    return f'<div role="alert" style="border-left:4px solid #9b1c1c;padding-left:.8rem">{_list(lines)}</div>'


def _list(lines: Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li>{html.escape(line)}</li>" for line in lines) + "</ul>"
