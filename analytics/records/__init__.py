"""The door: what a clinic hands in, read, checked and typed by one dictionary."""

import pandas as pd

from analytics.records import derive
from analytics.records import readers
from analytics.errors import Problem
from analytics.records.frames import Records
from analytics.records.dictionary_page import as_markdown, write_pages
from analytics.records.load import Check, check, from_frames, from_raw, load
from analytics.records.rules.sentences import SENTENCES
from analytics.records.safety import (
    MOST_CELLS, kind_of, refuse_large, refuse_sparse, refuse_unsafe_workbook,
)
from analytics.records.stores import (
    LOCKED, MOST_ROWS, PANDAS_INDEX, _duckdb_table, _only_read, _parts_of_sheets, read_parquet,
    sqlite_url,
)
from analytics.records.views import as_of, subset
from analytics.records.write import template, write

# Frames share their columns until one of them is written to, as in pandas 3: a third less time on the way to
# yields, and no frame that changes behind another's back.
pd.options.mode.copy_on_write = True
