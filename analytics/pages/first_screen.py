"""The first screen of a page: whose numbers, key numbers, a map of the head, when more can be told.

A notebook's cells before its first second-level heading make it, in this order: `pages.answer`,
`pages.key_numbers`, one `pages.figure`, `pages.head_map`, `pages.when`. All comes from protected results.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from analytics import disclosure, numbers
from analytics.errors import ParameterError
from analytics.pages import head
from analytics.pages.figures import drawing
from analytics.pages.page import Page, is_invented, result_of, show_html
from analytics.pages.words import of_page
from analytics.reports import filled
from analytics.results import only, plain, why_not

INVENTED = "INVENTED DATA"
LONGEST_VALUE = 24  # characters that stand in the size of a key number; longer words are its reason
MOST_NUMBERS = 6
# The second cue of a verdict with a colour (a square: the alarm's); others are words alone.
OVER, WITHIN = "over the limit", "within the limit"
SHAPES = {"worse": "■", "not met": "■", "low": "■", OVER: "■", "met": "●", "better": "●", WITHIN: "●"}
UNTOLD = "cannot be told"


@dataclass(frozen=True, slots=True)
class KeyNumber:
    """One number of the first screen, with all that must be read with it.

    label: what it is, with its month; value and unit; interval, as "95 % interval 74 to 84"; rests_on:
    followed and counted; verdict: met, not met, better, worse, low, yes, no, over or within the limit, or
    words for "cannot be told", with `why` behind it; side: crown or front, for the colour they have in the
    figure.
    """

    label: str
    value: str
    unit: str = ""
    interval: str = ""
    rests_on: str = ""
    verdict: str = ""
    why: str = ""
    side: str = ""


def key_number(
    page: Page,
    name: str,
    *,
    label: str,
    unit: str = "",
    rests_on: str = "",
    verdict: str = "",
    why: str = "",
    side: str = "",
    **where: Any,
) -> KeyNumber:
    """Return one row of a result as a key number; withheld where this audience may not see it.

    Parameters
    ----------
    page, name
        The page, and the name under which the result was handed over.
    label, unit, rests_on, verdict, why, side
        As in `KeyNumber`; without a unit, the row's own. Without `rests_on`, its number of patients.
    where
        The row, by column and value.

    Returns
    -------
    KeyNumber
        As `key_numbers` writes it.

    Examples
    --------
    >>> import pandas as pd
    >>> from analytics import pages, results
    >>> row = results.line("yield", 80.0, "%", se=2.0, ci=(76.0, 84.0), basis="model", n_patients=9)
    >>> given = results.Result(pd.DataFrame([row]), pd.DataFrame(), "counted by hand")
    >>> page = pages.results(pages.begin("my_question"), seen=given)
    <IPython.core.display.HTML object>
    >>> pages.key_number(page, "seen", label="Yield").value
    '80'
    """
    result = result_of(page, name)
    if why_not(result):
        return KeyNumber(label, "", verdict=UNTOLD, why=why_not(result), side=side)
    if page.audience != "internal" and result.table().empty:
        return KeyNumber(label, disclosure.WITHHELD, side=side)
    row = numbers.pick(result, **where)
    if pd.isna(row["estimate"]):
        instead = plain(numbers.words_for_missing(row))
        if len(instead) <= LONGEST_VALUE:
            return KeyNumber(label, instead, side=side)
        return KeyNumber(label, "", verdict=UNTOLD, why=instead.removeprefix("cannot tell: "), side=side)
    said = numbers.parts(row)
    return KeyNumber(
        label, said.value, unit or said.unit, said.interval, rests_on or said.patients, verdict, why, side
    )


def key_numbers(page: Page, what: str | Sequence[KeyNumber]) -> None:
    """Write the key numbers: those handed over, or a result's rows, six at most.

    Parameters
    ----------
    what
        Name of a result, or numbers of `key_number`.

    Examples
    --------
    >>> import pandas as pd
    >>> from analytics import pages, results
    >>> row = results.line("yield", 80.0, "%", se=2.0, ci=(76.0, 84.0), basis="model", n_patients=9)
    >>> given = results.Result(pd.DataFrame([row]), pd.DataFrame(), "counted by hand")
    >>> page = pages.results(pages.begin("my_question"), seen=given)
    <IPython.core.display.HTML object>
    >>> pages.key_numbers(page, "seen")
    <IPython.core.display.HTML object>
    >>> page.written[-1]["numbers"][0]["value"]
    '80'
    """
    shown = _of_result(page, what) if isinstance(what, str) else list(what)
    tiles = [_tile(page, one) for one in shown[:MOST_NUMBERS]]
    page.written.append({"kind": "numbers", "numbers": tiles})
    if tiles:
        show_html(filled("blocks/key_numbers", tiles=tiles), slot="numbers")


def _of_result(page: Page, name: str) -> list[KeyNumber]:
    result = result_of(page, name)
    table = result.table()
    labels = drawing.row_labels(table, result.by)
    keys = [c for c in (*result.by, "term", "x") if c in table]
    return [
        key_number(page, name, label=label, **{k: row[k] for k in keys if pd.notna(row[k])})
        for label, (_, row) in list(zip(labels, table.iterrows(), strict=True))[:MOST_NUMBERS]
    ]


def _tile(page: Page, one: KeyNumber) -> dict[str, str]:
    kept = {
        part: disclosure.protect_text(getattr(one, part), page.audience)
        for part in ("label", "value", "unit", "interval", "rests_on", "verdict", "why")
    }
    kept["unit"] = kept["unit"].strip()  # the number stands in a field of its own
    shape = SHAPES.get(one.verdict, "")
    kind = one.verdict.replace(" ", "-") if one.verdict in (*SHAPES, "yes", "no") else "unsure"
    return {
        **kept,
        "verdict": numbers.title_case(kept["verdict"]),
        "shape": shape,
        "kind": kind,
        "side": one.side,
    }


def head_map(
    page: Page,
    name: str,
    title: str,
    *,
    beside: str = "",
    colour: str = "",
    caption: str = "",
    **where: Any,
) -> None:
    """Draw a head seen from above with a number in each zone; darker is more, on a scale fixed for the page.

    Parameters
    ----------
    page, name, title
        The page, the name of a result with a column `zone`, what the map shows.
    beside, colour
        Terms whose number stands behind a stroke, and gives the colour; none: the zone's own number gives it.
    caption
        How to read it; without one, the page's own.
    where
        The rows, by column and value: `term` names the number printed; one row a zone must be left.

    Raises
    ------
    ParameterError
        When the page has no scale in `words.toml`, or a zone has more than one row.

    Examples
    --------
    >>> import pandas as pd
    >>> from analytics import pages, results
    >>> row = results.line("yield", 80.0, "%", basis="model", by={"zone": "crown"})
    >>> given = results.Result(pd.DataFrame([row]), pd.DataFrame(), "by hand", ("zone",))
    >>> page = pages.results(pages.begin("01_surgeon_audit", "data_demo"), seen=given)
    <IPython.core.display.HTML object>
    >>> pages.head_map(page, "seen", "Yield by zone", term="yield")
    <IPython.core.display.HTML object>
    >>> page.written[-1]["kind"]
    'map'
    """
    if why_not(result_of(page, name)):
        return  # the answer and the picture beside it have said why
    if only(result_of(page, name), **where).table().empty:
        return  # a head without a number says nothing
    scale = of_page(page.name).get("scale")
    if scale is None:
        raise ParameterError(
            "pages.head_map: this page has no scale; give it from, to and says in words.toml"
        )
    terms = {"printed": where.pop("term", None), "beside": beside, "colour": colour}
    rows = result_of(page, name).table()
    for column, value in where.items():
        rows = rows[rows[column].eq(value)]
    by_term = {part: _by_zone(rows, term) for part, term in terms.items() if part == "printed" or term}
    shown = disclosure.protect_text(caption or str(scale.get("caption", "")), page.audience)
    page.written.append({"kind": "map", "name": name, "title": title})
    show_html(head.block(by_term, title, scale, shown), slot="aside")


def _by_zone(rows: pd.DataFrame, term: str | None) -> Mapping[str, pd.Series]:
    own = rows[rows["term"].eq(term)] if term else rows
    if own["zone"].duplicated().any():
        raise ParameterError("pages.head_map: a zone has more than one row; name the term, or more columns")
    return {str(row["zone"]): row for _, row in own.iterrows()}


def facts(page: Page, phrases: Sequence[str]) -> None:
    """Write short phrases in one line under the answer: who it is about, what was done.

    Parameters
    ----------
    phrases
        A few words each.

    Examples
    --------
    >>> from analytics import pages
    >>> page = pages.begin("my_question")
    <IPython.core.display.HTML object>
    >>> pages.facts(page, ["240 patients", "two surgeons"])
    <IPython.core.display.HTML object>
    >>> page.written[-1]["text"]
    '240 patients; two surgeons'
    """
    shown = [disclosure.protect_text(phrase, page.audience) for phrase in phrases]
    if shown:
        page.written.append({"kind": "facts", "text": "; ".join(shown)})
        show_html(filled("blocks/facts", phrases=shown), slot="numbers")


def when(page: Page, sentence: str, *, rough: str = "", title: str = "When can it be told?") -> None:
    """Write when what cannot be told today can be; nothing for an empty sentence.

    Parameters
    ----------
    page, sentence
        The page, and the sentence: what is missing, how much of it, and the month or quarter.
    rough
        How rough that is.
    title
        Its heading.

    Examples
    --------
    >>> from analytics import pages
    >>> page = pages.begin("my_question")
    <IPython.core.display.HTML object>
    >>> pages.when(page, "In quarter 14, when six more crowns are counted.")
    <IPython.core.display.HTML object>
    >>> page.written[-1]["text"]
    'In quarter 14, when six more crowns are counted.'
    """
    if not sentence:
        return
    shown, quiet = (disclosure.protect_text(text, page.audience) for text in (sentence, rough))
    page.written.append({"kind": "when", "text": shown})
    show_html(filled("blocks/when", title=title, sentence=shown, rough=quiet), slot="aside")


def strip(page: Page) -> None:
    """Write the line above the question: invented data, the page, whose numbers, and who may read them."""
    invented = INVENTED if is_invented(page) else ""
    audience = _audience_line(page) if page.records is not None else ""
    foot_line = " · ".join(part for part in (invented, audience) if part)
    html = filled(
        "blocks/strip",
        invented=invented,
        name=of_page(page.name).get("title", ""),
        about=about(page),
        audience=audience,
    )
    show_html(html, slot="strip", foot_line=foot_line)


def about(page: Page) -> str:
    """Return whose numbers the page holds, and from when; codes for this clinic alone.

    Returns
    -------
    str
        Parts set apart by points.
    """
    parts = []
    if page.audience == "internal":
        named = {name: page.settings.get(name) for name in ("patient", "surgeon", "team")}
        parts += [f"{name} {code}" for name, code in named.items() if code]
        if page.records is not None and not named["patient"]:
            parts.append(_size(page.records))
    if page.settings.get("as_of"):
        parts.append(f"as of {page.settings['as_of']}")
    return " · ".join(parts)


def _size(records: Any) -> str:
    patients, months = len(records.patients), records.sessions["register_month"].max()
    people = f"{numbers.number(patients)} patient{'' if patients == 1 else 's'}"
    return people if pd.isna(months) else f"{people}, {numbers.number(months)} months of sessions"


def _audience_line(page: Page) -> str:
    return disclosure.BANNER.get(page.audience, "") or OUTSIDE


OUTSIDE = "For readers outside this clinic: small numbers are withheld."
