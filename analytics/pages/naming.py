"""Names of columns and groups as words, for headings, axes and sheets; codes stay as they were handed in."""

import re


def readable(value: object) -> str:
    """Return a name as words: underscores become spaces.

    Examples
    --------
    >>> readable("yield_at_maturity")
    'yield at maturity'
    """
    return str(value).replace("_pct", " %").replace("_", " ")


def title_case(text: str) -> str:
    """Return the text with its first letter large."""
    return text[:1].upper() + text[1:]


def group_name(column: str, value: object) -> str:
    """Return the name of a group with a large first letter; a code stays as it is.

    Examples
    --------
    >>> group_name("surgeon_id", "s_1"), group_name("zone", "crown")
    ('s_1', 'Crown')
    """
    return str(value) if column.endswith("_id") else title_case(readable(value))


def group_label(column: str, value: object) -> str:
    """Return the name of a group as words; a code (column `..._id`) stays as it is.

    Examples
    --------
    >>> group_label("surgeon_id", "S_1"), group_label("method", "long_hair")
    ('S_1', 'long hair')
    """
    return str(value) if column.endswith("_id") else readable(value)


def heading(column: str) -> str:
    """Return a column's name as a heading.

    Examples
    --------
    >>> heading("surgeon_id"), heading("n_patients")
    ('Surgeon', 'Patients')
    """
    plain = re.sub(r"^n_", "", re.sub(r"_id$", "", column))
    return title_case(readable(plain.replace("_cm2", " per cm²").replace("_pct", " (percent)")))
