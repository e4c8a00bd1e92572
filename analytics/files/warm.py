"""The process that reports are forked from: begun before anything else, because its imports take longest."""

import os

from analytics.files import forks

RUN = "analytics.reports.execute"
# jsonschema builds a whole grammar of web addresses when this library is there: a second of every report, for
# addresses that no notebook holds. Where the import fails it does without; a kernel does without a debugger.
FIRST = 'sys.modules["rfc3987_syntax"] = sys.modules["debugpy"] = None'
# What a run imports, named here because a name is all that this room may know of it.
READY = (
    "analytics.pages",
    "ipykernel.kernelapp",
    "matplotlib.backends.backend_svg",
    "scipy.stats",
    "statsmodels.stats.proportion",
    "surpyval",
)


def begin() -> None:
    """Let imports of the reports to come begin, where they can be shared."""
    forks.begin(RUN, ready=READY, first=FIRST, env=environment())


def environment() -> dict[str, str]:
    """Return the environment of reports, but for what is a report's own."""
    out = {**os.environ, "PYTHONHASHSEED": "0", "MPLBACKEND": "agg"}
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        out.setdefault(name, "1")
    return out
