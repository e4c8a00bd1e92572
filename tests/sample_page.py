"""A page of invented numbers, small enough to render in seconds, with every part a page can have."""

from pathlib import Path

import nbformat
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

PARAMETERS = """data: str = ""  # folder
surgeon: str = ""  # surgeon code
chair: str = "007"  # code of a chair
months: int = 18  # months, 6 to 60
audience: str = "internal"  # internal, shared or public
as_of: str = ""  # date"""

BEGIN = """
import numpy as np
import pandas as pd

from analytics import pages
from analytics.results import Curve, Result

page = pages.begin("sample", data, surgeon=surgeon, chair=chair, months=months, audience=audience,
                   as_of=as_of)
reasons = ["no baseline count"] * 10 + [""] * 30
used = pd.DataFrame({"patient_id": [f"p{i}" for i in range(40)], "reason": reasons})
estimates = pd.DataFrame(
    {
        "zone": ["frontal", "crown", "temples"],
        "term": "yield_at_maturity",
        "estimate": [89.25, 80.5, np.nan],
        "se": [1.5, 3.0, np.nan],
        "ci_low": [86.3, 74.6, np.nan],
        "ci_high": [92.2, 86.4, np.nan],
        "level": 0.95,
        "unit": "% of planted hairs",
        "n_patients": [120, 75, 3],
        "flag": ["", "", "fewer than 5 patients"],
    }
)
notes = ("=2+3 is no formula here",)
by_zone = Result(estimates, used, "mean of invented numbers", by=("zone",), notes=notes)
month = np.linspace(0.0, 18.0, 19)
lines = [("frontal", 90.0, 5.0), ("crown", 82.0, 10.0)]
path = pd.concat(
    [
        pd.DataFrame(
            {"zone": z, "term": "gain", "x": month, "estimate": p * month**3 / (h**3 + month**3)}
        ).assign(unit="%", level=0.95)
        for z, p, h in lines
    ]
)
path["ci_low"], path["ci_high"] = path["estimate"] - 3, path["estimate"] + 3
at_12 = path[path["x"] == 12].reset_index(drop=True)
growth = Curve(at_12, used, "a made curve", by=("zone",), picture="curve", path=path)
page = pages.results(page, by_zone=by_zone, growth=growth)
"""

WRITE = """
pages.answer(page, f"In the crown {pages.say(page, 'by_zone', zone='crown')} of the planted hairs grew.")
pages.attention(page, "{n} rows have no baseline count.", used[used["reason"] != ""])
pages.figure(page, "by_zone", "Yield by zone", alt="A dot and a bar for each of three zones, in percent")
pages.figure(page, "growth", "Growth by zone", alt="A rising curve and its band for each zone, by month")
pages.table(page, "by_zone", "Yield by zone")
pages.frame(page, pd.DataFrame({"zone": ["crown", "frontal"], "mean_age": [41.5, 39.25]}), "Ages")
pages.method(page)
pages.left_out(page, "by_zone")
pages.cautions(page, "Every number here is invented.")
"""

FINISH = "pages.finish(page)"


def write(path: Path, *sources: str, title: str = "Does the crown grow less than the front?") -> Path:
    """Write a notebook: title, parameters, then a code cell for each source."""
    cells = [new_markdown_cell(f"# {title}"), new_code_cell(PARAMETERS, metadata={"tags": ["parameters"]})]
    cells += [new_code_cell(source.strip()) for source in sources]
    cells.insert(3, new_markdown_cell("## What share grew?\n\nYield in percent of planted hairs."))
    for position, cell in enumerate(cells):
        cell["id"] = f"c{position}"
    kernel = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
    nbformat.write(new_notebook(cells=cells, metadata=kernel), path)
    return path
