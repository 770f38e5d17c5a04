"""The progress bar of long work: on the error stream, and only where somebody looks."""

from __future__ import annotations

import sys
from collections.abc import Callable

import click

STEPS = 1000


def progress_bar(*, quiet: bool) -> tuple[Callable[[str, float], None], Callable[[], None]]:
    """Return what to call with progress, and what to call at the end; silent where nobody looks.

    The first is called with what is done now and the share of the whole that is finished, 0 to 1.
    """
    if quiet or not sys.stderr.isatty():
        return (lambda doing, share: None), (lambda: None)  # noqa: ARG005 - the call's shape is given
    bar = click.progressbar(length=STEPS, file=sys.stderr, item_show_func=lambda text: text or "")
    done = 0

    def tell(doing: str, share: float) -> None:
        nonlocal done
        step = max(int(STEPS * share) - done, 0)
        done += step
        bar.update(step, doing)

    return tell, bar.render_finish
