"""How does a clinic's own spreadsheet become the tables of the workbook, no cell lost, nothing guessed?"""

from analytics.mapping import deidentify, values
from analytics.mapping.apply import Balance, apply, beside, mapped
from analytics.mapping.clock import months_between
from analytics.mapping.find import best_target
from analytics.mapping.sources import read as read_source
from analytics.mapping.plan import read_plan
from analytics.mapping.write import propose
