"""Entry point: turns a failed import of OpenCV's system libraries into one line, then runs the command line."""

from __future__ import annotations

import os
import sys

MISSING_LIBRARIES = (
    "thermscan: OpenCV needs two system libraries that are missing here ({reason}); "
    "on Debian and Ubuntu: apt-get install libgl1 libglib2.0-0"
)


def keep_to_one_thread() -> None:
    """Let linear algebra use one thread, unless the user says otherwise.

    The matrices here are small: threads that wait for each other made them ten times slower. Must run before numpy.
    """
    for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(variable, "1")


def main() -> None:
    """Run the ``thermscan`` command."""
    keep_to_one_thread()
    from thermscan.app.cli import command

    try:
        command()
    except ImportError as error:
        if "lib" in str(error) and ".so" in str(error):
            print(MISSING_LIBRARIES.format(reason=error), file=sys.stderr)  # noqa: T201 - click may not be loaded yet
            sys.exit(2)
        raise
