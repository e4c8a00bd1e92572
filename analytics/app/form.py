"""A form for those who would rather not type a command: data, check, page, settings, report.

Drawn from the same typed settings as the command line (`parameters`). Everything a button does is one
command, and the command is printed beneath. What goes wrong is said in the same sentences.
"""

import html
import os
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import ipywidgets as widgets
from IPython.display import display

from analytics import records
from analytics.errors import AnalyticsError
from analytics.reports import ROOT, described, pages, render, title, write

LABELS = {"description_width": "11rem"}
HIDDEN_SETTINGS = ("data",)
WRAPPED = "white-space:pre-wrap;word-break:normal"


@dataclass(frozen=True, slots=True)
class Fields:
    """The parts of the form; `settings` holds the fields of the page chosen."""

    place: widgets.Combobox
    check: widgets.Button
    found: widgets.HTML
    page: widgets.Dropdown
    settings: dict[str, widgets.Widget]
    box: widgets.VBox
    formats: dict[str, widgets.Checkbox]
    make: widgets.Button
    bar: widgets.IntProgress
    result: widgets.Output
    command: widgets.HTML
    out: Path


def show(data: str = "", out: str | Path = "") -> None:
    """Display the form.

    Parameters
    ----------
    data
        Folder or file to begin with.
    out
        Folder of reports; by default `reports` beside the notebooks' folder.
    """
    fields = _fields(data, Path(out) if out else Path.cwd().parent / "reports")
    fields.check.on_click(lambda _: _check(fields))
    fields.make.on_click(lambda _: _make(fields))
    fields.page.observe(lambda _: _redraw(fields), names="value")
    for field in (fields.place, *fields.formats.values()):
        field.observe(lambda _: _rewrite(fields), names="value")
    _redraw(fields)
    formats = widgets.HBox(list(fields.formats.values()))
    above = [fields.place, fields.check, fields.found, fields.page, fields.box, formats]
    display(widgets.VBox([*above, fields.make, fields.bar, fields.result, fields.command]))


def _fields(data: str, out: Path) -> Fields:
    bar = widgets.IntProgress(min=0, max=1, description="Progress", style=LABELS, layout=_wide())
    bar.layout.visibility = "hidden"
    named = {"xlsx": "also as Excel file", "pdf": "also as PDF"}
    return Fields(
        place=widgets.Combobox(
            value=data, options=_registers(), description="Your records", style=LABELS, layout=_wide()
        ),
        check=widgets.Button(description="Check the records"),
        found=widgets.HTML(),
        page=widgets.Dropdown(options=_pages(), description="Page", style=LABELS, layout=_wide()),
        settings={},
        box=widgets.VBox(),
        formats={
            kind: widgets.Checkbox(description=said, value=False, indent=False)
            for kind, said in named.items()
        },
        make=widgets.Button(description="Make the report", button_style="primary"),
        bar=bar,
        result=widgets.Output(),
        command=widgets.HTML(),
        out=out,
    )


def _redraw(fields: Fields) -> None:
    """Draw the settings of the page chosen."""
    fields.settings.clear()
    for setting in described(fields.page.value):
        if setting["name"] not in HIDDEN_SETTINGS:
            fields.settings[setting["name"]] = _field(setting)
    fields.box.children = tuple(_with_help(field) for field in fields.settings.values())
    for field in fields.settings.values():
        field.observe(lambda _: _rewrite(fields), names="value")
    _rewrite(fields)


def _rewrite(fields: Fields) -> None:
    """Write the command that does what the form would do now."""
    fields.command.value = _command_block(fields)


def _check(fields: Fields) -> None:
    """Read the records and say what was found: every problem, every warning, the balance of rows."""
    fields.found.value = "<p>Reading ...</p>"
    read = records.check(Path(fields.place.value))
    said = html.escape(read.text())
    role = "status" if read.is_usable else "alert"
    fields.found.value = f'<div role="{role}"><pre style="{WRAPPED}">{said}</pre></div>'


