"""The numbers of a page as it is today, in the form in which they are pinned."""

from pathlib import Path

from pinned import pages, registers, stored

FOLDER = Path(__file__).parent


def path(register: str, page: str) -> Path:
    """Return the file of pins of a page on a register."""
    return FOLDER / register / f"{page}.jsonl"


def made(register: str, page: str, place: Path) -> stored.Pins:
    """Return what would be pinned today; `place` takes the registers that are recipes."""
    return pins(pages.shown(page, registers.settings(register, page, place)))


def pins(shown: dict[str, pages.Shown]) -> stored.Pins:
    """Return a page for every audience in the form that is pinned."""
    out = stored.Pins()
    for audience, one in shown.items():
        if one.refused:
            out.refused[audience] = one.refused
        else:
            out.tables.update(stored.kept(one.content, audience))
    return out
