"""Sequential tests of a rare harm, and what a standard asks of the numbers that are to decide it."""

from analytics.numerics.sequential.standards import (
    Belief, holds_of_mean, holds_of_share, perfect_record, units_to_decide,
)
from analytics.numerics.sequential.wald import (
    ACCEPT, GOES_ON, REJECT, Errors, Lines, Walk, added, bounds, exact, lines, walk,
)
