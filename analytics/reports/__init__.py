"""From a page and a clinic's records to a published report."""

from analytics.reports import batch
from analytics.reports import cache
from analytics.reports import overview
from analytics.reports import parameters
from analytics.reports import render
from analytics.reports.batch import Job, Plan
from analytics.reports.browser import find, pdf
from analytics.reports.cache import folder
from analytics.reports.layout import TEMPLATES, filled
from analytics.reports.overview import said, write
from analytics.reports.parallel import Question, answers, begun, defect, dismiss
from analytics.reports.parameters import NOTEBOOKS, described, pages, title
from analytics.reports.publish import FORMATS, without_answer
from analytics.reports.record import (
    DETAILS_FILE, DRAWINGS, END_TYPE, FIGURES, LEFT_FILE, MARK, PACKAGE, RESULTS_FILE, ROOT, RUN_VARIABLE,
    data_sha256, is_invented, sources,
)
from analytics.reports.render import TIMEOUT_SECONDS, page, report_name
