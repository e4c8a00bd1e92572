"""One call makes any result's picture."""

from analytics.pages.figures.dispatch import BARS, CAPTIONS, PICTURES, UNSAID, draw, unsaid
from analytics.pages.figures.flow import flow
