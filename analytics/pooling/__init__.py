"""What do several clinics' records say together, when no patient's row may leave a clinic?

Two ways. *One shot* (`summary`, `combine`): each clinic's estimates with standard errors, pooled by random
effects. *Rounds of sums* (`open_round`, `answer`, `next_round`): the mixed model of yield on month and zone,
fitted from sums alone, the same as on the stacked rows to rounding, because patients nest in clinics and the
criterion is a sum over clinics. `fit_partitions` uses the same sums over partitions of one organisation's
records that are too many for one machine. `note_answer`, `note_summary` keep a clinic's ledger, so that no
two answers differ by a few patients.
"""

from analytics.pooling.coding import read_study
from analytics.pooling.finished import combined, curve, curve_of, finished, what_left
from analytics.pooling.ledger import note_answer, note_summary, read_ledger
from analytics.pooling.partitions import (
    fit_partitions, prepare_partition, shared_covariance_partitions, turnbull_partitions,
)
from analytics.pooling.rounds import (
    answer, next_round, open_round, pooled, read_round, shared_covariance, what_leaves,
)
from analytics.pooling.summary import (
    combine, of_measure, overview, read_folder, read_summary, shrinkage, summary,
)
