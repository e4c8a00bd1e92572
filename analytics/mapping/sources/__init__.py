"""A clinic's own file as sheets of cells: how it is read, and what became of each cell."""

from analytics.mapping.sources.reading import encoding_of, read, separator_of
from analytics.mapping.sources.sheets import (
    EMPTY, OPEN, SPACES, Book, Sheet, column_number, letter, sheet_of,
)
from analytics.mapping.sources.unfold import UNFOLDED, Unfold, found, unfolded
