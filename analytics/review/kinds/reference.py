"""Which measures, settings and fields can a file of criteria hold? Read off the forms themselves."""

from typing import Any, get_args

import pydantic

from analytics.review.criteria import ROLES
from analytics.review.declared import Action, Change, DataCut, Monitor, PlannedVisit
from analytics.review.kinds import KINDS, Criterion, measure_of

BLOCKS: tuple[tuple[str, type[pydantic.BaseModel]], ...] = (
    ("[data_cut]", DataCut),
    ("[monitor]", Monitor),
    ("[[schedule]]", PlannedVisit),
    ("[[change]]", Change),
    ("[[action]], in actions.toml", Action),
)


def reference() -> str:
    """Return every measure and block with its entries, their kinds and defaults, as plain text.

    Returns
    -------
    str
        As `regrowth criteria` prints it.

    Examples
    --------
    >>> "[[schedule]]" in reference()
    True
    """
    role = {measure: name for name, measure in ROLES.items()}
    common = set(Criterion.model_fields)
    lines = ["Every [[criterion]] of criteria.toml has:", *_entries(Criterion, set()), ""]
    for kind in KINDS:
        measure = measure_of(kind)
        lines.append(f'measure = "{measure}": {_first_line(kind)}')
        if measure in role:
            lines.append(f"  the first of them is page 02's `{role[measure]}` where the page names none")
        lines += [*_entries(kind, common | {"measure"}), ""]
    for title, form in BLOCKS:
        lines += [f"{title}: {_first_line(form)}", *_entries(form, set()), ""]
    return "\n".join(lines).rstrip()


def _first_line(form: type) -> str:
    return str(form.__doc__ or "").strip().splitlines()[0]


def _entries(form: type[pydantic.BaseModel], known: set[str]) -> list[str]:
    return [
        f"  {name:<24}{_kind(field.annotation)}{_limits(field)}{_default(field)}"
        for name, field in form.model_fields.items()
        if name not in known
    ]


def _kind(annotation: Any) -> str:
    choices = [a for a in get_args(annotation) if isinstance(a, str)]
    if choices:
        return "one of " + ", ".join(choices)
    inner = [c for a in get_args(annotation) for c in get_args(a) if isinstance(c, str)]
    if inner:
        return "list of " + ", ".join(dict.fromkeys(inner))
    if get_args(annotation) and str(annotation).startswith("tuple"):
        return "list of texts"
    named = {"float": "a number", "int": "a whole number", "str": "a text", "bool": "true or false"}
    known = getattr(annotation, "__name__", "") or str(get_args(annotation)[0].__name__)
    return named.get(known, "a whole number" if "int" in str(annotation) else "a text")


def _limits(field: Any) -> str:
    words = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below"}
    found = [
        f"{said} {getattr(rule, name):g}"
        for rule in field.metadata
        for name, said in words.items()
        if getattr(rule, name, None) is not None
    ]
    return f", {' and '.join(found)}" if found else ""


def _default(field: Any) -> str:
    if field.is_required():
        return ""
    shown = field.default
    return (
        "; may be left out"
        if shown in (None, "", ()) or isinstance(shown, tuple)
        else f"; {shown} if left out"
    )
