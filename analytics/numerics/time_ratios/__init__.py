"""By what factor is one group later than another? Time-ratio models for interval-censored times."""

from analytics.numerics.time_ratios.model import (
    DECREMENT, MAX_STEPS, NO_SHARE, NeverTest, STARTS, TimeRatioFit, fit, never_test,
)
