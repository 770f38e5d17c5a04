"""What blur takes from small parts: the share that is lost, and how far each part stands out from what is around it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from thermscan.measure.radiometry_budget import Resolution
from thermscan.model.board import Board, Part
from thermscan.model.film import BoardGrid, Excess, Film
from thermscan.model.settings import RadiometrySettings

RING_PX = (1.5, 3.5)  # from where to where around a body its surroundings are read, camera pixels
FEWEST_CELLS = 6


def lost_share(part: Part, film: Film, *, settings: RadiometrySettings) -> float:
    """Return the share of its contrast that a body's mean loses to the blur of optics and pixels, 0 to 1.

    The mean over a box of width w blurred by a Gaussian of deviation s falls short by s sqrt(2 / pi) / w for each of
    its two edges' halves, both ways: 1 - (1 - s k / w)(1 - s k / h), k = sqrt(2 / pi). Pixels count as 1/12 px2.
    """
    deviation = film.smear_mm(settings.optics_px) * math.sqrt(2 / math.pi)
    kept = max(1 - deviation / max(part.w, 1e-6), 0.0) * max(1 - deviation / max(part.h, 1e-6), 0.0)
    return 1.0 - kept


def bodies(board: Board, grid: BoardGrid, *, side: str) -> np.ndarray:
    """Return where bodies of parts stand on one side, ndarray of bool of the grid's shape."""
    out = np.zeros(grid.shape, bool)
    for part in board.parts:
        if part.side == side and part.fitted:
            window = _window(part, grid, 0.0)
            out[window] |= _inside(part, grid, window, 0.0)
    return out


def _window(part: Part, grid: BoardGrid, margin_mm: float) -> tuple[slice, slice]:
    """Return the rows and columns of the grid that a part and its margin may touch."""
    corners = part.corners_mm()
    low, high = corners.min(axis=0) - margin_mm, corners.max(axis=0) + margin_mm
    row_0, column_0 = (int(v) for v in grid.to_cell(low[0], low[1]))
    row_1, column_1 = (int(v) for v in grid.to_cell(high[0], high[1]))
    rows = slice(max(row_0, 0), max(min(row_1 + 2, grid.rows), 0))
    return rows, slice(max(column_0, 0), max(min(column_1 + 2, grid.columns), 0))


def _inside(part: Part, grid: BoardGrid, window: tuple[slice, slice], margin_mm: float) -> np.ndarray:
    x = grid.x0_mm + grid.step_mm * np.arange(grid.columns)[window[1]]
    y = grid.y0_mm + grid.step_mm * np.arange(grid.rows)[window[0]]
    return part.contains(x[None, :], y[:, None], margin_mm=margin_mm)


def _ring_level(fields: Sequence[np.ndarray], ring: np.ndarray) -> list[tuple[float, float]]:
    """Return level and scatter of each field, ndarray (bins, rows, columns), over a ring; NaN where not seen."""
    out = []
    for field in fields:
        values = field[:, ring]  # a second without frames is blank
        known = values[np.isfinite(values)]
        if known.size == 0:
            out.append((math.nan, math.nan))
            continue
        level = float(np.median(known))  # not moved by a hot neighbour, nor by a rest of the part's own blur
        out.append((level, 1.4826 * float(np.median(np.abs(known - level)))))
    return out


def resolution_of(
    part: Part,
    excess: Excess,
    occupied: np.ndarray,
    readings: tuple[float, float | None, float | None],
    *,
    settings: RadiometrySettings,
) -> tuple[Resolution, Resolution]:
    """Return what blur took from a part's reading with its excess, and with its rise.

    Parameters
    ----------
    part : Part
    excess : Excess
    occupied : ndarray of bool, the grid's shape
        Bodies of all parts: what is around a part is read where none stands, if there is such a place.
    readings : (float, float or None, float or None)
        The part's reading (C), excess and rise (K) as shown.
    settings : RadiometrySettings
    """
    film, window_s = excess.film, excess.last_second()
    share = lost_share(part, film, settings=settings)
    inner, outer = (n * film.pixel_mm for n in RING_PX)
    window = _window(part, film.grid, outer)
    ring = _inside(part, film.grid, window, outer) & ~_inside(part, film.grid, window, inner)
    ring &= film.inside[window]
    bare = ring & ~occupied[window]
    ring = bare if bare.sum() >= FEWEST_CELLS else ring
    bins = slice(window_s.start, window_s.stop)
    here = (bins, *window)
    shown, excess_k = film.mean[here], excess.excess[here]
    around = _ring_level((shown, excess_k, excess_k + excess.own_heat[here]), ring)
    apart = [
        (0.0, 0.0) if value is None or not math.isfinite(mean) else (value - mean, scatter)
        for value, (mean, scatter) in zip(readings, around, strict=True)
    ]
    reading, of_excess, of_rise = apart
    return tuple(  # type: ignore[return-value]
        Resolution(share, reading[0], other[0], reading[1], other[1]) for other in (of_excess, of_rise)
    )
