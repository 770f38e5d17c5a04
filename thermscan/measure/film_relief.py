"""Where raised surfaces appear: a tilted view shows a top face beside its footprint, and hides what is behind it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from thermscan.model.board import Board, Part
from thermscan.model.film import BoardGrid


@dataclass(frozen=True)
class Relief:
    """The cells of a grid as a view shows them.

    Attributes
    ----------
    points_mm : ndarray of shape (rows, columns, 2), mm
        The point of the board's own plane at which the surface over each cell appears: the cell itself where nothing
        stands on it.
    hidden : ndarray of bool, shape (rows, columns)
        A taller part stands in the line of sight.
    """

    points_mm: np.ndarray
    hidden: np.ndarray


def at_height(points_mm: np.ndarray, height_mm: np.ndarray | float, lean: np.ndarray) -> np.ndarray:
    """Return the points of the board's plane at which points above it appear, ndarray (..., 2), mm."""
    raised = np.asarray(height_mm, float)[..., None] * lean
    return (np.asarray(points_mm, float) + raised[..., :2]) / (1.0 + raised[..., 2:])


def see_relief(grid: BoardGrid, board: Board, *, side: str, lean: np.ndarray | None) -> Relief:
    """Return where each cell's surface appears, and which cells are hidden behind taller parts.

    Parameters
    ----------
    grid : BoardGrid
    board : Board
        Parts without a stated height count as flat.
    side : {'top', 'bottom'}
    lean : ndarray of shape (3,), or None
        From ``placement_lean``. None: seen as if everything were flat.

    Notes
    -----
    A part is taken as a box on its footprint. It hides what appears within the convex hull of its outline at the
    height of the hidden surface and at its own top. A part whose top appears less than half a cell beside its foot
    hides nothing, nor does one that is smaller than a cell: its own spot would be hidden by itself.
    """
    points = grid.points_mm()
    hidden = np.zeros(grid.shape, bool)
    tall = sorted((p for p in board.parts_on(side) if p.height_mm), key=lambda p: p.height_mm or 0.0)
    if lean is None or not tall:
        return Relief(points, hidden)
    height, hiding = np.zeros(grid.shape), []
    for part in tall:
        body = part.contains(points[..., 0], points[..., 1])
        height[body] = part.height_mm
        if body.any() and _beside_mm(part, lean) > 0.5 * grid.step_mm:
            hiding.append(part)
    seen = at_height(points, height, lean)
    for level in np.unique(height):
        cells = np.argwhere(height == level)
        places = seen[cells[:, 0], cells[:, 1]]
        for part in hiding:
            if (part.height_mm or 0.0) > level:
                behind = _within(_shadow(part.corners_mm(), level, part.height_mm or 0.0, lean), places)
                hidden[cells[behind, 0], cells[behind, 1]] = True
    return Relief(seen, hidden)


def _beside_mm(part: Part, lean: np.ndarray) -> float:
    """Return how far beside its foot the top of a part appears, mm."""
    foot = np.array([part.x, part.y])
    return float(np.hypot(*(at_height(foot, part.height_mm or 0.0, lean) - foot)))


def _shadow(corners_mm: np.ndarray, low_mm: float, high_mm: float, lean: np.ndarray) -> np.ndarray:
    """Return the convex outline of a box between two heights as it appears on the plane, ndarray (corners, 2), mm."""
    both = np.concatenate([at_height(corners_mm, low_mm, lean), at_height(corners_mm, high_mm, lean)])
    return cv2.convexHull(both.astype(np.float32))[:, 0].astype(float)


def _within(hull: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Tell which places, ndarray (n, 2), lie inside a convex polygon, ndarray (corners, 2)."""
    near = np.flatnonzero(((places > hull.min(axis=0)) & (places < hull.max(axis=0))).all(axis=1))
    out = np.zeros(len(places), bool)
    if len(near):
        edge = np.roll(hull, -1, axis=0) - hull
        gap = places[near, None, :] - hull[None]
        side = edge[:, 0] * gap[..., 1] - edge[:, 1] * gap[..., 0]
        out[near] = (side > 0).all(axis=1) | (side < 0).all(axis=1)
    return out
