"""Surfaces: how much of its own heat a body shows, and whether a thermal camera can read it."""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True)
class Surface:
    """One entry of the surface table.

    ``emissivity`` with the range ``low`` to ``high`` to expect (taken as 95 %), ``readable`` False where the surface
    reflects its surroundings more than it tells, ``words`` by which other names for it are known.
    """

    name: str
    emissivity: float
    low: float
    high: float
    readable: bool
    words: tuple[str, ...] = ()
    source: str = ""


def find_surface(name: str | None, table: tuple[Surface, ...]) -> Surface | None:
    """Return the surface of a name: the entry itself, else the first entry one of whose words stands in it.

    Entries that say more about the outermost layer stand before plain materials in the table, so that
    ``'painted steel'`` is paint. None for no name and for one that is not known.
    """
    if not name:
        return None
    wanted = name.strip().lower()
    for entry in table:
        if entry.name == wanted:
            return entry
    pieces = set(re.split(r"[^a-z0-9-]+", wanted.replace("_", " ")))
    for entry in table:
        if pieces & set(entry.words):
            return entry
    return None
