"""What a notebook writes on its page, from `page = pages.begin(...)` to `pages.finish(page)`."""

from analytics.pages import sentences, sentences_review
from analytics.pages.page import (
    about, answer, attention, begin, beside, cautions, figure, finish, frame, kept, kept_all, lead, left_out,
    method, results, say, table, verdict,
)
