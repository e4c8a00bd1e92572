"""What a browser and axe-core (Deque) make of a page; screenshots are kept as artefacts."""

from pathlib import Path

import pytest
from conftest import ROOT

SERIOUS = ("serious", "critical")
PICTURES = ROOT / ".cache" / "screenshots"
DESK, TELEPHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}


def opened(chromium, path: Path, size: dict):
    """Open a file in a window of this size; return the page and every address it asked for outside."""
    page = chromium.new_page(viewport=size)
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(path.as_uri())
    return page, [url for url in asked if not url.startswith(("file:", "data:"))]


# A long table or a cloud of marks repeats itself: the first of each kind are looked at.
_FIRST_OF_A_KIND = """
for (const [many, inside, n] of [['tbody', 'tr', 6], ['svg', '*', 40]])
    document.querySelectorAll(many).forEach(
        whole => [...whole.querySelectorAll(inside)].slice(n).reverse().forEach(one => one.remove()))"""


def serious(page) -> list[str]:
    """Return the serious and critical faults of accessibility."""
    axe_core = pytest.importorskip("axe_core_python.sync_playwright")
    page.evaluate(_FIRST_OF_A_KIND)
    # Asked for faults alone, it does not describe every element that keeps every rule: a third of the time.
    found = axe_core.Axe().run(page, options={"resultTypes": ["violations"]})["violations"]
    return [f"{v['id']}: {v['nodes'][0]['html'][:120]}" for v in found if v["impact"] in SERIOUS]


def run(chromium, address: str, notebook: str, *, timeout: int = 90_000):
    """Run a notebook in JupyterLab, in a workspace of its own; return the page and every address asked for.

    A shared workspace brings back the notebook of the test before, and its button is the first one found.
    """
    page = chromium.new_page(viewport={"width": 1280, "height": 1100})
    page.set_default_timeout(timeout)
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"{address}/lab/workspaces/{notebook}/tree/notebooks/{notebook}.ipynb?token=for-this-test")
    page.get_by_text("Python 3 (ipykernel) | Idle").wait_for()
    page.locator('[data-command="notebook:restart-run-all"]').first.click()
    page.locator(".jp-Dialog .jp-mod-accept").first.click()
    return page, asked
