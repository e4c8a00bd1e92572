"""Nested linear mixed models: how far patients, placements and readings differ around a common course."""

from analytics.numerics.mixed.design import Design, design, survey
from analytics.numerics.mixed.fitted import MixedFit, fit_sums
from analytics.numerics.mixed.crossed import CrossedFit
from analytics.numerics.mixed.contributions import contributions
from analytics.numerics.mixed.many import contrasts
from analytics.numerics.mixed.likelihood import criterion
from analytics.numerics.mixed.model import fit, likelihood_ratio
from analytics.numerics.mixed.optimise import optimise
from analytics.numerics.mixed.parts import Part, Sums, prepare
from analytics.numerics.mixed.plan import Plan, Survey, factors, plan
