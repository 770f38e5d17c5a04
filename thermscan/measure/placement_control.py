"""Controls of a placement: the same layout turned or mirrored where it lies, which is wrong there for sure.

A layout with many bodies explains part of any picture: a cup on the bench, the shade of a table. What its own turned
and mirrored copies explain at the same place is chance; the right place explains more than they do.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from thermscan.measure.placement_fit import Fit, Measure, fit_view, layout_measure
from thermscan.measure.placement_pose import View, turned
from thermscan.measure.placement_scene import Scene
from thermscan.measure.placement_tiles import vuong_z
from thermscan.model.board import Board
from thermscan.model.settings import PlacementSettings


def mirrored(board: Board) -> Board:
    """Return the board with its bodies and holes mirrored in x within its box; its outline stays."""
    x0, _, x1, _ = board.box_mm
    parts = tuple(replace(p, x=x0 + x1 - p.x, rotation=-p.rotation) for p in board.parts)
    return replace(board, parts=parts, holes=tuple(replace(h, x=x0 + x1 - h.x) for h in board.holes))


class Controls:
    """The half turn, the mirror image and its half turn of a layout, to be held against placements.

    Parameters
    ----------
    scene : Scene
        At the resolution at which placements are compared.
    board : Board
    measure : callable
        Of the board itself on that scene.
    side : {'top', 'bottom'}
    blur_px : float
        Of the optics there, px.
    settings : PlacementSettings
    """

    def __init__(
        self, scene: Scene, board: Board, measure: Measure, *, side: str, blur_px: float, settings: PlacementSettings
    ) -> None:
        other = layout_measure(scene, mirrored(board), side=side, blur_px=blur_px, settings=settings)
        self.copies = ((measure, 2), (other, 0), (other, 2))
        self.width_px, self.settings = max(scene.shape), settings

    def lead(self, view: View, fit: Fit, rounds: int) -> float:
        """Return the least z value by which a fitted view (pixels of the scene) beats a control.

        Controls take ``rounds`` steps of their own.
        """
        found = (self._explained(measure, turned(view, turns), rounds) for measure, turns in self.copies)
        return min(vuong_z(fit.log_likelihood, one) for one in found)

    def _explained(self, measure: Measure, view: View, rounds: int) -> np.ndarray:
        if not rounds:
            return measure(view).log_likelihood
        how, width = self.settings, self.width_px
        return fit_view(
            measure, view, points=None, settings=how, width_px=width, rounds=rounds, close=0.3
        ).log_likelihood
