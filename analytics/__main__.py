"""The command line: `regrowth COMMAND ...`.

Each command is a module with `arguments(parser)` and `run(options, say)`, and MORE where its help has more
to say; only the one that is asked for is imported. Errors of this package are printed as the sentence they
are, without a traceback, and end with code 2.
"""

import argparse
import gc
import importlib
import os
import signal
import sys
import threading
from collections.abc import Sequence

from analytics.errors import AnalyticsError, meant, of_system, without_address

# Command: module, and what it does. A room that adds a command adds its line.
COMMANDS = {
    "demo": ("analytics.app.commands.demo", "make every page on the invented clinic"),
    "map": ("analytics.app.commands.map", "make the tables of your own spreadsheet"),
    "deidentify": ("analytics.app.commands.deidentify", "write the tables with codes for persons"),
    "code": ("analytics.app.commands.code", "turn a chart number into its code"),
    "check": ("analytics.app.commands.check", "read your records and name every problem"),
    "add": ("analytics.app.chair.add", "enter a follow-up or a session, or take an entry back"),
    "import": ("analytics.app.chair.counts", "add counts from a table of any counting tool"),
    "criteria": (
        "analytics.app.criteria",
        "say what criteria can hold, and what is wrong with yours",
    ),
    "report": ("analytics.app.commands.report", "make one report"),
    "due": ("analytics.app.commands.due", "say whose follow-up is due, from today"),
    "keep": ("analytics.app.commands.keep", "keep a chosen draft with its case"),
    "batch": ("analytics.app.commands.batch", "make many reports by a plan"),
    "study": ("analytics.app.commands.study", "freeze a study plan, or try it on invented outcomes"),
    "pool": ("analytics.app.commands.pool", "pool answers over clinics; no row leaves any"),
    "template": ("analytics.app.commands.template", "write an empty workbook to fill in"),
    "lab": ("analytics.app.commands.lab", "open the workbook in JupyterLab"),
    "selfcheck": ("analytics.app.commands.selfcheck", "check this installation, and its methods"),
}

REPORTING = ("demo", "report", "batch")
NO_REPORT = {"-h", "--help", "--settings", "audience=patient"}


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    0 when done, 1 when a part failed, 2 when it could not be done as asked, 3 when a report was made with
    sections that these records do not answer.
    """
    given = list(sys.argv[1:] if argv is None else argv)
    if given[:1] in (["--version"], ["version"], ["-V"]):
        from importlib.metadata import version

        print(f"regrowth {version('regrowth-workbook')}")
        return 0
    if not given or given[0] in ("-h", "--help", "help"):
        print(_help())
        return 0 if given else 2
    name, *rest = given
    if name not in COMMANDS:
        hint = meant(name, COMMANDS)
        print(f"regrowth: no such command; use one of {', '.join(COMMANDS)}{hint}", file=sys.stderr)
        return 2
    from analytics.files import forks

    gc.set_threshold(forks.GARBAGE_FROM)
    module, does = COMMANDS[name]
    _stop_children_when_stopped()
    if name in REPORTING and NO_REPORT.isdisjoint(rest):
        from analytics.files import warm

        warm.begin()
    try:
        command = importlib.import_module(module)
        parser = argparse.ArgumentParser(
            prog=f"regrowth {name}",
            description=f"{does[:1].upper()}{does[1:]}.",
            epilog=getattr(command, "MORE", None),
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        command.arguments(parser)
        return int(command.run(parser.parse_args(rest), _say))
    except AnalyticsError as error:
        print(without_address(str(error)), file=sys.stderr)
        return 2
    except BrokenPipeError:
        # The reader of our output (`head`) has closed it; nothing is left to say.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as fault:
        print(of_system(fault), file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return 130


def _stop_children_when_stopped() -> None:
    """Let Ctrl-C and a polite end (SIGTERM) end the processes that make reports, then stop this one."""
    if threading.current_thread() is not threading.main_thread():
        return

    def stopped(*_: object) -> None:
        for each in ("SIGINT", "SIGTERM"):
            signal.signal(getattr(signal, each), signal.SIG_IGN)  # once is enough
        reports = sys.modules.get("analytics.files.children")
        if reports is not None:
            reports.stop()
        # A destructor that is interrupted would print a traceback, and has nothing to say.
        sys.unraisablehook = lambda _: None
        raise KeyboardInterrupt

    for name in ("SIGINT", "SIGTERM"):
        signal.signal(getattr(signal, name), stopped)
    reports = sys.modules.get("analytics.files.children")
    if reports is not None:
        reports.begin()


def _say(line: str) -> None:
    print(line, flush=True)


def _help() -> str:
    lines = [
        "usage: regrowth COMMAND ...",
        "",
        *(f"  {name:<12}{does}" for name, (_, does) in COMMANDS.items()),
    ]
    return "\n".join([*lines, "", "regrowth COMMAND --help says more."])


if __name__ == "__main__":
    raise SystemExit(main())
