"""The settings of every page, typed once for command line, form, notebook and the list a report prints.

A notebook's `parameters` cell holds the same names and defaults (a test compares them). Values from Python
must have the right type; values from a command line are text and are read by the setting's type, so that a
code `007` stays `007`. An unknown name is refused with the nearest known one. A clinic's own notebook needs
no model: its cell of annotated constants is one.
"""

import ast
import json
import re
from pathlib import Path
from typing import Annotated, Any, Literal

import pydantic
from pydantic import ConfigDict, Field, StringConstraints

from analytics import files
from analytics.errors import ParameterError, meant

FORMS = ("00_", "09_")  # notebooks that are worked with and make no report
NOTEBOOKS = Path(__file__).parents[2] / "notebooks"
PARAMETERS_TAG = "parameters"
FOLDERS = ("answers",)  # settings that name a folder which a page reads in the place of records
QUARTER = "quarter"  # the setting that makes a page one about a quarter; 0 for the last completed one
PERSON = "patient"  # the setting that makes a page one about a single person
_OWN = (
    "a formula of one's own can single out few patients by its coefficients, whatever is withheld beside "
    "them; expected internal, or a declared study (03_hypothesis_study)"
)
# Settings with which a page is made for the clinic alone, and why.
FOR_THE_CLINIC = {
    PERSON: "a page about one patient rests on one person, so that nothing of it may be shown outside the "
    "clinic; expected internal, or a page about all patients",
    "formula": _OWN,
    "milestone": _OWN,
}
# Settings without which a page would plan for somebody who was not asked about: refused at once.
NEEDED = {
    "04_case_course": {"patient": "patient=0108"},
    "05_session_plan": {
        "patient": "patient=0006",
        "draft_a": 'draft_a="frontal 1500 on 45, crown 1000 on 90"',
    },
}
# Settings with which pages that want some are made on the invented clinic.
DEMO: dict[str, dict[str, Any]] = {
    "04_case_course": {"patient": "0108"},
    "05_session_plan": {
        "patient": "0006",
        "areas": "frontal 45, crown 90",
        "draft_a": "frontal 1500, crown 1000",
        "draft_b": "frontal 800, crown 1700",
        "aims": "frontal to 150, crown to 125",
    },
    "07_pooled_yield": {"answers": str(NOTEBOOKS.parent / "data_demo" / "pooling")},
}
Audience = Literal["internal", "shared", "public"]
IsoDate = Annotated[str, StringConstraints(pattern=r"^(\d{4}-\d{2}-\d{2})?$")]


