"""A form for those who would rather not type a command: data, check, page, settings, report.

Drawn from the same typed settings as the command line (`parameters`). Everything a button does is one
command, and the command is printed beneath. What goes wrong is said in the same sentences.
"""

import html
import os
import shlex
from pathlib import Path
from typing import Any

import ipywidgets as widgets
from IPython.display import display

from analytics import records
from analytics.errors import AnalyticsError
from analytics.pages import overview, parameters, provenance, render

LABELS = {"description_width": "11rem"}
HIDDEN_SETTINGS = ("data",)
WRAPPED = "white-space:pre-wrap;word-break:normal"


def show(data: str = "", out: str | Path = "") -> None:
    """Display the form.

    Parameters
    ----------
    data
        Folder or file to begin with.
    out
        Folder of reports; by default `reports` beside the notebooks' folder.
    """
    out = Path(out) if out else Path.cwd().parent / "reports"
    place = widgets.Combobox(
        value=data,
        options=_registers(),
        description="Your records",
        style=LABELS,
        layout=_wide(),
        ensure_option=False,
    )
    found = widgets.HTML()
    check = widgets.Button(description="Check the records", icon="")
    check.on_click(lambda _: _check(place.value, found))
    page = widgets.Dropdown(options=_pages(), description="Page", style=LABELS, layout=_wide())
    settings: dict[str, widgets.Widget] = {}
    box = widgets.VBox()
    command = widgets.HTML()
    formats = {
        "xlsx": widgets.Checkbox(description="also as Excel file", value=False, indent=False),
        "pdf": widgets.Checkbox(description="also as PDF", value=False, indent=False),
    }
    make = widgets.Button(description="Make the report", button_style="primary")
    bar = widgets.IntProgress(min=0, max=1, description="Progress", style=LABELS, layout=_wide())
    bar.layout.visibility = "hidden"
    result = widgets.Output()

    def redraw(*_: Any) -> None:
        settings.clear()
        settings.update({s["name"]: _field(s) for s in parameters.described(page.value)})
        for name in HIDDEN_SETTINGS:
            settings.pop(name, None)
        box.children = tuple(_with_help(field) for field in settings.values())
        for field in settings.values():
            field.observe(rewrite, names="value")
        rewrite()

    def rewrite(*_: Any) -> None:
        command.value = _command_block(
            page.value, place.value, Path(out).resolve(), _chosen(settings), _formats(formats)
        )

    def run(_: Any) -> None:
        make.disabled = True
        bar.layout.visibility = "visible"
        try:
            _make(page.value, place.value, Path(out), _chosen(settings), _formats(formats), bar, result)
        finally:
            make.disabled = False

    page.observe(redraw, names="value")
    place.observe(rewrite, names="value")
    for field in formats.values():
        field.observe(rewrite, names="value")
    make.on_click(run)
    redraw()
    display(
        widgets.VBox(
            [place, check, found, page, box, widgets.HBox(list(formats.values())), make, bar, result, command]
        )
    )


def _check(data: str, found: widgets.HTML) -> None:
    """Read the records and say what was found: every problem, every warning, the balance of rows."""
    found.value = "<p>Reading ...</p>"
    read = records.check(Path(data))
    said = html.escape(read.text())
    found.value = (
        f'<div role="{"status" if read.is_usable else "alert"}"><pre style="{WRAPPED}">{said}</pre></div>'
    )


def _make(
    page: str,
    data: str,
    out: Path,
    chosen: dict[str, Any],
    formats: tuple[str, ...],
    bar: widgets.IntProgress,
    result: widgets.Output,
) -> None:
    """Make the report, move the bar, and show the link or the sentence that says why not."""

    def moved(step: int, steps: int) -> None:
        bar.max, bar.value = steps, step

    result.clear_output()
    bar.value = 0
    try:
        report = render.page(page, data, out, formats=formats, progress=moved, **chosen)
    except AnalyticsError as error:
        with result:
            display(widgets.HTML(_alert(str(error))))
        return
    overview.write(out.resolve())
    bar.value = bar.max
    with result:
        display({"text/html": _links(report)}, raw=True)


def _registers() -> list[str]:
    """Return the folders beside the notebooks that hold a register."""
    found = [p.parent for p in provenance.ROOT.glob("*/patients.*")]
    return [os.path.relpath(p) for p in sorted(found)]


def _pages() -> list[tuple[str, str]]:
    """Return each page's question with its name."""
    return [(f"{name[:2]}  {parameters.title(name)}", name) for name in parameters.pages()]


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


def _chosen(settings: dict[str, widgets.Widget]) -> dict[str, Any]:
    return {name: field.value for name, field in settings.items()}


def _formats(fields: dict[str, widgets.Checkbox]) -> tuple[str, ...]:
    return ("html", *(name for name, field in fields.items() if field.value))


def _command_block(page: str, data: str, out: Path, chosen: dict[str, Any], formats: tuple[str, ...]) -> str:
    """Return the command that does the same, for a terminal or a scheduled run."""
    defaults = {s["name"]: s["default"] for s in parameters.described(page)}
    parts = ["regrowth", "report", page, str(Path(data).resolve()), "--out", str(out)]
    for name, value in chosen.items():
        parts += ["--set", f"{name}={value}"] if value != defaults[name] else []
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
