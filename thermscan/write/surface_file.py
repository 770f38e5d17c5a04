"""Measured surfaces into a surface table, and emissivity maps as pictures."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import tifffile

from thermscan.model.errors import InputError
from thermscan.model.quantity import Measured
from thermscan.model.surface import Surface
from thermscan.write.folder import write_whole

READABLE_FROM = 0.6  # below it a surface shows more of its surroundings than of itself, errors of 2 C and all
FORMAT_VERSION = 1


def surface_document(table: tuple[Surface, ...]) -> dict[str, object]:
    """Return the values of a surface table's JSON file."""
    return {
        "format_version": FORMAT_VERSION,
        "about": "Surfaces, measured ones first; see calibration/README.md",
        "surfaces": {
            s.name: {
                "emissivity": s.emissivity,
                "range": [s.low, s.high],
                "readable": s.readable,
                "words": list(s.words),
                "source": s.source,
            }
            for s in table
        },
    }


def measured_surface(name: str, emissivity: Measured, *, source: str) -> Surface:
    """Return the table's entry of a measured surface, its interval kept between 0.01 and 1."""
    value, low, high = (round(min(max(v, 0.01), 1.0), 3) for v in (emissivity.value, emissivity.low, emissivity.high))
    return Surface(name, value, low, high, value >= READABLE_FROM, (name.lower(),), source)


def write_surfaces(path: str | Path, table: tuple[Surface, ...], *, force: bool = False) -> Path:
    """Write a surface table; raises InputError where the file exists and ``force`` is not set."""
    target = Path(path)
    if target.suffix != ".json":
        raise InputError(str(target), "", "is not named .json", "give the table a name that ends in .json")
    if target.exists() and not force:
        raise InputError(str(target), "", "exists already", "give another name, or --force to add to it")
    text = json.dumps(surface_document(table), indent=1, ensure_ascii=False) + "\n"
    return write_whole(target, text.encode("utf-8"))


def write_map(path: str | Path, picture: np.ndarray, *, force: bool = False) -> Path:
    """Write a map, ndarray (rows, columns), as 32-bit float TIFF; raises InputError where the file exists."""
    target = Path(path)
    if target.suffix not in (".tif", ".tiff"):
        raise InputError(str(target), "", "is not named .tiff", "give the map a name that ends in .tiff")
    if target.exists() and not force:
        raise InputError(str(target), "", "exists already", "give another name, or --force")
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, np.asarray(picture, np.float32))
    return write_whole(target, buffer.getvalue())
