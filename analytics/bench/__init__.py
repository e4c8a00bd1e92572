"""The researcher's own question: the set analysed, a formula, its diagnostics, times to a milestone.

`units` is one row per planted zone; `model` fits a formula to it, `times` time ratios of a milestone; these
three are offered by `analytics` itself. `answer` and `time_answer` are the same as results for a page.
"""

from analytics.bench.answers import answer, beside_statsmodels, time_answer
from analytics.bench.formula import Model, model
from analytics.bench.times import Times, times
from analytics.bench.units import Units, units
