"""Has an indicator moved over time by more than chance? A chart of each criterion, and its signals."""

from analytics.review.charts.over_time import RUNS_AT_MOST, run_charts
from analytics.review.charts.signals import JUDGED
