"""A person's photographs in order of their months, in JupyterLab, read from the disk when looked at.

No picture, file name or path goes into the notebook: the cell shows a window onto a server of this computer
that answers on 127.0.0.1 alone, under an address that cannot be guessed, while the notebook runs. A saved
notebook holds that dead address and nothing else. Pictures without recorded consent are not shown.
"""

import html
import http.server
import os
import secrets
import threading
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from IPython import get_ipython
from IPython.display import IFrame, display

from analytics import entry
from analytics.entry import ENDINGS
from analytics.errors import ParameterError
from analytics.reports import RUN_VARIABLE

HIGH = 420
KINDS = {".jpg": "jpeg", ".jpeg": "jpeg", ".png": "png", ".tif": "tiff", ".tiff": "tiff", ".webp": "webp"}


@dataclass(frozen=True, slots=True)
class Shelf:
    """What may be shown: the page, and the pictures by the token in their address."""

    page: bytes
    pictures: dict[str, Path]


def beside(data: str | Path, folder: str | Path, patient: str) -> None:
    """Display the photographs of a person beside an open page: nothing in a report, or without a folder.

    Parameters
    ----------
    data, folder, patient
        As in `show`.
    """
    if folder and get_ipython() is not None and not os.environ.get(RUN_VARIABLE):
        show(data, folder, patient)


def show(data: str | Path, folder: str | Path, patient: str) -> None:
    """Display the photographs of one person in the order of their months.

    Parameters
    ----------
    data
        The register, with a table `photographs`.
    folder
        Where the pictures lie.
    patient
        Code of the person.

    Raises
    ------
    ParameterError
        When the folder is none, or no picture with consent is noted for this person.
    """
    display(IFrame(serve(shelf(data, folder, patient)), width="100%", height=HIGH))


def shelf(data: str | Path, folder: str | Path, patient: str) -> Shelf:
    """Return the page and the pictures of one person that may be shown."""
    place = Path(folder)
    if not place.is_dir():
        raise ParameterError(f"{place.name}: this is no folder; name the folder of the pictures")
    rows = entry.case_of(data, patient).tables["photographs"]
    agreed = rows[rows["consent"].str.casefold().isin(("true", "yes", "1"))]
    if agreed.empty:
        raise ParameterError("photographs: none with consent is noted for this person")
    ordered = agreed.assign(at=pd.to_numeric(agreed["month"])).sort_values(
        ["session_id", "at"], kind="stable"
    )
    pictures, parts = {}, []
    for row in ordered.to_dict("records"):
        found = next((p for e in ENDINGS if (p := place / f"{row['file']}{e}").is_file()), None)
        said = html.escape(
            f"session {row['session_id']}, month {row['month']} {row['zone']} {row['view']}".strip()
        )
        if found is None:
            parts.append(f"<figure><p>not in the folder</p><figcaption>{said}</figcaption></figure>")
            continue
        token = secrets.token_urlsafe(12)
        pictures[token] = found
        parts.append(
            f'<figure><img src="{token}" alt="{said}" height="320"><figcaption>{said}</figcaption></figure>'
        )
    style = "<style>body{display:flex;gap:12px;font:14px sans-serif;margin:0}figure{margin:0}</style>"
    page = f'<!doctype html><html lang="en"><title>Photographs</title>{style}{"".join(parts)}</html>'
    return Shelf(page.encode(), pictures)


def serve(shown: Shelf) -> str:
    """Serve a page and its pictures to this computer alone, while the process runs; return the address."""
    secret = secrets.token_urlsafe(24)

    class Answer(http.server.BaseHTTPRequestHandler):
        """Give the page and its pictures to whoever has the address, and nothing else."""

        def do_GET(self) -> None:
            """Answer one request."""
            _, _, rest = self.path.partition(f"/{secret}/")
            if not self.path.startswith(f"/{secret}/") or (rest and rest not in shown.pictures):
                self.send_error(404)
                return
            kind = (
                f"image/{KINDS[shown.pictures[rest].suffix.lower()]}" if rest else "text/html; charset=utf-8"
            )
            content = shown.pictures[rest].read_bytes() if rest else shown.page
            self.send_response(200)
            self.send_header("Content-Type", kind)
            self.send_header("Cache-Control", "no-store")
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, *_: object) -> None:
            """Note nothing: an address is a secret."""

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Answer)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return f"http://127.0.0.1:{server.server_address[1]}/{secret}/"
