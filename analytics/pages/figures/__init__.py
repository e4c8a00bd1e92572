"""One call makes any result's picture."""

from analytics.pages.figures.dispatch import BARS, PICTURES, UNSAID, draw, unsaid
