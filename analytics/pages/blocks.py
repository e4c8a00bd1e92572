"""The blocks of HTML a page is made of: results and texts in, HTML out; nothing is shown or stored here."""

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
from markupsafe import Markup, escape
from matplotlib.figure import Figure

from analytics import disclosure, numbers
from analytics.numbers import readable, title_case
from analytics.pages import tables
from analytics.pages.figures import BANDS, BARS, CAPTIONS, draw, drawing, flow
from analytics.reports import begun, filled
from analytics.results import LEVEL, Curve, Result

MAIN_NUMBERS = 8
NOTES_IN_CAPTION = 2  # more of them stand under the figure's table alone
SHORT_HASH = 16  # letters of a hash that are printed
# A number that stands before its bracketed interval.
BEFORE_ITS_INTERVAL = re.compile(rf"(−?[\d.,]*\d(?:{numbers.THIN}%| (?:points?|months?|hairs/cm²))?)(?= \()")
CAUTIONS = (
    "Decision support for licensed practitioners, who stay responsible for every decision; no advice to a "
    "patient.",
    "Not assessed as a medical device; local law may class it as one.",
    "Small numbers mislead: read the interval before the number.",
    "A clinic's past figures promise no outcome to the next patient.",
    "Local law on health data and the patients' consent decide whether this page may leave the clinic.",
)


def answer_block(sentence: str, asked: str = "") -> Markup:
    """Return the one-line answer, and what was asked; numbers before bracketed intervals are set stronger."""
    strong = BEFORE_ITS_INTERVAL.sub(r"<strong>\1</strong>", str(escape(sentence)))
    return filled("blocks/answer", sentence=Markup(strong), asked=asked)


def figure_block(
    result: Result, number: int, title: str, alt: str, caption: str, *, with_titles: bool = True
) -> Markup:
    """Return a picture for a wide page and for a telephone, with its written alternative and its numbers.

    `with_titles`: whether marks of the wide one say their value when pointed at; a finger cannot point.
    """
    narrow_one = _ahead.pop((id(result), True), None) or _Ahead(result, True)
    wide_one = _ahead.pop((id(result), False), None)
    wide = wide_one.drawn() if wide_one else _drawn(result, False)
    narrow = narrow_one.drawn()
    alternative = f"{alt.rstrip('.')}. {main_numbers(result)}"
    data = tables.show(result, table_id=f"f{number}d", title=f"Numbers of figure {number}")
    return filled(
        "blocks/figure",
        number=number,
        title=title,
        wide=drawing.inline(wide, f"f{number}w", alternative, with_titles=with_titles),
        narrow=drawing.inline(narrow, f"f{number}n", alternative, with_titles=False),
        caption=_caption(result, caption),
        data=folded(f"The numbers of figure {number}", data),
    )


class _Ahead:
    """A picture that a helper may draw before the page comes to it."""

    def __init__(self, result: Result, is_narrow: bool) -> None:
        self.result, self.drawn = result, begun(_drawn, result, is_narrow, or_here=True)


_ahead: dict[tuple[int, bool], _Ahead] = {}  # by identity of the result, which the picture holds


def draw_ahead(results: Sequence[Result]) -> None:
    """Let a helper begin with pictures: for telephones from the first on, then the wide ones from the last.

    This process draws the wide ones from the first on, and what no helper has begun when it is needed.
    """
    _ahead.clear()
    _ahead.update({(id(one), True): _Ahead(one, True) for one in results})
    _ahead.update({(id(one), False): _Ahead(one, False) for one in reversed(results)})


def figure_files(result: Result, alt: str) -> dict[str, bytes]:
    """Return a picture as files of its own, by their ending."""
    return drawing.alone(draw(result).figure, f"{alt.rstrip('.')}. {main_numbers(result)}")  # type: ignore[arg-type]


