"""The kinds of criteria: each says in one place what it counts, how, on which clock, and how it is drawn.

To add a kind, write one class in a file here (its own, or the family it belongs to) and name it in KINDS.
No panel, page or picture asks for the kind of a criterion: they ask the criterion. The class

1. is a `Criterion` with `measure: Literal["<word in the file>"]` and the entries a file must give,
2. counts: `count(view)` returns one row per unit (`review.units`: part over whole, quarter, reason),
3. measures: `number(rows)` where Wilson's share of units does not fit (`review.measures` has the others),
4. declares what differs from the default of `kind.Criterion`: unit, places and `counted` (words), scale,
   chart, clock, compares_operators, watched, own_case_mix,
5. overrides `of_periods` where it is counted by something else too (per patient, of all due) or rests on a
   model, `due_so_far` where those not seen could move it, `faults` where its entries can contradict others.

Then a test beside those of `tests/test_review.py` counts it by hand on a register of a few sessions.
"""

from analytics.review.kinds.afterwards import (
    ALL_DUE, Answer, Complication, NO_ANSWER, NOT_ASKED, PER_PATIENT, Photographs, Seen, TOLD_UNASKED,
)
from analytics.review.kinds.growth import MeanYield, PoorGrowth
from analytics.review.kinds.kind import Criterion, measure_of
from analytics.review.kinds.operation import (
    ColumnShare, CompleteNotes, GraftShare, HairsPerGraft, SessionMean,
)

KINDS = (
    Complication, GraftShare, SessionMean, ColumnShare, HairsPerGraft, MeanYield, PoorGrowth, Answer,
    Photographs, CompleteNotes, Seen,
)
MEASURES = tuple(measure_of(kind) for kind in KINDS)
