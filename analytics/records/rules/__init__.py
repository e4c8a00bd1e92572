"""Rules that the records must keep, each declared once: which rows break it, and what is said of them.

Of the tables as handed in (`structure`), cell by cell (`columns`), and across cells, rows and tables, in the
order in which they are told: `keys`, `patients`, `sessions`, `placements`, `counts`, `follow`, `slips`.

A new rule is one `Rule` in the tuple RULES of the file of its subject:

1. its code, new in the house, and the table.column at which it is told;
2. what breaks it: a function from the `Register` to the rows of that table (True, False, or not known);
3. the sentence: for one row, for several, the rule, what to do; "warning" where the load goes on;
4. `needs`: columns without which it would tell a second time that they are absent.

A limit it uses stands in its file, with its basis. The page of the dictionary lists it by itself
(`records.write_pages("data_demo/README.md")`); tests/records_defects.py asks for one defect that breaks it.
"""

from analytics.records.rules import columns, first_counts, structure
from analytics.records.rules import counts, follow, keys, patients, placements, sessions, slips
from analytics.records.rules.clock import clock_of
from analytics.records.rules.keys import exact_copy, left_out
from analytics.records.rules.rule import Register, Rule, check

ACROSS = (
    *keys.RULES,
    *patients.RULES,
    *sessions.RULES,
    *placements.RULES,
    *counts.RULES,
    *follow.RULES,
    *slips.RULES,
)
