"""What every room says when something is wrong.

A message has four parts, in this order: where (table.column, or function and argument), what (a count and the
first row), the rule, what to do. It never holds a value of a record: messages are logs, and logs travel.
"""


class AnalyticsError(Exception):
    """Base of all errors that are shown to a person without a traceback."""


class RecordError(AnalyticsError):
    """A table breaks the dictionary, so that nothing can be computed; `problems` lists why, one by one."""

    def __init__(self, message: str, problems: tuple = ()) -> None:
        super().__init__(message)
        self.problems = tuple(problems)


class FitError(AnalyticsError):
    """A model cannot be fitted well enough to report anything."""


class ParameterError(AnalyticsError):
    """An argument or a report parameter is unknown or out of its range."""


class RecordWarning(UserWarning):
    """A table is usable but odd."""


class FitWarning(UserWarning):
    """A model was fitted, but a named check failed."""
