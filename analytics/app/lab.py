"""JupyterLab, opened on the start page: this environment's kernel, private sockets, nothing fetched."""

import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from analytics.reports import ROOT, TEMPLATES

CONFIG = TEMPLATES / "lab"
START = "notebooks/00_start_here.ipynb"


def open_lab(*, port: int = 8888, browser: bool = True, more: Sequence[str] = ()) -> int:
    """Start JupyterLab and wait until it ends; return its exit code.

    Parameters
    ----------
    port
        First port to try, 1024 to 65535.
    browser
        Whether a browser window is opened.
    more
        Further arguments for JupyterLab.
    """
    with tempfile.TemporaryDirectory(prefix="rw-lab-", ignore_cleanup_errors=True) as runtime:
        return subprocess.run(
            command(port=port, browser=browser, more=more), env=environment(Path(runtime)), check=False
        ).returncode


def command(*, port: int, browser: bool, more: Sequence[str] = (), root: Path = ROOT) -> list[str]:
    """Return the command that starts JupyterLab on a folder that holds `notebooks`."""
    out = [sys.executable, "-m", "jupyterlab", f"--ServerApp.root_dir={root}", f"--port={port}"]
    out += ["--ServerApp.ip=127.0.0.1"]
    out += [] if browser else ["--no-browser"]
    if sys.platform == "win32":
        out += ["--KernelManager.transport_encryption=auto"]
    else:
        out += ["--KernelManager.transport=ipc"]
        out += ["--allow-root"] if os.geteuid() == 0 else []
    return [*out, *more]


def environment(runtime: Path) -> dict[str, str]:
    """Return the environment: our settings, this environment's kernel, sockets in a private folder."""
    known = os.environ.get("JUPYTER_CONFIG_PATH", "")
    return {
        **os.environ,
        "JUPYTER_CONFIG_PATH": os.pathsep.join(part for part in (str(CONFIG), known) if part),
        "JUPYTER_PREFER_ENV_PATH": "1",
        "JUPYTER_RUNTIME_DIR": str(runtime),
    }
