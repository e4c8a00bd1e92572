"""Who was due, who came, what was counted, and who was asked? One clock for every room.

`states` says of every placement (or session) and planned month what became of it; `Window` is when a month
counts as kept, `AT_MATURITY` the windows of the workbook, a practice's own schedule another.
`complications` says who was asked and what was told.
`register_end` and `reading_month` say which month it is. `ground` tells which placements share ground.
"""

from analytics.followup.asked import ASKED_NO, ASKED_YES, TOLD, UNKNOWN, complications
from analytics.followup.clock import (
    AT_MATURITY, CLOSES_LATE, COUNTED, DUE_STATES, IN_WINDOW, MISSED, NOT_YET, OPENS_EARLY,
    OUTSIDE, SEEN, SEEN_STATES, SHARED, STATES, UNUSABLE, WITHDRAWN, Planned, Window, n_of, reading_month,
    register_end, states,
)
from analytics.followup.ground import same_ground
