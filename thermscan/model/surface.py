"""Surfaces: how much of its own heat a body shows, and whether a thermal camera can read it."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from thermscan.model.board import Part
from thermscan.model.film import BoardGrid

BLIND_KINDS = ("shield", "heatsink")  # what they show says nothing of the heat under them
READABLE_FROM = 0.6  # below it a surface shows more of its surroundings than of itself, errors of 2 C and all


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


@dataclass(frozen=True)
class SurfaceMap:
    """Emissivity over one side of a board, as learned from it.

    ``emissivity`` and ``error`` (standard uncertainty) are ndarrays of the grid's shape, NaN where not known;
    ``pixel_mm`` is the size of the camera's pixel on the board.
    """

    grid: BoardGrid
    emissivity: np.ndarray
    error: np.ndarray
    side: str
    pixel_mm: float
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


def is_blind(part: Part, table: tuple[Surface, ...]) -> bool:
    """Tell whether a body tells nothing of the heat under it: a shield, a heat sink, a surface that mirrors."""
    surface = find_surface(part.seen_surface, table)
    return part.kind in BLIND_KINDS or (surface is not None and not surface.readable)
