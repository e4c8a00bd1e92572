"""Does this installation reproduce what is published? Source, expected, found, tolerance, pass or fail."""

from analytics.published.cases import Case, Number, cases, near, run, sentence, summary
from analytics.published.ranges import PUBLISHED_RANGES, Published
