"""What a notebook writes on its page, from `page = pages.begin(...)` to `pages.finish(page)`."""

from analytics.pages import (
    audit, case, conclusions, due, in_words, planner, quarter, sentences, small, study_text,
)
from analytics.pages.figures.show import draw
from analytics.pages.first_screen import KeyNumber, about, facts, head_map, key_number, key_numbers, when
from analytics.pages.page import (
    Page, ask, begin, file_beside, finish, folder, kept_plans, question, results, state_folder,
)
from analytics.pages.sentences import say, verdict
from analytics.pages.writing import (
    answer, attention, carried, carried_of, cautions, figure, flag, flow, frame, graded, lead, left_out,
    method, table,
)
