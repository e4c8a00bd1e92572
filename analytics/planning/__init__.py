"""How much donor is left, and what would a draft split of the next session's grafts be expected to give?

`ledger` says what a donor area still holds. `read_drafts` reads what a surgeon writes down, `drafts` predicts
each draft's density by zone, `overspent` names those that take more than is left, and `split` (by `allocate`)
divides a total by the densities aimed at. Follicular units and hairs are different units and never mixed: a
graft is one follicular unit, and hairs are grafts times hairs per graft.

Decision support for licensed practitioners. Nothing here says whether to operate.
"""

from analytics.planning.allocate import Target, allocate
from analytics.planning.drafts import drafts, overspent, split, targets_for
from analytics.planning.ledger import SAFE_SHARE_RANGE, SCALP_CEILING_FU, ledger
from analytics.planning.texts import Aim, Draft, ZoneDraft, read_aims, read_drafts
