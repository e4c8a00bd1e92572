"""How does a clinic's own spreadsheet become the tables of the workbook, no cell lost, nothing guessed?"""

from analytics.mapping import deidentify
from analytics.mapping.apply import Balance, apply, beside, mapped
from analytics.mapping.plan import read_plan
from analytics.mapping.write import propose
