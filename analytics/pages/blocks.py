"""The blocks of HTML a page is made of: text in, HTML out; nothing is displayed or stored here.

What a page hands over: every number it may show with its name, unit, interval and n, as plain values.
"""

import base64
import html
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from analytics import disclosure
from analytics import numbers as words
from analytics.numbers import readable, title_case
from analytics.pages.figures import BARS, draw, drawing
from analytics.pages.tables import show
from analytics.reports import begun
from analytics.results import LEVEL, Curve, Result


def collect(
    page: str,
    audience: str,
    results: dict[str, Result],
    written: list[dict[str, Any]],
    rests_on: dict[str, Any],
) -> dict[str, Any]:
    """Return the content of `results.json`: answer, attention, results with their numbers, what was shown."""
    failed = [f"{name}: {c}" for name, r in results.items() for c, passed in r.checks.items() if not passed]
    return {
        "page": page,
        "audience": audience,
        "banner": disclosure.BANNER.get(audience, ""),
        "answer": next((e["text"] for e in written if e["kind"] == "answer"), ""),
        "attention": [e["text"] for e in written if e["kind"] == "attention"],
        "failed_checks": failed,
        "results": {name: _one(result, audience) for name, result in results.items()},
        "shown": [e for e in written if e["kind"] in ("figure", "table", "withheld")],
        "provenance": rests_on,
    }


def _one(result: Result, audience: str) -> dict[str, Any]:
    facts = disclosure.protect_facts(result.facts(), audience)
    out = {
        "table": plain_rows(result.table()),
        "by": list(result.by),
        "facts": dict(zip(facts.columns, plain_rows(facts)["rows"][0], strict=True)),
        "checks": {name: bool(passed) for name, passed in result.checks.items()},
        "notes": list(result.notes),
    }
    if isinstance(result, Curve) and len(result.path):
        out["path"] = plain_rows(result.path)
        out["x_name"] = result.x_name
    return out


def plain_rows(frame: pd.DataFrame) -> dict[str, Any]:
    """Return a frame as columns and rows of plain values; a missing or infinite value is None or a word."""
    columns = [str(c) for c in frame.columns]
    rows = [[_plain(value) for value in row] for row in frame.itertuples(index=False, name=None)]
    return {"columns": columns, "rows": rows}


def _plain(value: Any) -> Any:
    if pd.isna(value):
        return None
    value = value.item() if hasattr(value, "item") else value
    if isinstance(value, float) and value in (float("inf"), float("-inf")):
        return "no limit"
    return value if isinstance(value, bool | int | float | str) else str(value)


MAIN_NUMBERS = 8
NOTES_IN_CAPTION = 2  # more of them stand under the figure's table alone
CAUTIONS = (
    "Decision support for licensed practitioners, who stay responsible for every decision; no advice to a "
    "patient.",
    "Not assessed as a medical device; local law may class it as one.",
    "Small numbers mislead: read the interval before the number.",
    "A clinic's past figures promise no outcome to the next patient.",
    "Local law on health data and the patients' consent decide whether this page may leave the clinic.",
)


def answer_block(sentence: str, about: str = "") -> str:
    """Return the one-line answer; a number that stands before its bracketed interval is set stronger.

    `about` stands beneath it: whose numbers these are, and who may read them.
    """
    strong = re.sub(
        rf"(−?[\d.,]*\d(?:{words.THIN}%| (?:points?|months?|hairs/cm²))?)(?= \()",
        r"<strong>\1</strong>",
        _safe(sentence),
    )
    line = f'<p class="rw-about">{_safe(about)}</p>' if about else ""
    return f'<section class="rw-answer" id="answer" aria-label="Answer"><p>{strong}</p>{line}</section>'


def lead_block(sentence: str) -> str:
    """Return the one-line answer of a section."""
    return f'<p class="rw-lead">{_safe(sentence)}</p>'


