"""What a notebook writes on its page, a verb for each thing: answer, lead, attention, figure, table and on.

The words that belong to a page and not to its numbers (what its pictures show, notes under its tables, its
cautions) stand in `words.toml`, by page; a notebook of one's own hands them over instead.
"""

from analytics.pages.writing.ending import carried, carried_of, graded, left_out, method
from analytics.pages.writing.instead import untold
from analytics.pages.writing.saying import answer, attention, cautions, flag, lead
from analytics.pages.writing.showing import figure, flow, frame, table
