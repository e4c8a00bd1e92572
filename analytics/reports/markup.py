"""The one way to HTML: Jinja2 templates filled with plain values, every value escaped."""

from functools import lru_cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

TEMPLATES = Path(__file__).parent / "templates"


def filled(template: str, **values: Any) -> Markup:
    """Return a template of `templates/` filled with values; what is no `Markup` already is escaped.

    Parameters
    ----------
    template
        Its path in the folder, without `.html.j2`.
    values
        What it names; a name it does not get is an error.

    Examples
    --------
    >>> str(filled("blocks/lead", sentence="Yield & zone"))
    '<p class="rw-lead">Yield &amp; zone</p>'
    """
    return Markup(_environment().get_template(f"{template}.html.j2").render(**values))


@lru_cache(maxsize=1)
def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