def figure_block(result: Result, number: int, title: str, alt: str, caption: str) -> str:
    """Return a picture for a wide page and for a telephone, with its written alternative and its numbers.

    Both drawings are one image to the reader: the browser takes the one that fits.
    """
    narrow_one = begun(_drawn, result, True)
    wide, narrow = _drawn(result, False), narrow_one()
    data = show(result, table_id=f"f{number}d", title=f"Numbers of figure {number}")
    written = html.escape(f"{alt.rstrip('.')}. {main_numbers(result)}", quote=True)
    return (
        f'<figure class="rw-figure" id="f{number}">'
        f'<p class="rw-title"><b>Figure {number}.</b> {_safe(title)}</p>'
        f'<picture><source media="(max-width: 560px)" srcset="{_data_uri(narrow)}">'
        f'<img src="{_data_uri(wide)}" alt="{written}"></picture>'
        f"<figcaption>{_caption(result, caption)}</figcaption></figure>"
        f"{folded(f'The numbers of figure {number}', data)}"
    )


def _drawn(result: Result, narrow: bool) -> str:
    return drawing.svg(draw(result, narrow=narrow).figure)  # type: ignore[arg-type]


def folded(title: str, content: str) -> str:
    """Return content that opens when asked for."""
    return f'<details class="rw-data"><summary>{_safe(title)}</summary>{content}</details>'


def main_numbers(result: Result) -> str:
    """Return the first numbers of a result in words, for the written alternative of its picture."""
    table = result.table()
    labels = drawing.row_labels(table, result.by)
    said = [
        f"{label} {words.full(row, counts=False)}"
        for label, (_, row) in list(zip(labels, table.iterrows(), strict=True))[:MAIN_NUMBERS]
    ]
    left = len(table) - MAIN_NUMBERS
    return "; ".join(said) + (f"; and {left} more in the table beneath" if left > 0 else "") + "."


def method_block(named: dict[str, Result], audience: str, shown: Sequence[Mapping[str, Any]] = ()) -> str:
    """Return how the results were made, from how many rows, which checks did not pass; the same once.

    `shown` holds the figures and tables written so far: a method is headed by those that show it.
    """
    said: dict[str, list[str]] = {}
    for name, result in named.items():
        said.setdefault(_how(result, audience), []).append(name)
    items = [f"<dt>{_safe(_shown_in(names, shown))}</dt><dd>{how}</dd>" for how, names in said.items()]
    return f'<dl class="rw-method">{"".join(items)}</dl>'


def _shown_in(names: Sequence[str], shown: Sequence[Mapping[str, Any]]) -> str:
    """Return the figures and tables that show the results, by number; the names of those without any."""
    parts = []
    for kind in ("figure", "table"):
        numbers = [str(e["id"][1:]) for e in shown if e["kind"] == kind and e.get("name") in names]
        if numbers:
            parts.append(f"{kind}{'s' if len(numbers) > 1 else ''} {_listed(numbers)}")
    seen = {entry.get("name") for entry in shown}
    parts += [readable(name) for name in names if name not in seen]
    return title_case("; ".join(parts))


def _listed(words_: Sequence[str]) -> str:
    return words_[0] if len(words_) == 1 else f"{', '.join(words_[:-1])} and {words_[-1]}"


def _how(result: Result, audience: str) -> str:
    facts = disclosure.protect_facts(result.facts(), audience).iloc[0]
    how = _safe(words.sentence(str(facts["method"])))
    parts = [
        f"{_count(facts[column])} {one if facts[column] == 1 else f'{one}s'}"
        for column, one in (("n_rows", "row"), ("n_patients", "patient"))
        if facts[column] != 0
    ]
    rests_on = f" From {' of '.join(parts)}" if parts else ""
    out = f"; {_count(facts['n_left_out'])} left out" if facts["n_left_out"] and parts else ""
    failed = ", ".join(readable(check) for check, passed in result.checks.items() if not passed)
    warning = f" <strong>Checks not passed: {_safe(failed)}.</strong>" if failed else ""
    return f"{how}{rests_on}{out}{'.' if rests_on else ''}{warning}"


def cautions_block(more: tuple[str, ...], audience: str) -> str:
    """Return the page's own cautions and those that stand on every page."""
    banner = disclosure.BANNER.get(audience, "")
    first = f'<p class="rw-banner">{_safe(banner)}</p>' if banner else ""
    items = "".join(f"<li>{_safe(text)}</li>" for text in (*more, *CAUTIONS))
    return f'<section class="rw-cautions" aria-label="Cautions">{first}<ul>{items}</ul></section>'


