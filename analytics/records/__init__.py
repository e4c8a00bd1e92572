"""The door: what a clinic hands in, read, checked and typed by one dictionary."""

from analytics.records.intake import Check, check, from_frames, from_raw, load
from analytics.records.messages import Problem
from analytics.records.schema import Records

__all__ = ["Check", "Problem", "Records", "check", "from_frames", "from_raw", "load"]
