"""Fit a curve with fixed and nested random effects on its parameters."""

from analytics.numerics.nonlinear import curves
from analytics.numerics.nonlinear.curves import SHAPES, TAILED, Shape, log_time_of, share
from analytics.numerics.nonlinear.entry import CRITERIA, METHODS, fit
from analytics.numerics.nonlinear.model import NonlinearFit
from analytics.numerics.nonlinear.robust import ClusterErrors, errors, pairs
