"""What do several clinics' records say together, when no patient's row may leave a clinic?

Two ways. *One shot* (`summary`, `combine`): each clinic's estimates with standard errors, pooled by random
effects. *Rounds of sums* (`open_round`, `answer`, `next_round`): the mixed model of yield on month and zone,
fitted from sums alone, the same as on the stacked rows to rounding, because patients nest in clinics and the
criterion is a sum over clinics. `fit_partitions` uses the same sums over partitions of one organisation's
records that are too many for one machine. `note_answer`, `note_summary` keep a clinic's ledger, so that no
two answers differ by a few patients.
"""

from analytics.pooling_coding import Coding, design_rows, read_study
from analytics.pooling_ledger import note_answer, note_summary, read_ledger
from analytics.pooling_left import what_left
from analytics.pooling_oneshot import (
    combine,
    folder_of,
    of_measure,
    overview,
    read_folder,
    read_summary,
    shrinkage,
    summary,
)
from analytics.pooling_partitions import (
    fit_partitions,
    prepare_partition,
    shared_covariance_partitions,
    turnbull_partitions,
)
from analytics.pooling_rounds import (
    answer,
    curve,
    next_round,
    open_round,
    pooled,
    read_round,
    shared_covariance,
    what_leaves,
)

__all__ = [
    "Coding",
    "answer",
    "combine",
    "curve",
    "design_rows",
    "fit_partitions",
    "folder_of",
    "next_round",
    "note_answer",
    "note_summary",
    "of_measure",
    "open_round",
    "overview",
    "pooled",
    "prepare_partition",
    "read_folder",
    "read_ledger",
    "read_round",
    "read_study",
    "read_summary",
    "shared_covariance",
    "shared_covariance_partitions",
    "shrinkage",
    "summary",
    "turnbull_partitions",
    "what_leaves",
    "what_left",
]
