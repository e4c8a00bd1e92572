"""The bytes of an .xlsx workbook after a change: rows of a sheet's own XML, and nothing else in the file.

A library that reads a workbook and writes it again loses what it does not know: stored values of formulas,
pictures, charts, remarks. Here each other part of the file is copied as it is; in a changed sheet only the
rows that come, go or change are touched.

Source: ECMA-376-1, section 18.3.1 (worksheets), inline strings (18.18.11).
"""

import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from xml.sax.saxutils import escape

from xlsxwriter.utility import xl_cell_to_rowcol, xl_col_to_name

from analytics import records
from analytics.dictionary import TABLES, Column
from analytics.entry.changes import Change, applied, new_columns, typed
from analytics.errors import ParameterError

ROW = re.compile(r"<row\b[^>]*?(?:/>|>.*?</row>)", re.DOTALL)
NUMBER_OF_ROW = re.compile(r'\br="([0-9]+)"')
CELL = re.compile(r"<c\b[^>]*?(?:/>|>.*?</c>)", re.DOTALL)
PLACE_OF_CELL = re.compile(r'\br="([A-Z]+[0-9]+)"')
STYLE = re.compile(r'\bs="([0-9]+)"')
DATA = re.compile(r"<sheetData\b[^>]*?(?:/>|>(.*?)</sheetData>)", re.DOTALL)
DIMENSION = re.compile(r'<dimension ref="[^"]*"\s*/>')


def changed(name: str, data: bytes, changes: Mapping[str, list[Change]]) -> bytes:
    """Return a workbook after changes of its tables.

    Parameters
    ----------
    name
        Of the file, for messages.
    data
        Its bytes.
    changes
        By table.

    Raises
    ------
    ParameterError
        When a sheet is absent, or its rows hold formulas that a row taken out would put wrong.
    """
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        parts = {sheet.strip().lower(): part for sheet, part in records.parts_of_sheets(archive).items()}
        absent = [table for table in changes if table not in parts]
        if absent:
            raise ParameterError(
                f"{name}: the workbook has no sheet {', '.join(absent)}; add it with its header in row 1, or "
                "take the sheets of regrowth template"
            )
        shared = _shared(archive)
        new = {parts[t]: _sheet(name, archive.read(parts[t]).decode(), c, shared) for t, c in changes.items()}
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as written:
            for item in archive.infolist():
                content = new[item.filename].encode() if item.filename in new else archive.read(item)
                written.writestr(item, content)
    return out.getvalue()


def _shared(archive: zipfile.ZipFile) -> list[str]:
    """Return the texts that cells share by number."""
    if "xl/sharedStrings.xml" not in archive.namelist():
        return []
    xml = archive.read("xl/sharedStrings.xml").decode()
    items = re.findall(r"<si\b[^>]*?(?:/>|>(.*?)</si>)", xml, re.DOTALL)
    return ["".join(_unescaped(t) for t in re.findall(r"<t\b[^>]*?>(.*?)</t>", i, re.DOTALL)) for i in items]


def _sheet(file: str, xml: str, changes: list[Change], shared: Sequence[str]) -> str:
    """Return the XML of one sheet after changes."""
    found = DATA.search(xml)
    if not found:
        raise ParameterError(f"{file}: a sheet has no rows; write the header of the dictionary in row 1")
    rows = [(int(_only(NUMBER_OF_ROW, row)), row) for row in ROW.findall(found.group(1) or "")]
    held = [(n, _cells(row, shared)) for n, row in rows]
    head = next((cells for n, cells in held if n == 1), {})
    at = {head[column].strip(): column for column in sorted(head) if head[column].strip()}
    if not at:
        raise ParameterError(f"{file}: a sheet has no header; write the names of the dictionary in row 1")
    more = new_columns(list(at), changes)
    free = max(at.values())
    at |= {name: free + i for i, name in enumerate(more, start=1)}
    names = list(at)
    columns = {c.name: c for c in TABLES[changes[0].table].columns}
    body = [(n, cells) for n, cells in held if n > 1 and any(cells.values())]
    last = max([1, *(n for n, _ in body)])
    rows = [(n, row) for n, row in rows if n <= last]
    texts = [[cells.get(at[name], "") for name in names] for _, cells in body]
    todo = applied(names, texts, changes)
    xml_of = dict(rows)
    if more:
        xml_of[1] = _put(xml_of[1], 1, {at[name]: (name, None) for name in more})
    gone: list[int] = []
    for place, new in todo:
        number = last + 1 if place is None or place >= len(body) else body[place][0]
        if new is None:
            gone.append(number)
            continue
        if place is None:
            body.append((number, {}))
            last = number
        cells = {at[n]: (t, columns.get(n.casefold())) for n, t in zip(names, new, strict=True)}
        before = xml_of.get(number, f'<row r="{number}"></row>')
        xml_of[number] = _put(before, number, cells)
    lines = _without(file, xml_of, gone)
    whole = xml[: found.start()] + f"<sheetData>{''.join(lines)}</sheetData>" + xml[found.end() :]
    end = f"{xl_col_to_name(max(at.values()))}{max(len(lines), 1)}"
    return DIMENSION.sub(f'<dimension ref="A1:{end}"/>', whole, count=1)


