"""What share of the planted hairs grew? The one door to everything that speaks of yield.

`by_visit` is the only definition of yield (`yields_rows`); `average` the mean by zone, surgeon or method;
`against_others` one operator beside the rest; `sensitivity` the headline under every defensible choice,
`beside` one more line of it, `what_matters` the choices that move it furthest; `if_not_read` what those who
stayed away could change; `joint` the view for overlapping sessions; `photograph_failures` the share of
photographs that failed; `season` how counts swing over the year (`season_of` lines that estimated it);
`loss_chain` what is lost between the punch and the mirror; `graft_yield` the share of grafts that show a
hair; `hair_mass` hair cross-section.
"""

from analytics.yields_average import average
from analytics.yields_calibre import hair_mass
from analytics.yields_compare import against_others
from analytics.yields_followup import if_not_read
from analytics.yields_joint import joint
from analytics.yields_losses import graft_yield, loss_chain
from analytics.yields_native import ANNUAL_LOSS_PCT, ANNUAL_LOSS_SENSITIVITY_PCT
from analytics.yields_photographs import photograph_failures
from analytics.yields_planted import PlantedError, planted_error
from analytics.yields_rows import NATIVE_CHANGES, REASONS, USES, by_visit, usable, with_reason, yield_pct
from analytics.yields_season import season
from analytics.yields_sensitivity import beside, season_of, sensitivity, what_matters

__all__ = [
    "ANNUAL_LOSS_PCT",
    "ANNUAL_LOSS_SENSITIVITY_PCT",
    "NATIVE_CHANGES",
    "REASONS",
    "USES",
    "PlantedError",
    "against_others",
    "average",
    "beside",
    "by_visit",
    "graft_yield",
    "hair_mass",
    "if_not_read",
    "joint",
    "loss_chain",
    "photograph_failures",
    "planted_error",
    "season",
    "season_of",
    "sensitivity",
    "usable",
    "what_matters",
    "with_reason",
    "yield_pct",
]
