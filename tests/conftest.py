"""Shared fixtures: the demo register, loaded once."""

import gc
import os
import pickle
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

# One thread a process: many threads on small matrices wait for cores that a busy machine does not give them.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import matplotlib as mpl  # noqa: E402
import pandas as pd  # noqa: E402
import pytest  # noqa: E402

from analytics.files import forks  # noqa: E402

mpl.use("Agg")
# As in reports (`files.forks`, `files.warm`): looking for garbage after every 700 objects takes a tenth of a
# run, a grammar of web addresses that jsonschema builds where it can a second of every process.
gc.set_threshold(forks.GARBAGE_FROM)
sys.modules.setdefault("rfc3987_syntax", None)
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
def fit(demo, of_this_run):
    """Return the growth model of the demo, fitted once a run."""
    from analytics import regrowth

    return _once(of_this_run / "fit", lambda: regrowth.fit_emergence(demo))


@pytest.fixture(scope="session")
def plateaus(demo, fit, of_this_run):
    """Return the distribution of plateaus of the demo, fitted once a run."""
    from analytics import regrowth

    return _once(of_this_run / "plateaus", lambda: regrowth.fit_plateaus(demo, fit=fit))


@pytest.fixture(scope="session")
def published():
    """Return the folder of small published data sets."""
    return ROOT / "data_demo" / "published"


@pytest.fixture(scope="session")
def cosmesis(published):
    """Return left, right, group of the breast cosmesis trial (Beadle 1984; Finkelstein and Wolfe 1985)."""
    data = pd.read_csv(published / "breast_cosmesis.csv", dtype={"left": float, "right": float})
    return tuple(data[name].to_numpy() for name in ("left", "right", "group"))


@pytest.fixture(scope="session")
def printed(published):
    """Return a function from a published case to its printed numbers by name: they stand nowhere else."""
    from analytics.published import cases

    def of(name):
        case = next(case for case in cases() if case.name == name)
        return {number.quantity: number.expected for number in case.numbers(published)}

    return of


LONG_FIRST = ("test_pinned", "test_course", "test_entry", "test_study", "test_notebooks", "test_pages_render")


def pytest_collection_modifyitems(items):
    """Put the files that take longest first, so that workers end together."""
    order = {name: place for place, name in enumerate(LONG_FIRST)}
    items.sort(key=lambda item: order.get(item.path.stem, len(order)))


def pytest_collection_finish():
    """Leave what was collected out of every later search for garbage: it stays alive to the end."""
    gc.freeze()


@pytest.fixture(scope="session")
def of_this_run(tmp_path_factory):
    """Return the folder that all workers of this run share."""
    root = tmp_path_factory.getbasetemp()
    return root.parent if "PYTEST_XDIST_WORKER" in os.environ else root


@pytest.fixture(scope="session", autouse=True)
def _fits_of_this_run(of_this_run):
    """Keep heavy fits for this run alone: pages rendered twice share them, nothing else is read."""
    os.environ["REGROWTH_CACHE"] = str(of_this_run / "fits")


@pytest.fixture(scope="session")
def demo_report(of_this_run):
    """Return a function that renders a page on the demo register, each page once a run."""
    from analytics.reports import parameters, render

    made = {}
    out = of_this_run / "demo"

    def rendered(page):
        if page not in made:
            settings = parameters.DEMO.get(page, {})
            made[page], _ = render.unless_made(page, ROOT / "data_demo", out, **settings)
        return made[page]

    return rendered


@pytest.fixture(scope="session")
def shown_page(tmp_path_factory, of_this_run):
    """Return a function that gives a page's numbers for each audience, unrendered, each page once a run.

    `shown_page("01_surgeon_audit")["shared"]` holds `.content` (as `results.json` holds it), `.results` (the
    protected results) and `.refused`. Another register of the pins is named by `register=`.
    """
    from pinned import pages, registers

    made = {}
    folder = tmp_path_factory.mktemp("pinned")
    (of_this_run / "shown").mkdir(exist_ok=True)

    def shown(page, register="demo"):
        if (page, register) not in made:
            made[page, register] = _once(
                of_this_run / "shown" / f"{page}_{register}",
                lambda: pages.shown(page, registers.settings(register, page, folder)),
            )
        return made[page, register]

    return shown


def _once(place, make):
    """Return what another worker of this run made, or make it and leave it for the others."""
    if not place.exists():
        made = make()
        whole = place.with_suffix(f".{os.getpid()}")
        whole.write_bytes(pickle.dumps(made))
        whole.replace(place)
        return made
    return pickle.loads(place.read_bytes())


@pytest.fixture(scope="session")
def sample_report(tmp_path_factory):
    """Return a report of invented numbers on the demo register, rendered once in every format."""
    import sample_page

    from analytics.reports import render

    folder = tmp_path_factory.mktemp("sample")
    notebook = sample_page.write(
        folder / "sample.ipynb", sample_page.BEGIN, sample_page.WRITE, sample_page.FINISH
    )
    return render.page(
        str(notebook), ROOT / "data_demo", folder / "reports", formats=render.FORMATS, as_of="2026-03-31"
    )


@pytest.fixture(scope="session")
def chromium():
    """Return a running system browser."""
    from analytics.reports import browser

    playwright = pytest.importorskip("playwright.sync_api")
    if browser.find() is None:
        pytest.skip("no Chromium, Chrome or Edge on this computer")
    with playwright.sync_playwright() as running:
        started = running.chromium.launch(executable_path=str(browser.find()), args=browser.flags())
        yield started
        started.close()


@pytest.fixture(scope="session")
def laboratory(tmp_path_factory):
    """Return the address of a running JupyterLab, as `regrowth lab` starts it, on a copy of the notebooks."""
    from analytics.app import lab

    root = tmp_path_factory.mktemp("lab")
    shutil.copytree(ROOT / "notebooks", root / "notebooks", ignore=shutil.ignore_patterns(".*"))
    runtime = tmp_path_factory.mktemp("r")
    environment = lab.environment(runtime) | {"HOME": str(root)}
    more = ["--IdentityProvider.token=for-this-test"]
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    log = (runtime / "log.txt").open("wb")
    server = subprocess.Popen(
        lab.command(port=port, browser=False, more=more, root=root),
        env=environment,
        stdout=log,
        stderr=subprocess.STDOUT,
    )
    address = f"http://127.0.0.1:{port}"
    deadline = time.monotonic() + 90
    while time.monotonic() < deadline and server.poll() is None:
        try:
            urllib.request.urlopen(f"{address}/api?token=for-this-test", timeout=2)
            break
        except (urllib.error.URLError, OSError):
            time.sleep(0.5)
    yield address, root
    server.kill()  # asked politely it waits twenty seconds for its kernels, which go with it
    server.wait(timeout=30)
    log.close()
