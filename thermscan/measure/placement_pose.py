"""Pose of a flat board before a camera with square pixels: parameters, projection and the fit to marks.

A homography has eight degrees of freedom, a board before a camera seven (six of position, one focal length). The
eighth, the aspect ratio of a pixel, stays free within a narrow prior, so that any homography near a physical one
can be reached and none far from it. The same parameters say where the top face of a tall part appears.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from thermscan.model.pose import map_points
from thermscan.model.settings import PlacementSettings

PARAMETERS = 8
_TOP = np.diag([1.0, -1.0, -1.0])  # board y up and z to the camera become camera y down and z forward
_BOTTOM = np.diag([-1.0, -1.0, 1.0])  # seen from below x runs to the left and z away from the camera


_CROSS = np.array(
    [[[0, 0, 0], [0, 0, -1], [0, 1, 0]], [[0, 0, 1], [0, 0, 0], [-1, 0, 0]], [[0, -1, 0], [1, 0, 0], [0, 0, 0]]], float
)  # cross product with the three axes, as matrices


@dataclass(frozen=True)
class View:
    """A board before a camera.

    Attributes
    ----------
    rotation : ndarray of shape (3, 3)
        Board axes to camera axes (x right, y down, z forward).
    shift_mm : ndarray of shape (3,), mm
        Board centre in camera axes.
    focal_px : float
        Focal length, px.
    aspect : float
        Square root of the ratio of horizontal to vertical focal length.
    centre_px : tuple of float
        Principal point, px: the middle of the picture.
    centre_mm : tuple of float
        Board point that ``shift_mm`` belongs to, mm.
    toward : float
        +1 where heights run along board z (top side), -1 for the underside.
    """

    rotation: np.ndarray
    shift_mm: np.ndarray
    focal_px: float
    aspect: float
    centre_px: tuple[float, float]
    centre_mm: tuple[float, float]
    toward: float = 1.0

    def camera_matrix(self) -> np.ndarray:
        """Return the matrix of inner parameters, ndarray (3, 3), px."""
        f, a = self.focal_px, self.aspect
        return np.array([[f * a, 0, self.centre_px[0]], [0, f / a, self.centre_px[1]], [0, 0, 1.0]])

    def projection(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the map of the surface to homogeneous pixels, ndarray (3, 3), and what 1 mm of height adds, (3,)."""
        r = self.rotation
        axes = r.copy()
        axes[:, 2] = self.shift_mm - r[:, 0] * self.centre_mm[0] - r[:, 1] * self.centre_mm[1]
        camera = self.camera_matrix()
        return camera @ axes, camera @ r[:, 2] * self.toward

    def homography(self, height_mm: float = 0.0) -> np.ndarray:
        """Return the map of board mm to pixels, ndarray (3, 3), for the plane ``height_mm`` above the surface."""
        ground, above = self.projection()
        matrix = ground + np.outer(above * height_mm, [0, 0, 1.0])
        return matrix / matrix[2, 2]

    def moved(self, step: np.ndarray) -> View:
        """Return the view after a step, ndarray (8,): turn (rad), shift as a share of distance, log focal, log aspect.

        A change of focal length keeps the scale of the board in the picture (distance follows), which keeps the
        parameters nearly independent.
        """
        step = np.asarray(step, float)
        turn = cv2.Rodrigues(step[:3].reshape(3, 1))[0]
        zoom = float(np.exp(np.clip(step[6], -2, 2)))
        distance = self.shift_mm[2]
        shift = self.shift_mm + step[3:6] * distance
        shift = np.array([shift[0], shift[1], max(shift[2], 0.05 * distance) * zoom])
        return replace(
            self,
            rotation=turn @ self.rotation,
            shift_mm=shift,
            focal_px=self.focal_px * zoom,
            aspect=self.aspect * float(np.exp(np.clip(step[7], -0.5, 0.5))),
        )

    def straightened(self) -> View:
        """Return the view of the board from straight above: no tilt, all else the same."""
        normal, sight = self.rotation[:, 2], np.array([0.0, 0.0, np.sign(self.rotation[2, 2])])
        axis = np.cross(normal, sight)
        size = float(np.linalg.norm(axis))
        if size < 1e-12:
            return self
        turn = cv2.Rodrigues((axis / size * np.arctan2(size, normal @ sight)).reshape(3, 1))[0]
        return replace(self, rotation=turn @ self.rotation)

    def tilt_deg(self) -> float:
        """Return the angle between the board normal and the line of sight, degrees."""
        return float(np.degrees(np.arccos(np.clip(abs(self.rotation[2, 2]), 0, 1))))


