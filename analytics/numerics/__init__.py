"""The engines: arrays in, a frozen dataclass out; no tables, no records.

An engine is imported when it is first asked for: `analytics.numerics.mixed` works after `import analytics`.
"""

import importlib
from types import ModuleType

ENGINES = (
    "agreement", "bounds", "control", "cusum", "funnel", "imputation", "meta", "mixed", "non_inferiority",
    "nonlinear", "power", "proportions", "regression", "resample", "run_rules", "scores", "sequential",
    "time_ratios", "turnbull", "weighting",
)


def __getattr__(name: str) -> ModuleType:
    if name in ENGINES:
        return importlib.import_module(f"analytics.numerics.{name}")
    raise AttributeError(f"analytics.numerics has no engine named {name}; it has {', '.join(ENGINES)}")


def __dir__() -> list[str]:
    return list(ENGINES)
