"""The distribution of a time that is only known to lie between two visits."""

from analytics.numerics.turnbull.batch import summaries
from analytics.numerics.turnbull.estimate import (
    CERTIFIED_GAP, SMALLEST_MASS, TARGET_GAP, TurnbullFit, describe, fit, refuse_intervals,
)