def turned(view: View, quarter_turns: int) -> View:
    """Return the view of the same board turned about its centre by quarter turns in its own plane."""
    c, s = [(1, 0), (0, 1), (-1, 0), (0, -1)][quarter_turns % 4]
    return replace(view, rotation=view.rotation @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]))


def homography_steps(view: View) -> np.ndarray:
    """Return the derivative of the homography by the eight parameters, ndarray (8, 3, 3).

    Differentiates the steps of ``View.moved``: a small turn w adds the cross product of w with each board axis.
    """
    r, camera = view.rotation, view.camera_matrix()
    middle = r[:, 0] * view.centre_mm[0] + r[:, 1] * view.centre_mm[1]
    columns = np.column_stack([r[:, 0], r[:, 1], view.shift_mm - middle])
    steps = np.empty((PARAMETERS, 3, 3))
    for i, cross in enumerate(_CROSS):
        turned = cross @ r
        steps[i] = camera @ np.column_stack([turned[:, 0], turned[:, 1], -cross @ middle])
    steps[3:6] = 0.0
    steps[3:6, :, 2] = camera.T * view.shift_mm[2]
    inner = np.diag([camera[0, 0], camera[1, 1], 0.0])
    steps[6] = inner @ columns
    steps[6, :, 2] += camera[:, 2] * view.shift_mm[2]
    steps[7] = inner @ np.diag([1.0, -1.0, 0.0]) @ columns
    plain = camera @ columns
    last = plain[2, 2]
    return (steps - plain * (steps[:, 2, 2] / last)[:, None, None]) / last


