"""Start of a run's own process: `python -m analytics.reports.runner RUN.json`."""

import sys


def main(run_path: str) -> int:
    """Run one page; return the exit code."""
    # jsonschema builds a whole grammar of web addresses when this library is there: a second of every report,
    # for addresses that no notebook holds. It does without where the import fails.
    sys.modules["rfc3987_syntax"] = None  # type: ignore[assignment]
    from analytics.reports import execute

    return execute.main(run_path)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1]))