def _caption(result: Result, caption: str) -> str:
    parts = [_safe(words.sentence(caption))] if caption else []
    if bars := BARS.get(result.picture, _levels(result)):
        parts.append(_safe(bars.replace(" %", f"{words.THIN}%")))
    notes = result.notes if len(result.notes) <= NOTES_IN_CAPTION else ()
    return " ".join([*parts, *(_safe(words.sentence(note)) for note in notes)])


def _levels(result: Result) -> str:
    """Return the level of the intervals drawn, and which rows have another."""
    table = result.table()
    if "ci_low" not in table or table["ci_low"].isna().all():
        return ""
    known = table[table["ci_low"].notna()]
    level = known["level"].fillna(LEVEL) if "level" in known else pd.Series(LEVEL, index=known.index)
    usual = float(level.mode().iloc[-1])
    said = f"Bars and bands: {100 * usual:g} % intervals"
    labels = pd.Series(drawing.row_labels(table, result.by), index=table.index)
    for other in level[level.ne(usual)].unique():
        named = ", ".join(labels[level.index[level.eq(other)]])
        said += f"; {100 * float(other):g} % for {named[:1].lower()}{named[1:]}"
    return f"{said}."


def _count(value: Any) -> str:
    return value if isinstance(value, str) else words.number(float(value))


def _data_uri(svg: str) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode("utf-8")).decode("ascii")


def provenance_block(rests_on: dict[str, Any], balance: pd.DataFrame) -> str:
    """Return what the report rests on as HTML: a line, and the details folded beneath."""
    source_rows = "".join(
        f'<tr><th scope="row">{_safe(s["table"])}</th><td>{_safe(Path(str(s["file"])).name)}</td>'
        f"<td><code>{_safe(str(s['sha256'])[:16])}</code></td></tr>"
        for s in rests_on["sources"]
    )
    sources = _plain_table("Tables read", ("Table", "File", "SHA-256"), source_rows) if source_rows else ""
    rows = show(balance, table_id="balance", title="Rows read, used and left out") if len(balance) else ""
    return (
        '<section class="rw-rests" aria-label="What this report rests on">'
        f"<p>{_line(rests_on)}</p>{rows}"
        f'<details class="rw-data"><summary>Files, settings and versions</summary>{sources}'
        f"{_pairs('Settings', rests_on['settings'])}{_pairs('Software', _software(rests_on))}"
        "</details></section>"
    )


def _line(rests_on: dict[str, Any]) -> str:
    read = sum(int(b["read"] or 0) for b in rests_on["balance"])
    out = sum(int(b["left_out"] or 0) for b in rests_on["balance"])
    counted = f"{words.number(read)} rows read, {words.number(out)} left out; " if rests_on["balance"] else ""
    as_of = rests_on["settings"].get("as_of", "")
    dated = f"As of {_safe(as_of)}. " if as_of else ""
    return (
        f"{dated}Regrowth workbook {_safe(rests_on['version'])}, commit {_safe(rests_on['commit'])}; "
        f"{counted}{rests_on['n_warnings']} warning{'' if rests_on['n_warnings'] == 1 else 's'} on reading."
    )


def _software(rests_on: dict[str, Any]) -> dict[str, str]:
    return {
        "version": rests_on["version"],
        "commit": rests_on["commit"],
        "code SHA-256": rests_on["code_sha256"][:16],
        "Python": rests_on["python"],
        **rests_on["libraries"],
    }


def _pairs(title: str, pairs: dict[str, Any]) -> str:
    rows = "".join(
        f'<tr><th scope="row">{_safe(k)}</th><td>{_safe(v) if v != "" else "not set"}</td></tr>'
        for k, v in pairs.items()
    )
    return _plain_table(title, ("Name", "Value"), rows)


def _plain_table(title: str, heads: tuple[str, ...], rows: str) -> str:
    cells = "".join(f'<th scope="col">{head}</th>' for head in heads)
    return (
        f'<table class="rw-plain"><caption>{title}</caption><thead><tr>{cells}</tr></thead>'
        f"<tbody>{rows}</tbody></table>"
    )


def _safe(text: object) -> str:
    return html.escape(str(text))
