"""What stands where there is no answer, and what a page has written so far."""

from analytics import disclosure
from analytics.pages.page import Page, show_html
from analytics.reports import filled
from analytics.results import Gap


def next_number(page: Page, kind: str) -> int:
    """Return the number of the next figure or table of a page."""
    return 1 + sum(entry["kind"] == kind for entry in page.written)


def untold(page: Page, name: str, title: str) -> None:
    """Note under which heading a reader misses an answer, for the page's card and the command line."""
    page.written.append({"kind": "untold", "name": name, "title": title})


def say_why(page: Page, name: str, title: str, gap: Gap) -> None:
    """Say why a question has no answer; nothing where the clinic does not record such a thing."""
    if not gap.is_absent:
        untold(page, name, title)
        say_instead(page, title, gap.why)


def say_instead(page: Page, title: str, why: str) -> None:
    """Say why there is no picture or table; once in full, and after that where it was said."""
    before = next((e for e in page.written if e["kind"] == "unsaid" and e["text"] == why), None)
    if before is not None:
        said = f"No answer, for the reason given at: {before['title']}."
        show_html(filled("blocks/instead", title=title, why=said, withheld=False))
        return
    page.written.append({"kind": "unsaid", "title": title, "text": why})
    show_html(
        filled("blocks/instead", title=title, why=disclosure.protect_text(why, page.audience), withheld=False)
    )


def say_withheld(page: Page, title: str) -> None:
    """Say in the place of a figure or table that this audience may not see it."""
    page.written.append({"kind": "withheld", "title": title})
    show_html(filled("blocks/instead", title=title, why=disclosure.WITHHELD, withheld=True))
