"""One call makes any result's picture."""

from analytics.pages.figures.dispatch import BANDS, BARS, CAPTIONS, PICTURES, UNSAID, draw, unsaid
from analytics.pages.figures.flow import flow
