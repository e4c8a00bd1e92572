"""What those of whom nothing is known could change: bounds, what lies between them, weighted shares."""

from analytics.numerics.bounds.partial import (
    Bounds, Weighted, at_odds_ratio, difference, mean, share, unasked_share_for, weighted,
)
