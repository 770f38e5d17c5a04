"""How long work tells that it is getting on."""

from __future__ import annotations

from typing import Protocol


class Tell(Protocol):
    """Called with what is done now, and the share of the whole that is finished, 0 to 1."""

    def __call__(self, doing: str, share: float) -> None:
        """Take note."""
        ...


def silent(doing: str, share: float) -> None:
    """Tell nobody."""