class Common(pydantic.BaseModel):
    """Settings that every page has."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    data: str = Field("../data_demo", description="folder, workbook or DuckDB file that holds the records")
    audience: Audience = Field(
        "internal", description="who will read it; small numbers are withheld unless internal"
    )
    as_of: IsoDate = Field("", description="date printed on the report, as 2026-03-31; empty for none")


class SurgeonAudit(Common):
    """Settings of `01_surgeon_audit`."""

    surgeon: str = Field(
        "", description="surgeon code to set against the others; empty for every surgeon in turn"
    )
    native_change: Literal["combined", "none", "assumed", "control"] = Field(
        "combined", description="how loss of native hair is allowed for"
    )
    curve: Literal["Burr", "log-logistic", "log-normal"] = Field(
        "Burr", description="shape of the emergence curve"
    )


# A page that is not listed here takes its settings from its own `parameters` cell.
MODELS: dict[str, type[Common]] = {
    "01_surgeon_audit": SurgeonAudit,
}


def pages() -> list[str]:
    """Return the names of the pages that make a report, in order.

    Returns
    -------
    list of str
        As `01_surgeon_audit`.

    Examples
    --------
    >>> pages()[0]
    '01_surgeon_audit'
    """
    names = sorted(p.stem for p in NOTEBOOKS.glob("*.ipynb") if not p.name.startswith("."))
    return [name for name in names if not name.startswith(FORMS)]


def notebook(page: str) -> Path:
    """Return the notebook of a page: a name from `pages()`, its number, or a path to a notebook of one's own.

    Raises
    ------
    ParameterError
        When there is no such page.
    """
    own = Path(page)
    if own.suffix == ".ipynb" and own.exists():
        return own.resolve()
    known = pages()
    matches = [
        name for name in known if name == page or name.startswith(f"{page.zfill(2)}_") or name[3:] == page
    ]
    if len(matches) != 1:
        raise ParameterError(f"page: no page of that name; use one of {', '.join(known)}{meant(page, known)}")
    return NOTEBOOKS / f"{matches[0]}.ipynb"


def is_plain(path: Path) -> bool:
    """Return whether a notebook begins no page by `pages.begin`: it is rendered as it is, for the clinic."""
    code = ("".join(c["source"]) for c in _cells(path) if c["cell_type"] == "code")
    return not any(re.search(r"\b(begin|finish)\(", source) for source in code)


def title(page: str) -> str:
    """Return the question of a page: the first heading of its notebook.

    Parameters
    ----------
    page
        Its name, its number, or the path of a notebook.

    Returns
    -------
    str
        Without the mark of a heading.

    Examples
    --------
    >>> title("01")
    'Does planted hair grow in the crown as it does in front?'
    """
    for cell in _cells(notebook(page)):
        found = re.search(r"^#\s+(.+)$", "".join(cell["source"]), re.MULTILINE)
        if cell["cell_type"] == "markdown" and found:
            return found.group(1).strip()
    return notebook(page).stem


def model(page: str) -> type[pydantic.BaseModel]:
    """Return the typed settings of a page."""
    path = notebook(page)
    if path.parent == NOTEBOOKS.resolve() and path.stem in MODELS:
        return MODELS[path.stem]
    return _from_cell(path)


def checked(page: str, given: dict[str, Any], *, as_text: bool = False) -> dict[str, Any]:
    """Return every setting of a page: those given, checked, and the defaults of the rest.

    Parameters
    ----------
    page
        Name of the page.
    given
        Setting by name.
    as_text
        Whether the values are text from a command line, to be read by each setting's type.

    Raises
    ------
    ParameterError
        When a name is unknown, or a value has the wrong type or lies outside its range; all of them at once.
    """
    kind = model(page)
    try:
        settings = kind.model_validate_strings(given) if as_text else kind.model_validate(given)
    except pydantic.ValidationError as error:
        raise ParameterError(_in_words(notebook(page).stem, kind, error)) from None
    chosen = settings.model_dump()
    _refuse_without(notebook(page).stem, kind, chosen)
    why = next((FOR_THE_CLINIC[name] for name in FOR_THE_CLINIC if chosen.get(name)), "")
    if why and chosen.get("audience", "internal") != "internal":
        raise ParameterError(f"{notebook(page).stem}, setting audience: {why}")
    return chosen


def settled(page: str, data: str | Path, settings: dict[str, Any]) -> dict[str, Any]:
    """Return the settings with the quarter under review in the place of 0, on a page that has one.

    Raises
    ------
    ParameterError
        When up to which month the records are complete is not known, or the criteria cannot be used.
    """
    if settings.get(QUARTER) != 0 or "criteria" not in settings or not str(data):
        return settings
    # Imported here: they import every engine, and no other page needs them before it begins.
    from analytics import records, review

    place = Path(data)
    named = str(settings["criteria"])
    kept = files.begins.read(files.begins.place(place, folder=str(settings.get("state", ""))))
    begins = str(settings.get("register_begins", "")) or ("{:04d}-{:02d}".format(*kept) if kept else "")
    beside = (place if place.is_dir() else place.parent) / named
    quarter = review.under_review(
        records.load(place),
        review.read(named if Path(named).exists() else beside),
        complete_through=int(settings.get("complete_through", 0)),
        register_begins=begins,
        today=str(settings.get("as_of", "")),
    )
    return {**settings, QUARTER: quarter}


def _refuse_without(page: str, kind: type[pydantic.BaseModel], chosen: dict[str, Any]) -> None:
    missing = [name for name in NEEDED.get(page, {}) if not chosen[name].strip()]
    if missing:
        lines = [
            f"{page} needs the setting {name} ({kind.model_fields[name].description}); give it as: --set "
            f"{NEEDED[page][name]}"
            for name in missing
        ]
        raise ParameterError("\n".join(lines))


def described(page: str) -> list[dict[str, Any]]:
    """Return name, kind, default, choices and help of every setting, for a form or a help text.

    Parameters
    ----------
    page
        Its name, its number, or the path of a notebook.

    Returns
    -------
    list of dict
        One entry per setting.

    Examples
    --------
    >>> described("01")[0]["name"]
    'data'
    """
    out = []
    for name, field in model(page).model_fields.items():
        choices = getattr(field.annotation, "__args__", ()) if "Literal" in str(field.annotation) else ()
        kind = field.annotation.__name__ if isinstance(field.annotation, type) else "text"
        out.append(
            {
                "name": name,
                "kind": kind,
                "default": field.default,
                "choices": choices,
                "help": field.description or "",
            }
        )
    return out


def _from_cell(path: Path) -> type[pydantic.BaseModel]:
    """Make a model of a cell of annotated constants; `audience` and `as_of` keep their rules."""
    source = _parameter_cell(path)
    help_by_line = {n: line.partition("#")[2].strip() for n, line in enumerate(source.splitlines(), start=1)}
    fields: dict[str, Any] = {}
    for node in ast.parse(source).body:
        if not isinstance(node, ast.AnnAssign) or not isinstance(node.target, ast.Name) or node.value is None:
            raise ParameterError(
                f"{path.name}, cell tagged parameters: line {node.lineno} is no annotated constant; "
                'write one a line, as  surgeon: str = "S1"  # help'
            )
        kind = {"str": str, "int": int, "float": float, "bool": bool, "list": list, "dict": dict}.get(
            ast.unparse(node.annotation), Any
        )
        said = help_by_line.get(node.lineno, "")
        known = Common.__annotations__.get(node.target.id, kind) if kind is str else kind
        fields[node.target.id] = (known, Field(ast.literal_eval(node.value), description=said))
    return pydantic.create_model(
        f"Settings of {path.stem}", __config__=ConfigDict(extra="forbid", strict=True, frozen=True), **fields
    )


def _cells(path: Path) -> list[dict[str, Any]]:
    try:
        return json.loads(path.read_text(encoding="utf-8"))["cells"]
    except (json.JSONDecodeError, KeyError, UnicodeDecodeError):
        raise ParameterError(f"{path.name}: is no notebook; open and save it in JupyterLab") from None


def _parameter_cell(path: Path) -> str:
    tagged = [c for c in _cells(path) if PARAMETERS_TAG in c.get("metadata", {}).get("tags", [])]
    if len(tagged) != 1:
        raise ParameterError(
            f"{path.name}: {len(tagged)} cells are tagged parameters, exactly 1 is needed; "
            "tag the cell of annotated constants in JupyterLab's property inspector"
        )
    return "".join(tagged[0]["source"])


def _in_words(page: str, kind: type[pydantic.BaseModel], error: pydantic.ValidationError) -> str:
    """Return all problems of the settings, one a line, without the values given."""
    known = list(kind.model_fields)
    lines = []
    for problem in error.errors():
        name = str(problem["loc"][0]) if problem["loc"] else ""
        if problem["type"] in ("extra_forbidden", "unexpected_keyword_argument"):
            lines.append(f"{page} has no setting '{name}'; it has {', '.join(known)}{meant(name, known)}")
        else:
            rule = re.sub(r"^Input should be", "expected", problem["msg"])
            rule = re.sub(
                r"^String should match pattern.*", "expected a date as 2026-03-31, or nothing", rule
            )
            help_text = kind.model_fields[name].description if name in kind.model_fields else ""
            lines.append(f"{page}, setting {name}: {rule}; it means: {help_text or 'see the page'}")
    return "\n".join(lines)