def _only(pattern: re.Pattern, text: str) -> str:
    found = pattern.search(text)
    return found.group(1) if found else "0"


def _cells(row: str, shared: Sequence[str]) -> dict[int, str]:
    """Return the text of each cell of a row, by its column from 0."""
    found = {}
    for cell in CELL.findall(row):
        place = PLACE_OF_CELL.search(cell)
        if place:
            found[xl_cell_to_rowcol(place.group(1))[1]] = _text(cell, shared)
    return found


def _text(cell: str, shared: Sequence[str]) -> str:
    opening = cell[: cell.index(">")]
    value = re.search(r"<v>(.*?)</v>", cell, re.DOTALL)
    if 't="s"' in opening and value:
        return shared[int(value.group(1))]
    if 't="inlineStr"' in opening:
        return "".join(_unescaped(t) for t in re.findall(r"<t\b[^>]*?>(.*?)</t>", cell, re.DOTALL))
    if value is None:
        return ""
    if 't="b"' in opening:
        return "True" if value.group(1) == "1" else "False"
    return _unescaped(value.group(1))


def _unescaped(text: str) -> str:
    for mark, letter in (("&lt;", "<"), ("&gt;", ">"), ("&quot;", '"'), ("&apos;", "'"), ("&amp;", "&")):
        text = text.replace(mark, letter)
    return text


def _put(row: str, number: int, cells: Mapping[int, tuple[str, Column | None]]) -> str:
    """Return the XML of a row with cells put in, the others as they stand, each with the look it had."""
    opening = row[: row.index(">") + 1].replace("/>", ">")
    stood = {xl_cell_to_rowcol(m.group(1))[1]: c for c in CELL.findall(row) if (m := PLACE_OF_CELL.search(c))}
    for column, (text, kind) in cells.items():
        style = (
            STYLE.search(stood.get(column, "")[: stood.get(column, ">").index(">")])
            if column in stood
            else None
        )
        look = f' s="{style.group(1)}"' if style else ""
        stood[column] = _cell(f"{xl_col_to_name(column)}{number}", look, text, kind)
    opening = re.sub(r'\sspans="[^"]*"', "", opening)
    return opening + "".join(stood[c] for c in sorted(stood) if stood[c]) + "</row>"


def _cell(place: str, look: str, text: str, column: Column | None) -> str:
    value = text if column is None else typed(text, column)
    if value is None or value == "":
        return f'<c r="{place}"{look}/>' if look else ""
    if isinstance(value, bool):
        return f'<c r="{place}"{look} t="b"><v>{int(value)}</v></c>'
    if isinstance(value, int | float):
        return f'<c r="{place}"{look}><v>{value!r}</v></c>'
    return f'<c r="{place}"{look} t="inlineStr"><is><t xml:space="preserve">{escape(value)}</t></is></c>'


def _without(file: str, xml_of: Mapping[int, str], gone: Sequence[int]) -> list[str]:
    """Return the rows in order without some, those beneath moved up."""
    lines, step = [], 0
    for number in sorted(xml_of):
        if number in gone:
            step += 1
            continue
        row = xml_of[number]
        if step:
            if "<f" in row:
                raise ParameterError(
                    f"{file}: rows beneath hold formulas, which a row taken out would put wrong; nothing was "
                    "done; take the row out in the workbook itself"
                )
            row = _renumbered(row, number - step)
        lines.append(row)
    return lines


def _renumbered(row: str, number: int) -> str:
    row = re.sub(r'(<row\b[^>]*?\br=")[0-9]+(")', rf"\g<1>{number}\g<2>", row, count=1)
    return re.sub(r'(<c\b[^>]*?\br="[A-Z]+)[0-9]+(")', rf"\g<1>{number}\g<2>", row)
