"""A page that a patient takes home: own counts, own visits, plain words, and no code."""

from analytics.pages.handout.settings import CHOICES, Handout, settings
from analytics.pages.handout.sheet import html
from analytics.pages.handout.write import refuse_other_pages, write
