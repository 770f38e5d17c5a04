"""Where the camera is in each frame: pinhole projections of the board, tripod or hand-held."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.model.board import Board
from thermscan.model.pose import Lens, map_points


@dataclass(frozen=True)
class Viewpoint:
    """Camera against board.

    Attributes
    ----------
    columns, rows : int
    focal_px : float
    projections : ndarray of shape (frames, 3, 4)
        Board (x, y, height towards the camera, 1) in mm to homogeneous pixels, for the filmed side.
    """

    columns: int
    rows: int
    focal_px: float
    projections: np.ndarray

    @property
    def matrices(self) -> np.ndarray:
        """Homographies of the filmed surface, ndarray (frames, 3, 3), ``[2, 2] == 1``."""
        return plane_matrix(self.projections, 0.0)


def plane_matrix(projection: np.ndarray, height_mm: float) -> np.ndarray:
    """Return the homography of the plane at a height above the filmed surface, ndarray (..., 3, 3)."""
    last = projection[..., 3] + height_mm * projection[..., 2]
    matrix = np.stack([projection[..., 0], projection[..., 1], last], axis=-1)
    return matrix / matrix[..., 2:, 2:]


def picture_points(matrix: np.ndarray, lens: Lens | None, points_mm: np.ndarray) -> np.ndarray:
    """Map board points, ndarray (..., 2) in mm, to pixels as recorded, lens distortion included."""
    points = map_points(matrix, points_mm)
    if lens is None:
        return points
    centre = np.array(lens.centre_px)
    off = (points - centre) / lens.focal_px
    square = np.sum(off**2, axis=-1, keepdims=True)
    return centre + lens.focal_px * off * (1 + lens.k1 * square + lens.k2 * square**2)


def pixel_mm(matrix: np.ndarray, board: Board) -> float:
    """Return the width of a pixel on the board at its centre, mm."""
    x0, y0, x1, y1 = board.box_mm
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    points = map_points(matrix, middle + np.array([[0, 0], [0.5, 0], [0, 0.5]]))
    return float(np.sqrt(0.25 / abs(np.linalg.det(points[1:] - points[0]))))


def _turn(axis: int, angle: np.ndarray) -> np.ndarray:
    """Rotation about x (0), y (1) or z (2), radians, ndarray (..., 3, 3)."""
    angle = np.asarray(angle, float)
    c, s = np.cos(angle), np.sin(angle)
    out = np.zeros((*angle.shape, 3, 3))
    i, j = [(1, 2), (2, 0), (0, 1)][axis]
    out[..., axis, axis] = 1.0
    out[..., i, i] = out[..., j, j] = c
    out[..., i, j], out[..., j, i] = -s, s
    return out


def smooth_walk(random: np.random.Generator, times_s: np.ndarray, *, slowest_s: float = 8.0) -> np.ndarray:
    """Draw a smooth wander of unit size: a few slow waves and a straight drift, ndarray (frames,)."""
    span = max(float(times_s[-1] - times_s[0]), 1e-6)
    out = random.normal() * (times_s - times_s.mean()) / span
    for _ in range(3):
        period = slowest_s * random.uniform(0.3, 1.5)
        out += 0.5 * random.normal() * np.sin(2 * np.pi * (times_s / period + random.random()))
    return out


@dataclass(frozen=True)
class Handling:
    """How the camera is held.

    ``drift_px`` and ``jitter_px`` move the picture, ``turn_deg`` and ``tilt_deg`` wander slowly, ``zoom`` is the
    relative wander of the distance; all zero on a tripod.
    """

    drift_px: float = 0.0
    jitter_px: float = 0.0
    turn_deg: float = 0.0
    tilt_deg: float = 0.0
    zoom: float = 0.0


TRIPOD = Handling()


def draw_viewpoint(
    board: Board,
    times_s: np.ndarray,
    random: np.random.Generator,
    *,
    resolution: tuple[int, int],
    side: str,
    angles_deg: tuple[float, float],
    fill: float,
    handling: Handling = TRIPOD,
) -> Viewpoint:
    """Draw where the camera stands and how it moves.

    Parameters
    ----------
    board : Board
    times_s : ndarray of shape (frames,), s
    random : numpy Generator
    resolution : (columns, rows)
    side : {'top', 'bottom'}
    angles_deg : (tilt, rotation)
        Angle between optical axis and board normal (its direction is drawn), and turn of the picture.
    fill : float
        Share of the picture's tighter dimension that the board takes.
    handling : Handling

    Returns
    -------
    Viewpoint
    """
    columns, rows = resolution
    x0, y0, x1, y1 = board.box_mm
    focal = columns / (2 * np.tan(np.radians(random.uniform(18.0, 45.0)) / 2))
    tilt, turn = np.radians(angles_deg)
    wide = abs(np.cos(turn)) * (x1 - x0) + abs(np.sin(turn)) * (y1 - y0)
    high = abs(np.sin(turn)) * (x1 - x0) + abs(np.cos(turn)) * (y1 - y0)
    distance = focal / (fill * min(columns / wide, rows / high))
    count = len(times_s)
    towards = random.uniform(0, 2 * np.pi)

    def wander(size: float) -> np.ndarray:
        return size * smooth_walk(random, times_s) if size else np.zeros(count)

    tilt_x = tilt * np.cos(towards) + np.radians(wander(handling.tilt_deg))
    tilt_y = tilt * np.sin(towards) + np.radians(wander(handling.tilt_deg))
    roll = turn + np.radians(wander(handling.turn_deg))
    away = distance * (1.0 + wander(handling.zoom))
    room = np.array([max(columns - fill * columns, 0), max(rows - fill * rows, 0)]) / 2
    centre = np.array([(columns - 1) / 2, (rows - 1) / 2]) + random.uniform(-0.4, 0.4, 2) * room
    move = np.stack([wander(handling.drift_px), wander(handling.drift_px)], axis=1)
    if handling.jitter_px:
        move += random.normal(0, handling.jitter_px, (count, 2))
    facing = np.diag([1.0, -1.0, -1.0]) if side == "top" else np.diag([-1.0, -1.0, 1.0])
    rotation = _turn(2, roll) @ _turn(0, tilt_x) @ _turn(1, tilt_y) @ facing
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2, 0.0])
    place = np.stack([np.zeros(count), np.zeros(count), away], axis=1)
    # the optical axis stays in the middle of the picture: the board is moved aside in space, not in the picture
    aside = (centre + move - [(columns - 1) / 2, (rows - 1) / 2]) * away[:, None] / focal
    place[:, :2] += aside
    offset = place - rotation @ middle
    # height is counted towards the camera, on either side of the board
    towards_camera = rotation[..., 2] * (1.0 if side == "top" else -1.0)
    camera = np.array([[focal, 0, (columns - 1) / 2], [0, focal, (rows - 1) / 2], [0, 0, 1.0]])
    outer = np.concatenate([rotation[..., :2], towards_camera[..., None], offset[..., None]], axis=-1)
    return Viewpoint(columns, rows, float(focal), camera @ outer)
