"""How much donor is left, and what would a draft split of the next session's grafts be expected to give?

The one door to planning: `ledger` (`planning.ledger`), `read_drafts` and `drafts` (`planning.drafts`),
`allocate` (`planning.allocate`), and their words (`planning.drafts`). Follicular units and hairs are
different units and never mixed: a graft is one follicular unit, and hairs are grafts times hairs per graft.

Decision support for licensed practitioners. Nothing here says whether to operate.
"""

from analytics.planning.allocate import Target, allocate
from analytics.planning.drafts import (
    Draft, ZoneDraft, beyond, drafts, in_words, read_aims, read_drafts, side_by_side, split, targets_for,
)
from analytics.planning.ledger import SAFE_SHARE_RANGE, SCALP_CEILING_FU, ledger
