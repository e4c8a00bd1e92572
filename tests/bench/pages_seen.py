"""How long, how wordy and how readable is a page? Prints a line a report, as a browser shows it.

    python tests/bench/pages_seen.py reports/*/*.html
    python tests/bench/pages_seen.py --pdf reports/*/*.pdf      # blank share of each page; needs pypdfium2

Height is of the page as it opens (folds closed), at 1280 x 1100 and 390 x 844, in screens. Words are
those visible before the folds; what holds no letter is a number and no word. Grade is Flesch and
Kincaid's (Kincaid et al. 1975, Navy research report 8-75, from memory: 0.39 words a sentence + 11.8
syllables a word - 15.59) of all sentences on the page, syllables counted as groups of vowels. Wide:
tables and pictures wider than the window, all folds open. Text: the smallest of the page, folds open,
pictures included, in pixels. axe: violations of axe-core (Deque) of any impact.
"""

import argparse
import re
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from analytics.reports import find

SIZES = {"1280": {"width": 1280, "height": 1100}, "390": {"width": 390, "height": 844}}
BLANK = 250  # a row of a printed page is blank where every pixel is at least so light, 0 to 255
OPEN = "document.querySelectorAll('details').forEach(d => d.open = true)"
FIRST = """() => { const parts = [...document.querySelectorAll(
  '.rw-strip, h1, .rw-answer, .rw-numbers, .rw-first, main > p, main > figure')];
  return parts.map(p => p.innerText).join(' ') }"""
WIDE = """() => [...document.querySelectorAll('main table, main figure, main pre')].filter(
  e => e.getBoundingClientRect().right > window.innerWidth + 1 || e.scrollWidth > e.clientWidth + 1).length"""
SMALLEST = """() => { let least = 99;
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) { const e = walk.currentNode.parentElement, text = walk.currentNode.textContent;
    if (!text.trim() || !e.getClientRects().length || e.closest('title, .rw-hidden')) continue;
    let size = parseFloat(getComputedStyle(e).fontSize); const svg = e.closest('svg');
    const box = svg ? svg.viewBox.baseVal.width : 0;
    if (box) size *= svg.getBoundingClientRect().width / box;
    least = Math.min(least, size) } return least }"""


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("files", nargs="+", type=Path)
    parser.add_argument("--pdf", action="store_true", help="the files are PDFs: print their blank shares")
    options = parser.parse_args()
    if options.pdf:
        for path in options.files:
            print(f"{path.stem}: blank {' '.join(f'{share:.0%}' for share in _blank_shares(path))}")
        return
    print(f"{'page':28} {'1280':>6} {'390':>6} {'words':>6} {'grade':>6} {'wide':>5} {'text':>5} {'axe':>4}")
    with sync_playwright() as tool:
        browser = tool.chromium.launch(executable_path=str(find()), args=["--no-sandbox"])
        for path in options.files:
            print(_line(browser, path))


def _line(browser, path: Path) -> str:
    seen = {}
    for name, size in SIZES.items():
        page = browser.new_page(viewport=size)
        page.goto(path.resolve().as_uri())
        screens = page.evaluate("document.documentElement.scrollHeight") / size["height"]
        words = sum(any(c.isalpha() for c in w) for w in str(page.evaluate(FIRST)).split())
        page.evaluate(OPEN)
        seen[name] = (
            screens,
            words,
            page.evaluate(WIDE),
            page.evaluate(SMALLEST),
            _faults(page),
            _text(page),
        )
        page.close()
    desk, phone = seen["1280"], seen["390"]
    return (
        f"{path.stem:28} {desk[0]:6.1f} {phone[0]:6.1f} {desk[1]:6d} {_grade(desk[5]):6.1f} "
        f"{max(desk[2], phone[2]):5d} {min(desk[3], phone[3]):5.1f} {max(desk[4], phone[4]):4d}"
    )


def _faults(page: Page) -> int:
    from axe_core_python.sync_playwright import Axe

    return len(Axe().run(page)["violations"])


def _text(page: Page) -> list[str]:
    """Return the sentences of paragraphs and list entries."""
    parts = page.evaluate(
        "() => [...document.querySelectorAll('main p, main li, main dd')].map(e => e.innerText)"
    )
    return [s for part in parts for s in re.split(r"(?<=[.?!:;])\s+", str(part)) if len(s.split()) > 3]


def _grade(sentences: list[str]) -> float:
    words = [w for s in sentences for w in re.findall(r"[A-Za-z]+", s)]
    if not words:
        return float("nan")
    syllables = sum(max(1, len(re.findall(r"[aeiouy]+", w.lower().removesuffix("e")))) for w in words)
    return 0.39 * len(words) / len(sentences) + 11.8 * syllables / len(words) - 15.59


def _blank_shares(path: Path) -> list[float]:
    """Return the share of each page's height under its last mark, the foot line left out."""
    import numpy as np
    import pypdfium2

    shares = []
    for page in pypdfium2.PdfDocument(path):
        pixels = np.asarray(page.render(scale=1, grayscale=True).to_pil())
        body = pixels[: int(0.945 * len(pixels))]
        marked = np.flatnonzero((body < BLANK).any(axis=1))
        shares.append(1 - (marked[-1] + 1) / len(body) if len(marked) else 1.0)
    return shares


if __name__ == "__main__":
    main()
