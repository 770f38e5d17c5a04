"""What warms with the power lies on the board: places that a start must cover."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from scipy.ndimage import distance_transform_edt

from thermscan.measure.placement_pose import View
from thermscan.measure.placement_scene import Scene
from thermscan.model.board import Board
from thermscan.model.pose import map_points
from thermscan.model.settings import PlacementSettings

_STEPS = 160  # of the grid across the board on which distances to its outline are known
_MARGIN = 1.0  # board sizes around it that the grid covers; farther is off it anyway
START_SLACK = 2.0  # of the reach where views are starts, which are some pixels off themselves
_MOST_PLACES = 80  # looked at of many: neighbours say the same

T = TypeVar("T")


class WarmPlaces:
    """Places that warm with the power, to be compared with where views put a board.

    Parameters
    ----------
    board : Board
    scene : Scene
        Full size, with the places.
    settings : PlacementSettings
    """

    def __init__(self, board: Board, scene: Scene, settings: PlacementSettings) -> None:
        step = max(1, -(-len(scene.warm_px) // _MOST_PLACES))
        self.warm_px = scene.warm_px[::step]
        self.reach_px, self.kept = settings.warm_reach * max(scene.shape), settings.warm_kept
        x0, y0, x1, y1 = board.box_mm
        size = max(x1 - x0, y1 - y0)
        self.step = size / _STEPS
        self.origin = np.array([x0, y0]) - _MARGIN * size
        count = np.ceil((np.array([x1, y1]) + _MARGIN * size - self.origin) / self.step).astype(int) + 1
        x, y = (self.origin[k] + self.step * np.arange(count[k]) for k in (0, 1))
        inside = board.inside(*np.meshgrid(x, y))
        self.off_mm = distance_transform_edt(~inside) * self.step

    def share(self, view: View, *, slack: float = 1.0) -> float:
        """Return the share of the places that a view has on the board or near it; 1 without any.

        Near is within ``slack`` times the reach that the settings give.
        """
        if not len(self.warm_px):
            return 1.0
        at = map_points(np.linalg.inv(view.homography()), self.warm_px)
        cell = np.rint((at - self.origin) / self.step)
        last = np.array(self.off_mm.shape[::-1]) - 1
        near = ((cell >= 0) & (cell <= last)).all(axis=1)
        column, row = np.clip(np.nan_to_num(cell), 0, last).astype(int).T
        reach_mm = slack * self.reach_px * float(view.shift_mm[2]) / view.focal_px
        return float(np.mean(near & (self.off_mm[row, column] <= reach_mm)))

    def covering(self, found: Sequence[T], views: Sequence[View], *, slack: float = 1.0) -> list[T]:
        """Return those whose views cover the places nearly as well as the best of them does, in their order."""
        shares = [self.share(view, slack=slack) for view in views]
        least = self.kept * max(shares, default=0.0)
        return [one for one, share in zip(found, shares, strict=True) if share >= least]
