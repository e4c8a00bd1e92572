"""How is a quantity spread, and what is it for one unit, where each unit shows it only through noise?"""

from analytics.numerics.deconvolution.atoms import Atoms, nonparametric
from analytics.numerics.deconvolution.average import (
    NODES, NODE_WEIGHTS, Averaged, average, combine, given_common, likeness, posterior,
)
from analytics.numerics.deconvolution.prior import (
    Family, Penalty, Prior, Units, beta, covariance, fit, parts, scores, tangent, units,
)
