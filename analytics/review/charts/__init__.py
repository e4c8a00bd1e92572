"""Has an indicator moved over time by more than chance? A chart of each criterion, and its signals."""

from analytics.review.charts.over_time import JUDGED, RUNS_AT_MOST, run_charts
