"""Emissivity maps of boards: two pages of 32-bit floats with their place on the board in the description."""

from __future__ import annotations

import json

import numpy as np
import tifffile

from thermscan.model.board import SIDES
from thermscan.model.errors import InputError, check_choice, check_number
from thermscan.model.film import BoardGrid
from thermscan.model.surface import SurfaceMap

AGAIN = "make it with: thermscan calibrate map COLD WARM --board board.json --out FILE.tiff"


def _pages(path: str) -> tuple[list[np.ndarray], str]:
    """Return the pages of a TIFF and what its first one says of itself."""
    try:
        with tifffile.TiffFile(path) as file:
            pages = [np.asarray(page.asarray(), float) for page in file.pages]
            return pages, str(file.pages[0].description)
    except OSError as error:
        raise InputError(path, "", f"cannot be read: {error.strerror or error}", "check the path") from None
    except (ValueError, tifffile.TiffFileError) as error:
        raise InputError(path, "", f"is no emissivity map: {error}", AGAIN) from None


def open_surface_map(path: str) -> SurfaceMap:
    """Open the emissivity map of a board.

    Raises
    ------
    InputError
        For a file that is none, a map in pixels without a board, or values that no emissivity has.
    """
    pages, text = _pages(path)
    try:
        about = json.loads(text)
    except ValueError:
        about = None
    if not isinstance(about, dict) or "x0_mm" not in about:
        raise InputError(path, "", "does not say where on a board it lies", AGAIN)
    if len(pages) != 2 or pages[0].ndim != 2 or pages[0].shape != pages[1].shape:
        raise InputError(path, "", "does not hold two pages, emissivity and uncertainty", AGAIN)
    side = check_choice(about.get("side"), SIDES, path=path, place="side")
    x0, y0, step, pixel = (
        check_number(about.get(key), limits, path=path, place=key, unit="mm")
        for key, limits in (
            ("x0_mm", (-1e4, 1e4)), ("y0_mm", (-1e4, 1e4)), ("step_mm", (1e-3, 100.0)), ("pixel_mm", (1e-3, 100.0)),
        )
    )  # fmt: skip
    emissivity, error = (page[::-1] for page in pages)
    known = emissivity[np.isfinite(emissivity)]
    if known.size == 0 or known.min() < 0 or known.max() > 1:
        raise InputError(path, "", "holds no emissivities between 0 and 1", AGAIN)
    rows, columns = emissivity.shape
    grid = BoardGrid(x0, y0 - step * (rows - 1), step, columns, rows)
    return SurfaceMap(grid, emissivity, error, side, pixel, str(about.get("source", "")))
