"""The door: what a clinic hands in, read, checked and typed by one dictionary."""

import pandas as pd

from analytics.records.intake import Check, check, from_frames, from_raw, load
from analytics.records.messages import Problem
from analytics.records.schema import Records
from analytics.records.template import template
from analytics.records.views import as_of, subset
from analytics.records.writers import write

# Frames share their columns until one of them is written to, as in pandas 3: a third less time on the way to
# yields, and no frame that changes behind another's back.
pd.options.mode.copy_on_write = True

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
