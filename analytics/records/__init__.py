"""The door: what a clinic hands in, read, checked and typed by one dictionary."""

from analytics.records.intake import Check, check, from_frames, from_raw, load
from analytics.records.messages import Problem
from analytics.records.schema import Records
from analytics.records.template import template
from analytics.records.views import as_of, subset
from analytics.records.writers import write

__all__ = [
    "Check",
    "Problem",
    "Records",
    "as_of",
    "check",
    "from_frames",
    "from_raw",
    "load",
    "subset",
    "template",
    "write",
]