def flow_block(
    stages: pd.DataFrame, left_out: pd.DataFrame, labels: Mapping[str, str], number: int, title: str, alt: str
) -> Markup:
    """Return the flow of a study drawn, for a wide page and for a telephone; its numbers stand elsewhere."""
    wide, narrow = (drawing.svg(_flow(stages, left_out, labels, narrow=on)) for on in (False, True))
    groups = [labels[c].lower() for c in ("n_reference", "n_compared") if c in stages]
    units = next(labels[c] for c in stages if c in ("n_placements", "n_sessions")).lower()
    caption = f"Left out: {units}" + (f"; in brackets patients {', '.join(groups)}." if groups else ".")
    alternative = _flow_in_words(stages, alt)
    return filled(
        "blocks/figure",
        number=number,
        title=title,
        wide=drawing.inline(wide, f"f{number}w", alternative),
        narrow=drawing.inline(narrow, f"f{number}n", alternative),
        caption=caption,
        data="",
    )


def flow_files(
    stages: pd.DataFrame, left_out: pd.DataFrame, labels: Mapping[str, str], alt: str
) -> dict[str, bytes]:
    """Return the flow of a study as files of its own, by their ending."""
    return drawing.alone(_flow(stages, left_out, labels, narrow=False), _flow_in_words(stages, alt))


def _flow(stages: pd.DataFrame, left_out: pd.DataFrame, labels: Mapping[str, str], *, narrow: bool) -> Figure:
    return flow(stages, left_out, labels, narrow=narrow).figure  # type: ignore[return-value]


def _flow_in_words(stages: pd.DataFrame, alt: str) -> str:
    said = "; ".join(
        f"{row['stage']} {numbers.number(row['n_patients'])} patients"
        for _, row in stages[stages["n_patients"].notna()].iterrows()
    )
    return f"{alt.rstrip('.')}. {said}."


def _drawn(result: Result, narrow: bool) -> str:
    return drawing.svg(draw(result, narrow=narrow).figure)  # type: ignore[arg-type]


def main_numbers(result: Result) -> str:
    """Return the first numbers of a result in words, for the written alternative of its picture."""
    table = result.table()
    labels = drawing.row_labels(table, result.by)
    said = [
        f"{label} {numbers.full(row, counts=False)}"
        for label, (_, row) in list(zip(labels, table.iterrows(), strict=True))[:MAIN_NUMBERS]
    ]
    more = len(table) - MAIN_NUMBERS
    return "; ".join(said) + (f"; and {more} more in the table beneath" if more > 0 else "") + "."


def _caption(result: Result, caption: str) -> str:
    parts = [numbers.sentence(caption)] if caption else []
    if result.picture in CAPTIONS:
        parts.append(CAPTIONS[result.picture](result))
    if bars := BARS.get(result.picture, _levels(result)):
        parts.append(bars.replace(" %", f"{numbers.THIN}%"))
    notes = result.notes if len(result.notes) <= NOTES_IN_CAPTION else ()
    return " ".join([*parts, *(numbers.sentence(note) for note in notes)])


def _levels(result: Result) -> str:
    """Return the level of the intervals drawn, and which rows have another."""
    table = result.table()
    drawn, is_band = table, result.picture in BANDS
    if is_band and isinstance(result, Curve):
        drawn = result.path
    if any("ci_low" not in rows or rows["ci_low"].isna().all() for rows in (drawn, table)):
        return ""
    known = table[table["ci_low"].notna()]
    level = known["level"].fillna(LEVEL) if "level" in known else pd.Series(LEVEL, index=known.index)
    usual = float(level.mode().iloc[-1])
    said = f"{'Bands' if is_band else 'Bars'}: {100 * usual:g} % intervals"
    labels = pd.Series(drawing.row_labels(table, result.by), index=table.index)
    for other in level[level.ne(usual)].unique():
        named = ", ".join(labels[level.index[level.eq(other)]])
        said += f"; {100 * float(other):g} % for {named[:1].lower()}{named[1:]}"
    return f"{said}."


def folded(title: str, content: str) -> Markup:
    """Return content that opens when asked for."""
    return filled("blocks/folded", title=title, content=content)


