"""The researcher's own question: the set analysed, a formula, its diagnostics, times to a milestone.

`units` is one row per planted zone; `model` fits a formula to it, `times` a time ratio; `own_table` keeps an
answer that can be put on a page. The three are offered by `analytics` itself.
"""

from analytics.bench.diagnostics import Diagnosis, diagnose
from analytics.bench.formula import Model, model
from analytics.bench.times import Times, times
from analytics.bench.units import Units, units
