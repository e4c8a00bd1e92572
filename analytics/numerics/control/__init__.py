"""Control charts: centre line and limits of a series, and the points outside them."""

from analytics.numerics.control.kinds import KINDS, chart
from analytics.numerics.control.lines import D2, MIN_POINTS, Chart, Rule, rule_of, widths
from analytics.numerics.control.shares import p, p_prime, u, u_prime
from analytics.numerics.control.values import g, individuals, t
