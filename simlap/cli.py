"""The way into the command line: it ends quietly on Ctrl-C even while the commands are still being loaded."""

import sys
from typing import Any

INTERRUPTED = 130  # what shells report of a program that Ctrl-C ended


def __getattr__(name: str) -> Any:
    if name != "app":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from simlap.cli_app import app

    return app


def main() -> None:
    """Load and run the commands; exit with their code."""
    try:
        from simlap.cli_run import run

        code = run()
    except KeyboardInterrupt:
        code = INTERRUPTED
    sys.exit(code)


if __name__ == "__main__":
    main()
