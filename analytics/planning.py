"""How much donor is left, and what would a draft split of the next session's grafts be expected to give?

The one door to planning: `ledger` (`planning_ledger`), `read_drafts` and `drafts` (`planning_drafts`),
`allocate` (`planning_allocate`), and their words (`planning_words`). Follicular units and hairs are different
units and never mixed: a graft is one follicular unit, and hairs are grafts times hairs per graft.

Decision support for licensed practitioners. Nothing here says whether to operate.
"""

from analytics.planning_allocate import Target, allocate
from analytics.planning_drafts import (
    Draft,
    ZoneDraft,
    drafts,
    read_aims,
    read_drafts,
    split,
    targets_for,
)
from analytics.planning_ledger import SAFE_SHARE_RANGE, SCALP_CEILING_FU, ledger
from analytics.planning_words import beyond, in_words, side_by_side

__all__ = [
    "SAFE_SHARE_RANGE",
    "SCALP_CEILING_FU",
    "Draft",
    "Target",
    "ZoneDraft",
    "allocate",
    "beyond",
    "drafts",
    "in_words",
    "ledger",
    "read_aims",
    "read_drafts",
    "side_by_side",
    "split",
    "targets_for",
]