def _make(fields: Fields) -> None:
    """Make the report, move the bar, and show the link or the sentence that says why not."""

    def moved(step: int, steps: int) -> None:
        fields.bar.max, fields.bar.value = steps, step

    fields.make.disabled = True
    fields.bar.layout.visibility = "visible"
    fields.bar.value = 0
    fields.result.clear_output()
    try:
        report = render.page(
            fields.page.value,
            fields.place.value,
            fields.out,
            formats=_formats(fields),
            progress=moved,
            **_chosen(fields),
        )
    except AnalyticsError as error:
        with fields.result:
            display(widgets.HTML(_alert(str(error))))
        return
    finally:
        fields.make.disabled = False
    write(fields.out.resolve())
    fields.bar.value = fields.bar.max
    with fields.result:
        display({"text/html": _links(report)}, raw=True)


def _registers() -> list[str]:
    """Return the folders beside the notebooks that hold a register."""
    found = [p.parent for p in ROOT.glob("*/patients.*")]
    return [os.path.relpath(p) for p in sorted(found)]


def _pages() -> list[tuple[str, str]]:
    """Return each page's question with its name."""
    return [(f"{name[:2]}  {title(name)}", name) for name in pages()]


def _field(setting: dict[str, Any]) -> widgets.Widget:
    """Return the field of one setting, by its type."""
    common = {"description": setting["name"].replace("_", " "), "style": LABELS, "layout": _wide()}
    default = setting["default"]
    if setting["choices"]:
        field = widgets.Dropdown(options=list(setting["choices"]), value=default, **common)
    elif isinstance(default, bool):
        field = widgets.Checkbox(value=default, **common)
    elif isinstance(default, int):
        field = widgets.IntText(value=default, **common)
    elif isinstance(default, float):
        field = widgets.FloatText(value=default, **common)
    else:
        field = widgets.Text(value="" if default is None else str(default), **common)
    field.tooltip = setting["help"]
    return field


def _wide() -> widgets.Layout:
    """Return a layout of a field's own: a shared one would hide every field with the progress bar."""
    return widgets.Layout(width="44rem", max_width="100%")


def _with_help(field: widgets.Widget) -> widgets.Widget:
    said = html.escape(field.tooltip or "")
    help_text = widgets.HTML(f'<span style="color:#545c63;line-height:1.3;margin-left:11.4rem">{said}</span>')
    return widgets.VBox([field, help_text])


def _chosen(fields: Fields) -> dict[str, Any]:
    return {name: field.value for name, field in fields.settings.items()}


def _formats(fields: Fields) -> tuple[str, ...]:
    return ("html", *(name for name, field in fields.formats.items() if field.value))


def _command_block(fields: Fields) -> str:
    """Return the command that does the same, for a terminal or a scheduled run."""
    defaults = {s["name"]: s["default"] for s in described(fields.page.value)}
    parts = ["regrowth", "report", fields.page.value, str(Path(fields.place.value).resolve())]
    parts += ["--out", str(fields.out.resolve())]
    for name, value in _chosen(fields).items():
        parts += ["--set", f"{name}={value}"] if value != defaults[name] else []
    formats = _formats(fields)
    parts += ["--formats", ",".join(formats)] if formats != ("html",) else []
    return f"<p>The same as a command:</p><pre>{html.escape(shlex.join(parts))}</pre>"


def _links(report: render.Report) -> str:
    """Return the answer and a link to each file of the report."""
    links = "".join(
        f'<li><a href="{_relative(place)}" target="_blank">{html.escape(place.name)}</a></li>'
        for kind, place in report.files.items()
        if kind not in ("results", "run")
    )
    attention = "".join(f"<p>Needs attention: {html.escape(text)}</p>" for text in report.attention)
    notes = "".join(f"<p>{html.escape(text)}</p>" for text in report.notes)
    return (
        f'<div role="status"><p><b>The report is ready.</b> {html.escape(report.answer)}</p>'
        f"{attention}{notes}<ul>{links}</ul></div>"
    )


def _relative(place: Path) -> str:
    return html.escape(Path(os.path.relpath(place)).as_posix())


def _alert(message: str) -> str:
    lines = "".join(f"<li>{html.escape(line)}</li>" for line in message.splitlines())
    return (
        f'<div role="alert" style="border-left:4px solid #8c2f00;padding-left:.8rem"><ul>{lines}</ul></div>'
    )
