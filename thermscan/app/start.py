"""Entry point: turns a failed import of OpenCV's system libraries into one line, then runs the command line."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the ``thermscan`` command."""
    from thermscan.app.cli import command

    sys.exit(command())
