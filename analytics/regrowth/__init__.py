"""How does planted hair come in, by zone: how much in the end, how fast, and what may one case expect?

`by_zone` is the spline view, descriptive. `fit_emergence` fits the emergence model that forecasts,
`emergence` shows it as a table and curves. `fit_plateaus` finds on it how plateaus are spread: `shares` and
`share_below` say how many placements are past a milestone or under a threshold, `posterior` and `forecast`
what one case is and will be given its readings, without a refit; `deviations` says how unusual it is.
"""

from analytics.regrowth.deviation import (
    UNLIKE,
    ODD, SETS, SIMULATED, as_simulated, deviations, far_off, gaps, leftover, observed,
    quantiles as leftover_quantiles,
)
from analytics.regrowth.distribution import CENTRES, PlateauDistribution, drawn
from analytics.regrowth.emergence import USUAL_CURVE, Emergence, fit_emergence
from analytics.regrowth.layout import (
    HALF, Layout, PLATEAU, expected_variance, fit_or_simplify, lay_out, prior_precision,
)
from analytics.regrowth.quantities import (
    FRONT_NAME, degrees, mean_yield, parameters, quantities, variances, weights_of,
)
from analytics.regrowth.questions import (
    chances_below, emergence, fit_plateaus, not_drawn, poor_growth, rows_for, share_below, shares, tempo,
)
from analytics.regrowth.rows import EmergenceRows, prepare, select
from analytics.regrowth.sides import FEWEST_COUNTED, HANGS, against_front
from analytics.regrowth.single_cases import (
    Forecast, chance_below, forecast, forecasts_of_each, posterior, slow_or_low, yields_at,
)
from analytics.regrowth.spline import by_zone, natural_basis
from analytics.regrowth.tables import between_rows
