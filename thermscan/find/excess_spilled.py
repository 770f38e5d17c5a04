"""What the optics spread of bodies that mirror over their surroundings, which is no heat there."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
from scipy import ndimage

from thermscan.model.board import Board
from thermscan.model.film import Excess
from thermscan.model.surface import Surface, is_blind

CANS = ("crystal",)  # kinds in a bare can that make no heat: what they show may be what the others mirror
REACH = 3.0  # standard deviations of the blur beyond which a body brings under a thousandth


def with_spilled(excess: Excess, board: Board, *, side: str, surfaces: tuple[Surface, ...], optics_px: float) -> Excess:
    """Doubt places beside bodies that mirror by as much of their change as the optics spread over them.

    Parameters
    ----------
    excess : Excess
    board : Board
    side : {'top', 'bottom'}
    surfaces : tuple of Surface
    optics_px : float
        Standard deviation of the optics' blur where it is not known.

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
    points = film.grid.points_mm()
    painted = np.zeros(shape, np.float32)
    courses, cans = [], []
    for part in board.parts_on(side):
        cells = part.contains(points[..., 0], points[..., 1])
        if not cells.any():
            continue
        if is_blind(part, surfaces):
            courses.append(_course(excess, cells))
            painted[:, cells] = courses[-1][:, None]
        elif part.kind in CANS:
            cans.append(cells)
    if not painted.any():
        return excess
    mirrored = np.median(np.abs(courses), axis=0)
    for cells in cans:
        painted[:, cells] = np.clip(_course(excess, cells), -mirrored, mirrored)[:, None]
    width = np.hypot(film.smear_mm(optics_px), film.correlation_mm) / film.grid.step_mm
    spilled = np.abs(ndimage.gaussian_filter(painted, (0.0, width, width), mode="constant", truncate=REACH))
    both = (np.hypot(np.broadcast_to(a, shape), spilled).astype(np.float32) for a in (excess.noise, excess.position))
    noise, position = both
    return replace(excess, noise=noise, position=position, spilled=spilled)


def _course(excess: Excess, cells: np.ndarray) -> np.ndarray:
    """Return the median change of these cells in each bin, ndarray (bins,), K; 0 where nothing is known."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # bins without data
        return np.nan_to_num(np.nanmedian(excess.excess[:, cells], axis=1))
