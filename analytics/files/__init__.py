"""Files and folders written whole or not at all, and over nothing but the program's own unchanged files."""

from analytics.files import begins, children, forks, state, tables, warm
from analytics.files.atomic import (
    OWNER_ONLY, OWNER_ONLY_FOLDER, RECORD, adopt, as_json, clashes, clear, editions, made, put_file,
    put_in_place, refuse_list, refuse_source, restore, restore_inside, safe_name, sha256, write,
    write_json,
)
from analytics.files.listing import left_as_they_are
from analytics.files.tables import csv_bytes, file, folder, refuse_file, rows_of_cells, workbook
