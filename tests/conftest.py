"""Shared fixtures: the demo register, loaded once."""

from pathlib import Path

import matplotlib as mpl
import pytest

mpl.use("Agg")
ROOT = Path(__file__).parents[1]


@pytest.fixture(autouse=True)
def _close_all_figures():
    yield
    import matplotlib.pyplot as plt

    plt.close("all")


@pytest.fixture(scope="session")
def demo():
    """Return the demo register, loaded (the invented clinic)."""
    from analytics import records

    return records.load(ROOT / "data_demo")


@pytest.fixture(scope="session")
def published():
    """Return the folder of small published data sets."""
    return ROOT / "data_demo" / "published"
