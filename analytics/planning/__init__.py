"""How much donor is left, and what would a draft split of the next session's grafts be expected to give?

`ledger` says what a donor area still holds. `read_areas`, `read_drafts` and `read_aims` read what a surgeon
writes down. `outlook` says what will stand in the patient's zones and how much of what is planted grows
there; from it `drafts` predicts each draft's density and its chance to reach the densities aimed at, and
`split` divides what is left to fall least short of them; `two_sessions` lets a later one follow.
Follicular units and hairs are different units and never mixed: a graft is one follicular unit, and hairs
are grafts times hairs per graft. A draft that is chosen is kept (`entry`), and set beside what was planted
and what has grown: `against_plan`, and `over_the_practice`. `donor_outcome`: what became of a donor.

Decision support for licensed practitioners. Nothing here says whether to operate.
"""

from analytics.planning.allocate import Target, allocate, judged
from analytics.planning.drafts import drafts, predicted, split
from analytics.planning.kept import LOG, against_plan, entry, over_the_practice
from analytics.planning.later import two_sessions
from analytics.planning.ledger import Donor, donor, ledger
from analytics.planning.outcome import donor_outcome
from analytics.planning.outlook import Outlook, outlook
from analytics.planning.texts import Aim, Draft, ZoneDraft, read_aims, read_areas, read_drafts
