"""How long work tells that it is getting on."""

from __future__ import annotations

import threading
from typing import Protocol


class Tell(Protocol):
    """Called with what is done now, and the share of the whole that is finished, 0 to 1."""

    def __call__(self, doing: str, share: float) -> None:
        """Take note."""
        ...


def silent(doing: str, share: float) -> None:
    """Tell nobody."""


class Together:
    """Joins the progress of works that run at once into one: the mean share, told from whichever thread moves."""

    def __init__(self, tell: Tell, works: int, *, upto: float = 1.0) -> None:
        self._tell = tell
        self._shares = [0.0] * works
        self._upto = upto
        self._lock = threading.Lock()

    def work(self, number: int, name: str) -> Tell:
        """Return what the work of this number calls; ``name`` stands before what it does."""

        def tell(doing: str, share: float) -> None:
            with self._lock:  # the bar behind it is not made for two threads
                self._shares[number] = share
                self._tell(f"{name}: {doing}", self._upto * sum(self._shares) / len(self._shares))

        return tell
