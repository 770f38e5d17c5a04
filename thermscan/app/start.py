"""Entry point: turns a failed import of OpenCV's system libraries into one line, then runs the command line."""

from __future__ import annotations

import sys

MISSING_LIBRARIES = (
    "thermscan: OpenCV needs two system libraries that are missing here ({reason}); "
    "on Debian and Ubuntu: apt-get install libgl1 libglib2.0-0"
)


def main() -> None:
    """Run the ``thermscan`` command."""
    from thermscan.app.cli import command

    try:
        command()
    except ImportError as error:
        if "lib" in str(error) and ".so" in str(error):
            print(MISSING_LIBRARIES.format(reason=error), file=sys.stderr)  # noqa: T201 - click may not be loaded yet
            sys.exit(2)
        raise
