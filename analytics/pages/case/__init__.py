"""One case: what its page asks; in words, where its zones stand, what is due, what is recorded."""

from analytics.pages.case.panels import asked, due
from analytics.pages.case.record import planted, told, who
from analytics.pages.case.verdict import alarm, due_next, in_short, in_words, notes, past_hundred
