"""Windows of follow-up as a calendar that any diary reads (RFC 5545), one event per patient.

A diary is synchronised, shared and shown on locked telephones. So a title says *follow-up* and a code and
nothing else: no zone, no month, no clinic, no description. An event spans the months of the window and blocks
no time. Its identifier is a keyed digest that stays the same from month to month, so that a calendar taken in
again moves its events and doubles none.
"""

import datetime
from collections.abc import Iterable
from dataclasses import dataclass

from icalendar import Calendar, Event

from analytics import files

TITLE = "follow-up"
PRODUCT = "-//Regrowth workbook//Follow-up//EN"


@dataclass(frozen=True, slots=True)
class Window:
    """A patient's window: code, a name of the visit that stays the same, first day, first day after."""

    code: str
    visit: str
    begins: datetime.date
    ends: datetime.date


def calendar(windows: Iterable[Window], *, today: datetime.date, secret: bytes) -> bytes:
    """Return the calendar file of the windows.

    Parameters
    ----------
    windows
        One a patient.
    today
        The day it is made, which stands as its time stamp.
    secret
        Key of the digests: of the clinic's state folder.
    """
    out = Calendar()
    out.add("prodid", PRODUCT)
    out.add("version", "2.0")
    out.add("x-wr-calname", TITLE)
    stamp = datetime.datetime.combine(today, datetime.time(), tzinfo=datetime.UTC)
    for window in windows:
        (digest,) = files.state.digests(secret, [f"{window.code}\x1f{window.visit}"])
        event = Event()
        event.add("uid", f"{digest}@regrowth")
        event.add("dtstamp", stamp)
        event.add("summary", f"{TITLE} {window.code}")
        event.add("dtstart", window.begins)
        event.add("dtend", window.ends)
        event.add("class", "PRIVATE")
        event.add("transp", "TRANSPARENT")
        out.add_component(event)
    return bytes(out.to_ical())
