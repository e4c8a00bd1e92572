"""`regrowth selfcheck`: look at this installation, and rerun the published examples."""

import argparse
from collections.abc import Callable

from analytics.app import selfcheck


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command: none."""


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Print each finding as it comes; return 1 when something must be mended."""
    states = []
    for finding in selfcheck.run():
        say(finding.line())
        states.append(finding.state)
    say("Fit for use." if "mend" not in states else "Not fit for use until the lines that say mend are.")
    return 1 if "mend" in states else 0
