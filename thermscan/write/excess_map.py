"""The maps of a result as 32-bit float TIFFs in board coordinates."""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from thermscan.model.film import BoardGrid
from thermscan.model.result import Result
from thermscan.model.result_maps import ResultMaps
from thermscan.write.folder import write_whole

_BOARD = "x to the right and y up as seen from the top side; the first row has the largest y"
_OWN_PICTURE = "as the faulty board's own picture; y counts upwards from its lower edge"


def map_description(result: Result, maps: ResultMaps) -> dict[str, object]:
    """Return what the TIFF's description says about its own scale and content.

    ``x_mm = x0_mm + step_mm * column`` and ``y_mm = y0_mm - step_mm * row`` give the centre of a pixel of the file,
    (0, 0) being its top left one; where no millimetres are known the same keys end in ``_px``.
    """
    return {
        "content": "excess over the baseline, as the camera shows it",
        "unit": "count" if result.units == "count" else "K",
        "seconds": round(maps.shown_s, 6),
        "clock": maps.clock,
        **_place_of(result, maps.grid),
    }


def _place_of(result: Result, grid: BoardGrid) -> dict[str, object]:
    """Return what a description says of scale, orientation and sources."""
    unit = "px" if result.picture_px is not None else "mm"
    sources = {item.role: item.sha256 for item in result.inputs}
    return {
        "side": result.side,
        f"x0_{unit}": grid.x0_mm,
        f"y0_{unit}": grid.y0_mm + grid.step_mm * (grid.rows - 1),
        f"step_{unit}": grid.step_mm,
        "orientation": _OWN_PICTURE if unit == "px" else _BOARD,
        "no_data": "NaN",
        "board": result.board_name,
        "sha256": sources,
        "version": result.version,
    }


def write_excess_map(path: str | Path, result: Result, maps: ResultMaps) -> Path:
    """Write the excess of the shown bin as one page of 32-bit floats.

    Parameters
    ----------
    path : str or Path
    result : Result
    maps : ResultMaps

    Returns
    -------
    Path

    Notes
    -----
    The first row of the file is the row with the largest y (the top of the board as drawn in fabrication data).
    Kelvin (counts where no scale is known). A cell without data, outside the board or on an unreadable surface is
    NaN. The resolution tags hold pixels per centimetre, the description the scale and origin as JSON.
    """
    excess = np.where(maps.inside & maps.readable, maps.excess[maps.shown], np.nan)
    return write_whole(path, _tiff(result, maps.grid, [excess], map_description(result, maps)))


def write_heat_maps(folder: str | Path, result: Result, maps: ResultMaps) -> tuple[Path, ...]:
    """Write the maps in watts as 32-bit float TIFFs like that of the excess, those there are.

    ``heat_made.tiff`` has a page for each stage, mW/mm2; ``detection_limit.tiff`` holds mW. The description of the
    first page names the stages and how the maps were worked out.
    """
    out = []
    for kind, name in (("made", "heat_made.tiff"), ("limit", "detection_limit.tiff")):
        pages = [heat for heat in maps.heat if heat.kind == kind]
        if not pages:
            continue
        about = {
            "content": f"heat made, {result.basis}" if kind == "made" else pages[0].title,
            "unit": pages[0].unit,
            "pages": [page.title for page in pages],
            "about": pages[0].about,
        }
        grid = pages[0].grid
        text = {**about, **_place_of(result, grid)}
        out.append(write_whole(Path(folder) / name, _tiff(result, grid, [page.values for page in pages], text)))
    return tuple(out)


def _tiff(result: Result, grid: BoardGrid, pages: Sequence[np.ndarray], description: dict[str, object]) -> bytes:
    """Return pages of 32-bit floats, the first row with the largest y, as one TIFF."""
    import tifffile

    per_cm = 10.0 / grid.step_mm
    has_scale = result.picture_px is None
    buffer = io.BytesIO()
    with tifffile.TiffWriter(buffer) as file:
        for number, page in enumerate(pages):
            file.write(
                np.ascontiguousarray(page[::-1]).astype(np.float32),
                photometric="minisblack",
                resolution=(per_cm, per_cm) if has_scale else (1, 1),
                resolutionunit="CENTIMETER" if has_scale else "NONE",
                description=json.dumps(description, ensure_ascii=True) if number == 0 else None,
                software=f"thermscan {result.version}",
                metadata=None,
                compression="zlib",
            )
    return buffer.getvalue()
