"""A drawn board seen by a pinhole camera, painted sample by sample, for tests of placing."""

from dataclasses import replace

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

from thermscan.model.board import Board, Hole, Part
from thermscan.model.pose import Motion, map_points
from thermscan.model.recording import Mark
from thermscan.model.settings import PlacementSettings

SETTINGS = PlacementSettings()
QUICK = replace(SETTINGS, search_px=40.0, search_starts=10, search_kept=4, scale_step=0.08, turn_step_deg=6.0)
SHAPE = (60, 80)
BOARD = Board(
    "invented test board",
    np.array([[0, 0], [62, 0], [62, 30], [52, 30], [52, 44], [0, 44]], float),
    holes=(Hole(3.5, 3.5, 3.2), Hole(58, 3.5, 3.2)),
    parts=(
        Part("U1", x=15, y=30, w=12, h=10, height_mm=1.5),
        Part("U2", x=40, y=12, w=9, h=9, height_mm=1.2),
        Part("J1", x=30, y=40, w=14, h=6, height_mm=9.0),
        Part("C1", x=27, y=14, w=6, h=3, rotation=90, height_mm=1.0),
        Part("L1", x=54, y=20, w=7, h=7, height_mm=4.0),
        Part("Q1", x=9, y=12, w=6, h=5, height_mm=1.5),
    ),
)
CONTRAST = {"U1": 0.9, "U2": -0.6, "J1": 0.5, "C1": -0.9, "L1": 0.7, "Q1": -0.5}
HEAT = {"U1": 3.0, "U2": 1.0, "J1": 0.0, "C1": 0.0, "L1": 2.0, "Q1": 1.5}


def camera(tilt_deg, toward_deg, roll_deg, scale, shape=SHAPE, side="top"):
    """Projection matrices by height: a pinhole camera built from scratch, rotation by Rodrigues' formula."""
    focal = 1.5 * shape[1]
    flip = np.diag([1.0, -1, -1]) if side == "top" else np.diag([-1.0, -1, 1])
    axis = np.array([np.cos(np.radians(toward_deg)), np.sin(np.radians(toward_deg)), 0])
    tilt = cv2.Rodrigues(axis * np.radians(tilt_deg))[0]
    roll = cv2.Rodrigues(np.array([0, 0, np.radians(roll_deg)]))[0]
    rotation = tilt @ roll @ flip
    inner = np.array([[focal, 0, (shape[1] - 1) / 2], [0, focal, (shape[0] - 1) / 2], [0, 0, 1]])
    shift = np.array([0.5, -0.3, focal / scale]) - rotation @ np.array([31.0, 22.0, 0.0])
    toward = 1.0 if side == "top" else -1.0

    def plane(height=0.0):
        matrix = inner @ np.column_stack([rotation[:, 0], rotation[:, 1], shift + rotation[:, 2] * toward * height])
        return matrix / matrix[2, 2]

    return plane


def paint(plane, board, contrast, *, bench, shape=SHAPE, fine=5, spots=()):
    """Paint a board seen by a camera, sample by sample on a fine grid, then blur and average; no shared code."""
    rows, columns = shape
    y, x = np.mgrid[0 : rows * fine, 0 : columns * fine]
    pixels = np.stack([(x + 0.5) / fine - 0.5, (y + 0.5) / fine - 0.5], axis=-1)
    ground = map_points(np.linalg.inv(plane()), pixels)
    on_board = board.inside(ground[..., 0], ground[..., 1])
    surface = 0.02 * ground[..., 0]
    for x_mm, y_mm, kelvin, reach in spots:
        surface = surface + kelvin * np.exp(-np.hypot(ground[..., 0] - x_mm, ground[..., 1] - y_mm) / reach)
    picture = np.where(on_board, surface, bench)
    for hole in board.holes:
        distance = np.hypot(ground[..., 0] - hole.x, ground[..., 1] - hole.y)
        picture = np.where(distance < hole.d, surface - 0.5, picture)
        picture = np.where(distance < hole.d / 2, bench, picture)
    for part in board.parts:
        if part.ref not in contrast:
            continue
        for height in (0.0, part.height_mm / 2, part.height_mm):
            place = map_points(np.linalg.inv(plane(height)), pixels)
            covered = part.contains(place[..., 0], place[..., 1])
            picture = np.where(covered, surface + contrast[part.ref], picture)
    picture = gaussian_filter(picture, 0.6 * fine)
    return picture.reshape(rows, fine, columns, fine).mean(axis=(1, 3))


def still(reference, *change):
    frames = 4
    return Motion(
        np.tile(np.eye(3), (frames, 1, 1)),
        reference,
        np.array(change) if change else np.empty((0, *reference.shape)),
        np.full(frames, 0.01),
        is_tripod=True,
    )


def make_motion(plane, seed=0, *, bench=-0.8, noise=0.03, spots=(), shape=SHAPE):
    rng = np.random.default_rng(seed)
    reference = 23 + paint(plane, BOARD, CONTRAST, bench=bench, shape=shape)
    change = paint(plane, BOARD, HEAT, bench=-1.0, spots=((15, 30, 2.0, 8.0), *spots), shape=shape)
    return still(reference + rng.normal(0, noise, shape), change + rng.normal(0, noise, shape))


def corner_marks(plane, board, errors):
    x0, y0, x1, y1 = board.box_mm
    corners = np.array([[x0, y1], [x1, y1], [x1, y0], [x0, y0]])
    return tuple(Mark(*mm, *px) for mm, px in zip(corners, map_points(plane(), corners) + errors, strict=True))


def grid_rms(first, second, board=BOARD):
    x0, y0, x1, y1 = board.box_mm
    points = np.stack(np.meshgrid(np.linspace(x0, x1, 5), np.linspace(y0, y1, 5)), axis=-1).reshape(-1, 2)
    return float(np.sqrt(np.mean(np.sum((map_points(first, points) - map_points(second, points)) ** 2, axis=1))))


TILTED = camera(14, 40, 63, 0.82)
