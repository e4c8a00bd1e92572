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
from typing import Any, NoReturn

import nbformat
import papermill
from jupyter_client.manager import AsyncKernelManager
from nbclient.exceptions import CellTimeoutError, DeadKernelError
from papermill.exceptions import PapermillExecutionError

from analytics import errors, files
from analytics.reports.export import formats
from analytics.reports.record import END_TYPE, OUTCOME_FILE, RESULTS_FILE, STEP_FILE

START_SECONDS = 120
DIED = (
    "the calculation was ended by the system, often for too little memory; close other programs and try again"
)
IN, OUT = "page.ipynb", "executed.ipynb"


class _Fork:
    """A fork of this process that becomes a kernel when it is told how; for jupyter_client, a process."""

    stdin = stdout = stderr = None

    def __init__(self) -> None:
        told, self._tell = os.pipe()
        self.pid = os.fork()
        self._ended: int | None = None
        if not self.pid:
            os.close(self._tell)
            _become_a_kernel(told)
        os.close(told)

    def launch(self, command: list[str], environment: dict[str, str]) -> None:
        """Tell what a kernel is told on its command line, from the module on."""
        with os.fdopen(self._tell, "w", encoding="utf-8") as tell:
            json.dump({"arguments": command[command.index("-m") + 2 :], "env": environment}, tell)

    def poll(self) -> int | None:
        """Return the exit code of a kernel that has ended."""
        if self._ended is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            self._ended = os.waitstatus_to_exitcode(status) if pid else None
        return self._ended

    def wait(self) -> int | None:
        """Return the exit code of a kernel that has ended: jupyter_client waits by asking."""
        return self.poll()

    def send_signal(self, number: int) -> None:
        """Send a signal to the kernel alone."""
        os.kill(self.pid, number)


def _become_a_kernel(told: int) -> NoReturn:
    ended = 1
    try:
        os.setsid()  # ended with all that it starts, and nothing else
        with os.fdopen(told, encoding="utf-8") as command:
            given = command.read()
        if given:
            os.environ.update(json.loads(given)["env"])
            from ipykernel.kernelapp import IPKernelApp

            # It goes with its parent; what the variable says was read when the module was imported.
            parent = f"--IPKernelApp.parent_handle={os.getppid()}"
            IPKernelApp.launch_instance([*json.loads(given)["arguments"], parent])
            ended = 0
    finally:
        os._exit(ended)


class PrivateKernel(AsyncKernelManager):
    """A kernel of this very environment, spoken to over private sockets of this user.

    Local sockets cannot be read by another user and never collide on a port; where there are none
    (Windows) the traffic is encrypted instead. It is a fork of this process where there is one: it has
    imported then what this has.
    """

    forked: _Fork | None = None

    def __init__(self, **settings: Any):
        super().__init__(**settings)
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

    async def _async_launch_kernel(self, kernel_cmd: list[str], **settings: Any) -> None:
        """Launch the kernel: jupyter_client names this as the place to do it otherwise."""
        if self.forked is None:
            await super()._async_launch_kernel(kernel_cmd, **settings)
            return
        self.forked.launch(kernel_cmd, settings["env"])
        at: Any = self.provisioner
        at.process, at.pid, at.pgid = self.forked, self.forked.pid, self.forked.pid
        self._reconcile_connection_info(at.connection_info)


def main(run_path: str) -> int:
    """Run one page and write down how it went."""
    run = json.loads(Path(run_path).read_text(encoding="utf-8"))
    staging = Path(run["staging"])
    seconds = {"process": round(time.time() - run["clock"], 2)}
    os.environ["JUPYTER_RUNTIME_DIR"] = run["sockets"]
    PrivateKernel.forked = _Fork() if files.forks.IS_POSSIBLE else None  # before any thread begins
    outcome = {"seconds": seconds, **_executed(run, staging, seconds)}
    if outcome["state"] == "complete":
        if run["is_plain"] and run["data"]:  # it read the records at their place, which no report shows
            text = (staging / OUT).read_text(encoding="utf-8")
            (staging / OUT).write_text(text.replace(run["data"], Path(run["data"]).name), encoding="utf-8")
        begun = time.time()
        outcome.update(formats(run, staging))
        outcome["seconds"]["formats"] = round(time.time() - begun, 2)
    files.write_json(staging / OUTCOME_FILE, outcome)
    return 0 if outcome["state"] == "complete" else 1


def _executed(run: dict[str, Any], staging: Path, seconds: dict[str, float]) -> dict[str, Any]:
    """Execute the notebook and time its steps; return the state, and the cause in plain words."""
    notebook = _to_be_run(run)
    if run["is_plain"]:
        nbformat.write(notebook, staging / IN)
    else:  # as it is: written anew it would have other ids
        (staging / IN).write_bytes(Path(run["notebook"]).read_bytes())
    steps = len(notebook.cells)
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
            request_save_on_cell_execute=False,  # written at the end, not before and after every cell
            parameters=run["parameters"] | ({"data": run["data"]} if run["is_plain"] and run["data"] else {}),
            kernel_name="python3",
            language="python",  # a notebook made by a program need not say it
            kernel_manager_class=PrivateKernel,
            progress_bar=False,
            execution_timeout=run["timeout"],
            start_timeout=START_SECONDS,
            shutdown_kernel="immediate",  # one that has finished its page has nothing left to write
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


def _to_be_run(run: dict[str, Any]) -> nbformat.NotebookNode:
    """Return the notebook; one that writes no page of its own is framed as one."""
    notebook = nbformat.read(run["notebook"], as_version=4)
    if run["is_plain"]:
        given = "data" if "data" in run["parameters"] else "''"
        ends = f"from analytics import pages\n\npages.finish(pages.begin({run['page']!r}, {given}))"
        # The pages draw without a screen; a figure of one's own is shown as in JupyterLab.
        code = [
            c
            for c in notebook.cells
            if c.cell_type == "code" and "parameters" not in c.metadata.get("tags", [])
        ]
        if code and not code[0].source.startswith("%%"):
            code[0].source = f"%matplotlib inline\n{code[0].source}"
        notebook.cells.append(nbformat.v4.new_code_cell(ends))
    return notebook


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
