"""Bodies that tell nothing of the heat under them, and what the optics spread of them over their surroundings."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from scipy import ndimage

from thermscan.model.board import Board
from thermscan.model.film import Excess, Film
from thermscan.model.settings import SourceSettings
from thermscan.model.surface import Surface, find_surface

UNREADABLE_KINDS = ("shield", "heatsink")
CANS = ("crystal",)  # kinds in a bare can that make no heat: what they show may be what the others mirror
REACH = 3.0  # standard deviations of the optics' blur beyond which a body brings under a thousandth


def blind_bodies(
    film: Film, board: Board, *, side: str, surfaces: tuple[Surface, ...], margin_px: float = 0.0
) -> Iterator[np.ndarray]:
    """Yield the cells of each shield, heat sink and unreadable surface, ndarray of bool (rows, columns)."""
    points = film.grid.points_mm()
    for part in board.parts_on(side):
        surface = find_surface(part.seen_surface, surfaces)
        if part.kind in UNREADABLE_KINDS or (surface is not None and not surface.readable):
            yield part.contains(points[..., 0], points[..., 1], margin_mm=margin_px * film.pixel_mm)


def optics_mm(film: Film, settings: SourceSettings) -> float:
    """Return the standard deviation of what optics and pixel smear together, mm.

    Optics that are not known are taken as ``settings.optics_px`` pixels.
    """
    return float(np.hypot(film.blur_mm or settings.optics_px * film.pixel_mm, film.pixel_mm / np.sqrt(12)))


def _course(excess: Excess, cells: np.ndarray) -> np.ndarray:
    """Return the median change of these cells in each bin, ndarray (bins,), K; 0 where nothing is known."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # bins without data
        return np.nan_to_num(np.nanmedian(excess.excess[:, cells], axis=1))


def with_spilled(
    excess: Excess, board: Board, *, side: str, surfaces: tuple[Surface, ...], settings: SourceSettings
) -> Excess:
    """Doubt places beside bodies that mirror by as much of their change as the optics spread over them.

    Parameters
    ----------
    excess : Excess
    board : Board
    side : {'top', 'bottom'}
    surfaces : tuple of Surface
    settings : SourceSettings
        ``optics_px`` where the optics are not known.

    Returns
    -------
    Excess
        With ``noise``, ``position`` and ``spilled`` as large as what may have come from such bodies.

    Notes
    -----
    A shield that mirrors somebody who comes nearer looks some kelvin warmer within seconds, and what the optics make of
    its edge looks like heat beside it. Each body counts with the median of its cells in each bin, spread by a Gaussian
    of the blur, the pixel and the resampling. Heat that it really conducts reaches farther than that and stays. A can
    may mirror the same: it counts with as much of its own change as the bodies show, whose surface is not read.
    """
    film, shape = excess.film, excess.excess.shape
    painted = np.zeros(shape, np.float32)
    courses = []
    for cells in blind_bodies(film, board, side=side, surfaces=surfaces):
        if cells.any():
            courses.append(_course(excess, cells))
            painted[:, cells] = courses[-1][:, None]
    if not painted.any():
        return excess
    mirrored = np.median(np.abs(courses), axis=0)
    points = film.grid.points_mm()
    for part in board.parts_on(side):
        cells = part.contains(points[..., 0], points[..., 1])
        if part.kind in CANS and cells.any():
            painted[:, cells] = np.clip(_course(excess, cells), -mirrored, mirrored)[:, None]
    width = np.hypot(optics_mm(film, settings), film.correlation_mm) / film.grid.step_mm
    spilled = np.abs(ndimage.gaussian_filter(painted, (0.0, width, width), mode="constant", truncate=REACH))
    both = (np.hypot(np.broadcast_to(a, shape), spilled).astype(np.float32) for a in (excess.noise, excess.position))
    noise, position = both
    return replace(excess, noise=noise, position=position, spilled=spilled)
