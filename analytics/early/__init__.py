"""What can be told of few patients, and when can more be told?

`ladder` says of each zone what its counts carry, from single counts to the growth model (`with_model`);
`case` shows one patient before the practice has a curve; `when` says how many more counts are needed for a
difference of a stated size, and by which month they will be there.
"""

from analytics.early.case import case
from analytics.early.ladder import (
    AT_MATURITY, FOR_MODEL, LEAST_DIRECT, LEAST_FOLLOWED, LEAST_MEAN, RUNGS, ladder, with_model,
)
from analytics.early.to_tell import detectable, when
