"""What share of the planted hairs grew? The one door to everything that speaks of yield.

`by_visit` is the only definition of yield (`yield_pct` its formula), `Choices` what it rests on where
reasonable people differ; `average` the mean by zone, surgeon or method; `against_others` one operator set
against the rest; `sensitivity` the headline under every defensible choice, `with_view` one more line of it,
`moves` how far each choice moves it; `counted_at_maturity` how many of those due were counted, and
`if_not_read` what the others could change; `joint` the view for overlapping sessions; `photograph_failures`
the share of photographs that failed (`attendances`); `season` how counts swing over the year (`season_of`
lines that estimated it); `loss_chain` what is lost between the punch and the mirror (`ratio_of_sums`);
`graft_yield` the share of grafts that show a hair; `hair_mass` hair cross-section (`cross_section`, its
error).
"""

from analytics.yields.choices import (
    ANNUAL_LOSS_PCT, ANNUAL_LOSS_SENSITIVITY_PCT, USUAL, Choices,
)
from analytics.yields.compare import against_others
from analytics.yields.followup import (
    attendances, counted_at_maturity, if_not_read, photograph_failures,
)
from analytics.yields.joint import joint
from analytics.yields.link import MIN_BOTH, planted_error
from analytics.yields.losses import graft_yield, loss_chain, ratio_of_sums
from analytics.yields.mass import cross_section, cross_section_se, hair_mass
from analytics.yields.means import average, expected_variance, one_reading
from analytics.yields.native import MIN_CONTROL_REGIONS, UntreatedRate, therapy_seen
from analytics.yields.rows import (
    MENDABLE, REASONS, USES, YIELD_FROM_MONTH, by_visit, native_rate, with_reason,
    yield_pct,
)
from analytics.yields.season import season
from analytics.yields.sensitivity import moves, season_of, sensitivity, with_view
