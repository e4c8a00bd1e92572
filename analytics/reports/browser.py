"""A system browser of the Chromium family: found, and used to print a page to a tagged PDF."""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from analytics.errors import AnalyticsError

NAMES = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "microsoft-edge",
    "msedge",
)
PLACES = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
    r"C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe",
    r"C:\Program Files\Microsoft\Edge\Application\msedge.exe",
)
PRINT_SECONDS = 120
HEIGHT_MM = {"A4": 297, "letter": 279}  # a picture as high as a sheet needs to know it
NO_BROWSER = (
    "The PDF was not made: no Chromium, Chrome or Edge was found on this computer. Install one of them, or "
    "open the HTML file and print it to PDF."
)
QUIET_FLAGS = (
    "--headless",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-extensions",
    "--disable-sync",
    "--no-default-browser-check",
    "--no-first-run",
)


def find() -> Path | None:
    """Return a browser of the Chromium family, or None.

    Returns
    -------
    Path or None
        The first one found.
    """
    for name in NAMES:
        found = shutil.which(name)
        if found:
            return Path(found)
    return next((Path(p) for p in PLACES if Path(p).exists()), None)


def flags() -> list[str]:
    """Return the flags for a quiet browser without a window; as root it cannot use its own sandbox."""
    is_root = sys.platform != "win32" and os.geteuid() == 0
    return [*QUIET_FLAGS, *(["--no-sandbox"] if is_root else [])]


def _sized(paper: str) -> str:
    return f"@page {{ size: {paper}; }} :root {{ --paper: {HEIGHT_MM[paper]}mm; }}"


def pdf(page: Path, target: Path, *, paper: str = "A4") -> Path:
    """Print an HTML file to a tagged PDF.

    Parameters
    ----------
    page, target
        The HTML file, and the PDF to be written.
    paper
        A4 or letter.

    Returns
    -------
    Path
        Of the PDF.

    Raises
    ------
    AnalyticsError
        When no browser is found, or it does not print.
    """
    program = find()
    if program is None:
        raise AnalyticsError(NO_BROWSER)
    with tempfile.TemporaryDirectory(prefix="rw-print-", ignore_cleanup_errors=True) as profile:
        sized = Path(profile) / "page.html"
        text = page.read_text(encoding="utf-8")
        sized.write_text(text.replace("</head>", f"<style>{_sized(paper)}</style></head>", 1), "utf-8")
        command = [
            str(program),
            *flags(),
            f"--user-data-dir={profile}",
            "--no-pdf-header-footer",
            "--export-tagged-pdf",
            "--generate-pdf-document-outline",
            f"--print-to-pdf={target}",
            sized.as_uri(),
        ]
        try:
            subprocess.run(command, capture_output=True, timeout=PRINT_SECONDS, check=True)
        except (OSError, subprocess.SubprocessError):
            raise AnalyticsError(
                "The PDF was not made: the browser did not print the page. Open the HTML file and print it "
                "to PDF."
            ) from None
    if not target.exists():
        raise AnalyticsError(NO_BROWSER)
    target.chmod(0o600)
    return target
