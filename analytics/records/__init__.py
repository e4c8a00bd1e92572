"""The door: what a clinic hands in, read, checked and typed by one dictionary."""

from analytics.records.schema import Records

__all__ = ["Records"]
