"""Files and folders written whole or not at all, for their owner alone: never half of one."""

from analytics.files import tables
from analytics.files.atomic import (
    OWNER_ONLY, OWNER_ONLY_FOLDER, put_in_place, restore, restore_inside, safe_name, sha256, write,
    write_json,
)
from analytics.files.tables import csv_bytes, file, folder, rows_of_cells, workbook
