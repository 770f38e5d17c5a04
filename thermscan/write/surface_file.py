"""Measured surfaces into a surface table, and emissivity maps as pictures."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import tifffile

from thermscan.model.errors import InputError
from thermscan.model.quantity import Measured
from thermscan.model.surface import READABLE_FROM, Surface, SurfaceMap
from thermscan.write.folder import write_whole

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


def map_description(found: SurfaceMap) -> dict[str, object]:
    """Return what the file of a board's map says of itself; places as in the file of the excess."""
    grid = found.grid
    return {
        "format_version": FORMAT_VERSION,
        "content": "emissivity, standard uncertainty",
        "side": found.side,
        "x0_mm": grid.x0_mm,
        "y0_mm": grid.y0_mm + grid.step_mm * (grid.rows - 1),
        "step_mm": grid.step_mm,
        "pixel_mm": found.pixel_mm,
        "orientation": "x to the right and y up as seen from the top side; the first row has the largest y",
        "no_data": "NaN",
        "source": found.source,
    }


def write_map(
    path: str | Path, emissivity: np.ndarray, error: np.ndarray, *, description: str = "", force: bool = False
) -> Path:
    """Write a map as two pages of 32-bit floats: emissivity and its standard uncertainty, ndarrays (rows, columns).

    Raises
    ------
    InputError
        Where the file exists and ``force`` is not set, or the name is none of a TIFF.
    """
    target = Path(path)
    if target.suffix not in (".tif", ".tiff"):
        raise InputError(str(target), "", "is not named .tiff", "give the map a name that ends in .tiff")
    if target.exists() and not force:
        raise InputError(str(target), "", "exists already", "give another name, or --force")
    buffer = io.BytesIO()
    with tifffile.TiffWriter(buffer) as file:
        for page, about in ((emissivity, description), (error, "standard uncertainty")):
            file.write(
                np.asarray(page, np.float32), photometric="minisblack", metadata=None, description=about or "emissivity"
            )
    return write_whole(target, buffer.getvalue())


def write_surface_map(path: str | Path, found: SurfaceMap, *, force: bool = False) -> Path:
    """Write the map of a board in its coordinates; raises InputError where the file exists."""
    about = json.dumps(map_description(found), ensure_ascii=True)
    return write_map(path, found.emissivity[::-1], found.error[::-1], description=about, force=force)
