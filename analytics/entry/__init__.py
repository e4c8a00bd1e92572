"""What is entered at the chair or imported: rows checked, shown, written whole, remembered, taken back."""

from analytics.entry.case import Case, Place, case_of
from analytics.entry.changes import Change
from analytics.entry.counts import Import, import_counts
from analytics.entry.exports import propose, read_export
from analytics.entry.journal import history, record, undo
from analytics.entry.look import look
from analytics.entry.photographs import ENDINGS, read_folder
from analytics.entry.rows import Count, correction, follow_up, months_since, session, text_of