def point_steps(view: View, points_mm: np.ndarray) -> np.ndarray:
    """Return the derivative of pixel positions by the parameters, ndarray (points, 2, 8), px per unit step."""
    matrix, steps = view.homography(), homography_steps(view)
    full = np.column_stack([np.asarray(points_mm, float).reshape(-1, 2), np.ones(np.size(points_mm) // 2)])
    place = full @ matrix.T
    moved = np.einsum("kij,nj->nki", steps, full)
    xy = place[:, :2] / place[:, 2:]
    return ((moved[:, :, :2] - moved[:, :, 2:] * xy[:, None, :]) / place[:, None, 2:]).transpose(0, 2, 1)


def prior_residual(view: View, settings: PlacementSettings, picture_width_px: float) -> np.ndarray:
    """Return how far the focal length and aspect are from what cameras have, ndarray (2,), in prior sigmas."""
    usual = settings.focal_widths * picture_width_px
    return np.array(
        [
            np.log(view.focal_px / usual) / settings.focal_sigma,
            np.log(view.aspect) / settings.aspect_sigma,
        ]
    )


def prior_steps(settings: PlacementSettings) -> np.ndarray:
    """Return the derivative of ``prior_residual`` by the parameters, ndarray (2, 8)."""
    out = np.zeros((2, PARAMETERS))
    out[0, 6] = 1 / settings.focal_sigma
    out[1, 7] = 1 / settings.aspect_sigma
    return out


def nominal_view(
    shape: tuple[int, int], centre_mm: tuple[float, float], side: str, settings: PlacementSettings
) -> View:
    """Return a view straight from above at one pixel per millimetre, picture centre on ``centre_mm``.

    ``side`` is top, bottom, or picture for a 'board' that is itself a picture (y down, no heights).
    """
    rows, columns = shape
    focal = settings.focal_widths * max(rows, columns)
    return View(
        {"top": _TOP, "bottom": _BOTTOM, "picture": np.eye(3)}[side],
        np.array([0.0, 0.0, focal]),
        focal,
        1.0,
        ((columns - 1) / 2, (rows - 1) / 2),
        centre_mm,
        1.0 if side == "top" else -1.0,
    )


def view_from_similarity(base: View, *, scale: float, angle_rad: float, centre_px: np.ndarray) -> View:
    """Return ``base`` turned clockwise in the picture, at ``scale`` px/mm, board centre at ``centre_px``."""
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    distance = base.focal_px / scale
    offset = (np.asarray(centre_px, float) - base.centre_px) / scale
    return replace(base, rotation=turn @ base.rotation, shift_mm=np.array([offset[0], offset[1], distance]))


def _similarity_start(base: View, points_mm: np.ndarray, points_px: np.ndarray) -> View:
    """Fit scale, turn and shift to point pairs by least squares (Umeyama 1991), as a start."""
    nominal = map_points(base.homography(), points_mm)
    a, b = nominal - nominal.mean(0), points_px - points_px.mean(0)
    z = np.sum((b[:, 0] + 1j * b[:, 1]) * (a[:, 0] - 1j * a[:, 1])) / max(float(np.sum(a**2)), 1e-12)
    scale = max(abs(z), 1e-6)
    turn = float(np.angle(z))
    centre = map_points(base.homography(), np.array(base.centre_mm)) - nominal.mean(0)
    spin = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return view_from_similarity(base, scale=scale, angle_rad=turn, centre_px=spin @ centre + points_px.mean(0))


def fit_points(
    base: View,
    points_mm: np.ndarray,
    points_px: np.ndarray,
    *,
    sigma_px: float,
    settings: PlacementSettings,
    width_px: float,
) -> View:
    """Fit a view to point pairs: least squares with the camera prior.

    Parameters
    ----------
    base : View
        Gives side, picture centre and board centre; its own position does not matter.
    points_mm, points_px : ndarray of shape (points, 2), mm and px
        Pairs, at least two.
    sigma_px : float
        Standard error of a coordinate of a point, px; sets the weight against the prior.
    settings : PlacementSettings
    width_px : float
        Longer side of the picture, px.

    Returns
    -------
    View

    Notes
    -----
    Minimises the distance in the picture (the 'gold standard' of Hartley & Zisserman, Multiple View Geometry, for
    points known exactly on one side) from a similarity start. Not valid for mirrored pairs: the side says
    whether the picture is mirrored.
    """
    points_mm, points_px = np.asarray(points_mm, float), np.asarray(points_px, float)
    view = _similarity_start(base, points_mm, points_px)
    stages = np.geomspace(max(1.0, sigma_px), sigma_px, 1 + int(np.ceil(np.log10(max(1.0, sigma_px) / sigma_px))))
    for sigma in stages:
        view = _descend(view, (points_mm, points_px, float(sigma)), settings, width_px)
    return view


def _descend(
    view: View, pairs: tuple[np.ndarray, np.ndarray, float], settings: PlacementSettings, width_px: float
) -> View:
    """Return the view of least squared residuals near a view (Levenberg-Marquardt)."""
    points_mm, points_px, sigma = pairs

    def residual(some: View) -> np.ndarray:
        miss = (map_points(some.homography(), points_mm) - points_px) / sigma
        return np.concatenate([miss.ravel(), prior_residual(some, settings, width_px)])

    now, damping = residual(view), 1e-3
    for _ in range(60):
        steps = np.vstack([point_steps(view, points_mm).reshape(-1, PARAMETERS) / sigma, prior_steps(settings)])
        curvature = steps.T @ steps
        damped = curvature + np.diag(damping * np.diag(curvature) + 1e-6)
        step = -np.linalg.solve(damped, steps.T @ now)
        tried = view.moved(step)
        then = residual(tried)
        if not then @ then < now @ now:
            damping *= 10
            if damping > 1e8:
                break
            continue
        gain = now @ now - then @ then
        view, now, damping = tried, then, max(damping / 10, 1e-12)
        if gain < 1e-9 * (1 + then @ then):
            break
    return view


def view_from_homography(
    base: View, matrix: np.ndarray, corners_mm: np.ndarray, *, settings: PlacementSettings, width_px: float
) -> View:
    """Return the view nearest to a homography over the board.

    Parameters
    ----------
    base : View
        Gives side, picture centre and board centre.
    matrix : ndarray of shape (3, 3)
        Board mm to px.
    corners_mm : ndarray of shape (points, 2), mm
        Points that must agree.

    Returns
    -------
    View
        Agrees to far under 0.1 px where the homography is one of a camera with nearly square pixels.
    """
    return fit_points(
        base, corners_mm, map_points(matrix, corners_mm), sigma_px=0.003, settings=settings, width_px=width_px
    )
