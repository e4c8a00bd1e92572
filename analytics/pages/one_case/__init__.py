"""The course of one case: which questions its page asks, and what is due next."""

from analytics.pages.one_case.panels import asked, due