def method_block(
    named: Mapping[str, Result], audience: str, shown: Sequence[Mapping[str, Any]] = ()
) -> Markup:
    """Return how the results were made, from how many rows, which checks did not pass; the same once.

    `shown` holds the figures and tables written so far: a method is headed by those that show it.
    """
    names: dict[tuple[str, str], list[str]] = {}
    for name, result in named.items():
        failed = ", ".join(readable(check) for check, passed in result.checks.items() if not passed)
        names.setdefault((_how(result, audience), failed), []).append(name)
    methods = [
        {"shown_in": _shown_in(those, shown), "how": how, "failed": failed}
        for (how, failed), those in names.items()
    ]
    return filled("blocks/method", methods=methods)


def _how(result: Result, audience: str) -> str:
    facts = disclosure.protect_facts(result.facts(), audience).iloc[0]
    how = numbers.sentence(str(facts["method"]))
    parts = [
        f"{_count(facts[column])} {one if facts[column] == 1 else f'{one}s'}"
        for column, one in (("n_rows", "row"), ("n_patients", "patient"))
        if facts[column] != 0
    ]
    if not parts or _has_others(result):
        return how
    out = f"; {_count(facts['n_left_out'])} left out" if facts["n_left_out"] else ""
    return f"{how} From {' of '.join(parts)}{out}."


def _has_others(result: Result) -> bool:
    """Tell whether lines of a result rest on other rows than its own, as tests of several outcomes do."""
    table = result.estimates
    most = table["n_rows"].max() if "n_rows" in table and len(table) else 0
    return bool(most > result.facts()["n_rows"].iloc[0])


def _count(value: Any) -> str:
    return value if isinstance(value, str) else numbers.number(float(value))


def _shown_in(names: Sequence[str], shown: Sequence[Mapping[str, Any]]) -> str:
    """Return the figures and tables that show the results, by number; the names of those without any."""
    parts = []
    for kind in ("figure", "table"):
        places = [str(e["id"][1:]) for e in shown if e["kind"] == kind and e.get("name") in names]
        if places:
            parts.append(f"{kind}{'s' if len(places) > 1 else ''} {numbers.listed(places)}")
    seen = {entry.get("name") for entry in shown}
    parts += [readable(name) for name in names if name not in seen]
    return title_case("; ".join(parts))


def cautions_block(own: Sequence[str]) -> Markup:
    """Return the page's own cautions and those that stand on every page."""
    return filled("blocks/cautions", cautions=(*own, *CAUTIONS))


def provenance_block(rests_on: Mapping[str, Any], balance: pd.DataFrame) -> Markup:
    """Return what the report rests on: a line, and the details folded beneath."""
    rows = (
        tables.show(balance, table_id="balance", title="Rows read, used and left out") if len(balance) else ""
    )
    read = [
        (s["table"], Path(str(s["file"])).name, Markup("<code>{}</code>").format(s["sha256"][:SHORT_HASH]))
        for s in rests_on["sources"]
    ]
    settings = [(name, value if value != "" else "not set") for name, value in rests_on["settings"].items()]
    software = {
        "version": rests_on["version"],
        "commit": rests_on["commit"],
        "code SHA-256": rests_on["code_sha256"][:SHORT_HASH],
        "Python": rests_on["python"],
        **rests_on["libraries"],
    }
    return filled(
        "blocks/rests_on",
        line=_line(rests_on),
        balance=rows,
        tables=read,
        settings=settings,
        software=list(software.items()),
    )


def _line(rests_on: Mapping[str, Any]) -> str:
    read = sum(int(b["read"] or 0) for b in rests_on["balance"])
    out = sum(int(b["left_out"] or 0) for b in rests_on["balance"])
    counted = (
        f"{numbers.number(read)} rows read, {numbers.number(out)} left out; " if rests_on["balance"] else ""
    )
    as_of = rests_on["settings"].get("as_of", "")
    dated = f"As of {as_of}. " if as_of else ""
    return (
        f"{dated}Regrowth workbook {rests_on['version']}, commit {rests_on['commit']}; "
        f"{counted}{rests_on['n_warnings']} warning{'' if rests_on['n_warnings'] == 1 else 's'} on reading."
    )
