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


def serious(page) -> list[str]:
    """Return the serious and critical faults of accessibility."""
    axe_core = pytest.importorskip("axe_core_python.sync_playwright")
    found = axe_core.Axe().run(page)["violations"]
    return [f"{v['id']}: {v['nodes'][0]['html'][:120]}" for v in found if v["impact"] in SERIOUS]
