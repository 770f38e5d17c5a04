"""Heat that the bodies of listed parts hold: volume times rise, wide where the surface cannot be read."""

from __future__ import annotations

import numpy as np

from thermscan.model.board import Board, Part
from thermscan.model.film import BoardGrid
from thermscan.model.settings import EnergySettings
from thermscan.model.surface import Surface, find_surface
from thermscan.physics.material import body_j_per_cm3_k


def body_heat_j(
    rise_k: np.ndarray,
    board: Board,
    grid: BoardGrid,
    *,
    side: str,
    surfaces: tuple[Surface, ...] = (),
    settings: EnergySettings,
) -> tuple[float, float] | None:
    """Return what the bodies of the fitted parts hold and its standard error, J; None where no part is listed.

    Parameters
    ----------
    rise_k : ndarray of shape (rows, columns)
        Rise of what is seen, K; NaN where not seen.
    board : Board
    grid : BoardGrid
    side : {'top', 'bottom'}
        Side that is seen.
    surfaces : tuple of Surface
        Says which surfaces a thermal camera cannot read.
    settings : EnergySettings

    Notes
    -----
    A body as warm as its own surface holds width x depth x height x heat capacity per volume times its rise. What
    cannot be read (bare metal, parts beneath, the other side) is as warm as the board seen there, or as the warmest
    part: its error covers both.
    """
    parts = [p for p in board.parts if p.fitted]
    known = np.isfinite(rise_k)
    if not parts or not known.any():
        return None
    rises = [_rise(part, rise_k, grid) for part in parts]
    seen = [_is_read(part, side, surfaces) for part in parts]
    warmest = max((r for r, ok in zip(rises, seen, strict=True) if ok and r is not None), default=0.0)
    mean = float(rise_k[known].mean())
    held, error2, common = 0.0, 0.0, 0.0
    for part, rise, is_read in zip(parts, rises, seen, strict=True):
        heat = body_j_per_k(part, settings=settings)
        level = mean if rise is None else rise
        held += heat * level
        common += settings.body_error * heat * abs(level)
        if not is_read or rise is None:
            error2 += (heat * max(warmest - level, abs(level)) / 2) ** 2
    return held, float(np.hypot(common, np.sqrt(error2)))


def body_j_per_k(part: Part, *, settings: EnergySettings) -> float:
    """Return the heat capacity of a part's body, J/K."""
    volume = part.w * part.h * part.body_height_mm(settings.body_height_share)
    share = settings.heat_sink_fill if part.kind == "heatsink" else 1.0
    return volume * share * body_j_per_cm3_k(part.kind, settings.body_j_per_cm3_k) * 1e-3


def _rise(part: Part, rise_k: np.ndarray, grid: BoardGrid) -> float | None:
    """Return the mean rise over a body, K, that of its cell where it is smaller, None where it is not seen."""
    points = grid.points_mm()
    body = part.contains(points[..., 0], points[..., 1])
    if not body.any():
        row, column = (int(np.rint(float(v))) for v in grid.to_cell(part.x, part.y))
        if not (0 <= row < rise_k.shape[0] and 0 <= column < rise_k.shape[1]):
            return None
        body[row, column] = True
    known = body & np.isfinite(rise_k)
    return float(rise_k[known].mean()) if known.any() else None


def _is_read(part: Part, side: str, surfaces: tuple[Surface, ...]) -> bool:
    surface = find_surface(part.seen_surface, surfaces)
    return part.side == side and not part.covered_by and (surface is None or surface.readable)
