"""The door: what a clinic hands in, read, checked and typed by one dictionary."""

import pandas as pd

from analytics.records import derive, readers
from analytics.records.codes import beside, numbered, paired, pairs
from analytics.records.dictionary_page import write_pages
from analytics.records.frames import Records, as_of, patient, subset, with_columns
from analytics.records.kept import derived, once, promise_unchanged, unchanged
from analytics.records.load import check, check_raw, from_frames, load
from analytics.records.safety import kind_of, refuse_large, refuse_unsafe_workbook
from analytics.records.stores import (
    LOCKED, MOST_ROWS, PANDAS_INDEX, duckdb_table, only_read, read_parquet, sqlite_url,
    text_of,
)
from analytics.records.workbooks import marked_cells, parts_of_sheets, read_cells
from analytics.records.write import template, write

# Frames share their columns until one of them is written to, as in pandas 3: a third less time on the way to
# yields, and no frame that changes behind another's back.
pd.options.mode.copy_on_write = True
