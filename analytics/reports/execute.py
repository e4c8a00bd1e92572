"""The child process of a run: execute the notebook, look for its end, make the formats, say how it went.

Started by `render` in the staging folder. It writes `outcome.json`: complete, failed (with kind and a plain
message) or not started (the kernel did not come up; `render` tries again).
"""

import json
import os
import re
import sys
import time
from pathlib import Path
from typing import Any

import nbformat
import papermill
from jupyter_client.manager import AsyncKernelManager
from nbclient.exceptions import CellTimeoutError, DeadKernelError
from papermill.exceptions import PapermillExecutionError

from analytics import errors, files
from analytics.reports.export import formats
from analytics.reports.record import END_TYPE, OUTCOME_FILE, RESULTS_FILE, STEP_FILE

START_SECONDS = 120
# A kernel that has finished its page has nothing left to write: half of this, and it is asked to end at once.
END_SECONDS = 1.0
DIED = (
    "the calculation was ended by the system, often for too little memory; close other programs and try again"
)
IN, OUT = "page.ipynb", "executed.ipynb"


class PrivateKernel(AsyncKernelManager):
    """A kernel of this very environment, spoken to over private sockets of this user.

    Local sockets cannot be read by another user and never collide on a port; where there are none
    (Windows) the traffic is encrypted instead.
    """

    def __init__(self, **settings: Any):
        super().__init__(**settings)
        self.shutdown_wait_time = END_SECONDS
        if sys.platform == "win32":
            self.transport_encryption = "auto"
            return
        self.transport = "ipc"
        self.ip = str(Path(os.environ["JUPYTER_RUNTIME_DIR"]) / "k")

    def format_kernel_cmd(self, extra_arguments: list[str] | None = None) -> list[str]:
        """Start the kernel by this interpreter, whatever kernels are registered on the machine."""
        return [
            sys.executable,
            "-m",
            "ipykernel_launcher",
            "-f",
            self.connection_file,
            *(extra_arguments or []),
        ]


def main(run_path: str) -> int:
    """Run one page and write down how it went."""
    run = json.loads(Path(run_path).read_text(encoding="utf-8"))
    staging = Path(run["staging"])
    seconds = {"process": round(time.time() - run["clock"], 2)}
    os.environ["JUPYTER_RUNTIME_DIR"] = run["sockets"]
    outcome = {"seconds": seconds, **_executed(run, staging, seconds)}
    if outcome["state"] == "complete":
        begun = time.time()
        outcome.update(formats(run, staging))
        outcome["seconds"]["formats"] = round(time.time() - begun, 2)
    files.write_json(staging / OUTCOME_FILE, outcome)
    return 0 if outcome["state"] == "complete" else 1


def _executed(run: dict[str, Any], staging: Path, seconds: dict[str, float]) -> dict[str, Any]:
    """Execute the notebook and time its steps; return the state, and the cause in plain words."""
    (staging / IN).write_bytes(Path(run["notebook"]).read_bytes())
    steps = len(nbformat.read(staging / IN, as_version=4).cells)
    started = time.time()
    doing = "kernel"

    def begun(cell: Any, cell_index: int) -> None:
        nonlocal started, doing
        seconds[doing] = round(seconds.get(doing, 0.0) + time.time() - started, 2)
        started, doing = time.time(), f"step {cell_index}"
        files.write(staging / STEP_FILE, f"{min(cell_index + 1, steps)} {steps}")

    try:
        papermill.execute_notebook(
            IN,
            OUT,
            parameters=run["parameters"],
            kernel_name="python3",
            kernel_manager_class=PrivateKernel,
            progress_bar=False,
            execution_timeout=run["timeout"],
            start_timeout=START_SECONDS,
            on_cell_start=begun,
        )
    except PapermillExecutionError as error:
        return _cause(error, run, staging)
    except CellTimeoutError:
        return _stopped(
            "timeout", f"one step took longer than {run['timeout']} seconds; raise the timeout or ask less"
        )
    except DeadKernelError:
        return _stopped("died", DIED)
    except RuntimeError:
        return {
            "state": "not started",
            "kind": "kernel",
            "message": "the kernel did not start; run: regrowth selfcheck",
        }
    seconds[doing] = round(time.time() - started, 2)
    return _end_found(staging)


def _cause(error: PapermillExecutionError, run: dict[str, Any], staging: Path) -> dict[str, Any]:
    """Say an error of ours as it is; any other by its kind and step alone: its text may hold values."""
    name = error.ename
    if isinstance(getattr(errors, name, None), type):
        return _stopped(name, str(error.evalue))
    if name == "DeadKernelError":
        return _stopped("died", DIED)
    # papermill's own cell of parameters stands before the one that failed.
    step = error.cell_index + 1 - bool(run["parameters"])
    files.write(staging / "details.txt", re.sub(r"\x1b\[[0-9;]*m", "", "\n".join(error.traceback)))
    return _stopped(
        "defect",
        f"step {step} of the page stopped with {name}: a defect of the page or the package, "
        "not of your records; details.txt beside this file helps to find it, and may hold values of records: "
        "do not send it on unread",
    )


def _stopped(kind: str, message: str) -> dict[str, Any]:
    return {"state": "failed", "kind": kind, "message": message}


def _end_found(staging: Path) -> dict[str, Any]:
    """Believe a run only by the mark of its last cell and the hash of its numbers."""
    notebook = nbformat.read(staging / OUT, as_version=4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    marks = [
        out["data"][END_TYPE] for out in (code[-1].outputs if code else []) if END_TYPE in out.get("data", {})
    ]
    numbers = staging / RESULTS_FILE
    if not marks or not numbers.exists() or files.sha256(numbers) != marks[-1]["results_sha256"]:
        return _stopped(
            "unfinished", "the page ended without its last step; its last cell must be pages.finish(page)"
        )
    content = json.loads(numbers.read_text(encoding="utf-8"))
    return {
        "state": "complete",
        "results_sha256": marks[-1]["results_sha256"],
        "answer": content["answer"],
        "attention": content["attention"],
        "failed_checks": content["failed_checks"],
    }
