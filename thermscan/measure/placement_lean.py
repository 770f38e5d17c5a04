"""How far and which way a raised surface appears beside its own place: the tilt of a placed view."""

from __future__ import annotations

import numpy as np

from thermscan.measure.placement_pose import View, nominal_view, view_from_homography
from thermscan.model.board import Board
from thermscan.model.pose import Placement
from thermscan.model.settings import PlacementSettings


def lean_of_view(view: View) -> np.ndarray:
    """Return by how much a millimetre of height moves a place over the board's plane, ndarray (3,).

    A point (x, y) at height h appears where the plane's point ``(x, y, 1) + h lean`` does (homogeneous, mm).
    """
    ground, above = view.projection()
    return np.linalg.solve(ground, above)


def lean_of_placement(
    placement: Placement, board: Board, shape: tuple[int, int], *, side: str, settings: PlacementSettings
) -> np.ndarray | None:
    """Return the lean of a placed picture of ``shape`` (rows, columns), None where its millimetres are not known.

    The tilt is that of the camera with nearly square pixels and a usual focal length that gives the same homography:
    it is shown by the foreshortening and by the perspective, and by neither where the board is only pixels wide.
    """
    if placement.method == "frame":
        return None
    x0, y0, x1, y1 = board.box_mm
    base = nominal_view(shape, ((x0 + x1) / 2, (y0 + y1) / 2), side, settings)
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    return lean_of_view(
        view_from_homography(base, placement.matrix, corners, settings=settings, width_px=float(max(shape)))
    )
