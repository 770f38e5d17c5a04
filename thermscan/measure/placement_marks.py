"""Clicked marks: carried to the reference picture, the odd one left out, and the view they give."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from thermscan.measure.placement_fit import PointPrior
from thermscan.measure.placement_pose import View, fit_points, point_steps, prior_residual, prior_steps
from thermscan.model.board import Board
from thermscan.model.pose import Motion, map_points
from thermscan.model.recording import Mark
from thermscan.model.settings import PlacementSettings


@dataclass(frozen=True)
class MarkFit:
    """A view from marks: the prior it stands for, its covariance (8, 8), and a sentence for each mark left out."""

    view: View
    points: PointPrior
    covariance: np.ndarray
    warnings: tuple[str, ...] = ()


def marks_in_reference(marks: Sequence[Mark], motion: Motion) -> tuple[np.ndarray, np.ndarray]:
    """Return marks as ndarrays (marks, 2) of board mm and of reference-picture px.

    Marks are clicked in the first frame; the first frame with a known movement stands in where the first has none.
    """
    points_mm = np.array([[m.x_mm, m.y_mm] for m in marks], float)
    points_px = np.array([[m.x_px, m.y_px] for m in marks], float)
    known = np.flatnonzero(np.isfinite(motion.matrices).all(axis=(1, 2)))
    if len(known):
        points_px = map_points(np.linalg.inv(motion.matrices[known[0]]), points_px)
    return points_mm, points_px


def _fit(
    base: View, points: PointPrior, settings: PlacementSettings, width_px: float
) -> tuple[View, np.ndarray, float]:
    view = fit_points(
        base, points.points_mm, points.points_px, sigma_px=points.sigma_px, settings=settings, width_px=width_px
    )
    steps = np.vstack([points.steps(view), prior_steps(settings)])
    covariance = np.linalg.inv(steps.T @ steps + 1e-3 * np.eye(steps.shape[1]))
    misfit = float(np.sum(points.residual(view) ** 2) + np.sum(prior_residual(view, settings, width_px) ** 2))
    return view, covariance, misfit


def _oddness(
    base: View, points: PointPrior, left_out: int, settings: PlacementSettings, width_px: float
) -> tuple[float, float]:
    """Return how many sigmas a mark lies from where the others put it, and the misfit of the others."""
    keep = np.arange(len(points.points_mm)) != left_out
    others = PointPrior(points.points_mm[keep], points.points_px[keep], points.sigma_px)
    view, covariance, misfit = _fit(base, others, settings, width_px)
    place = points.points_mm[~keep]
    gap = (map_points(view.homography(), place) - points.points_px[~keep])[0]
    steps = point_steps(view, place)[0]
    spread = steps @ covariance @ steps.T + points.sigma_px**2 * np.eye(2)
    return float(np.sqrt(gap @ np.linalg.solve(spread, gap))), misfit


def fit_marks(
    base: View, points_mm: np.ndarray, points_px: np.ndarray, *, settings: PlacementSettings, width_px: float
) -> MarkFit:
    """Fit a view to clicked marks; with five or more, one wrong mark is found out and left out.

    Parameters
    ----------
    base : View
        Gives side, picture centre and board centre.
    points_mm, points_px : ndarray of shape (marks, 2), mm and px of the reference picture
    settings : PlacementSettings
    width_px : float
        Longer side of the picture, px.

    Returns
    -------
    MarkFit

    Notes
    -----
    A mark is odd when all marks together fit badly, the others without it fit well, and it lies more than
    ``odd_click_sigmas`` from where they put it. Not valid for two wrong marks that agree with each other.
    """
    points = PointPrior(points_mm, points_px, settings.click_sigma_px)
    warnings: tuple[str, ...] = ()
    if len(points_mm) >= 5:
        tests = [_oddness(base, points, i, settings, width_px) for i in range(len(points_mm))]
        worst = int(np.argmin([misfit for _, misfit in tests]))
        allowed = float(chi2.ppf(0.99, max(2 * (len(points_mm) - 1) - 6, 2)))
        if tests[worst][0] > settings.odd_click_sigmas and tests[worst][1] < allowed:
            keep = np.arange(len(points_mm)) != worst
            points = PointPrior(points_mm[keep], points_px[keep], settings.click_sigma_px)
            x, y = points_mm[worst]
            warnings = (f"the mark for ({x:g}, {y:g}) mm disagrees with the other marks and was left out",)
    view, covariance, _ = _fit(base, points, settings, width_px)
    return MarkFit(view, points, covariance, warnings)


def corner_names(board: Board) -> str:
    """Return the corners of the outline's bounding box as text, for asking for marks."""
    x0, y0, x1, y1 = board.box_mm
    corners = [(x0, y1), (x1, y1), (x1, y0), (x0, y0)]
    names = [f"({x:g}, {y:g})" for x, y in corners]
    return f"{', '.join(names[:-1])} and {names[-1]}"
