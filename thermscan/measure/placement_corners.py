"""Poses as the pixels of four corners: where covariances of different fits can be added and weighed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from thermscan.measure.placement_pose import PARAMETERS, View, point_steps
from thermscan.model.board import Board
from thermscan.model.pose import map_points


def box_corners(board: Board) -> np.ndarray:
    """Return the corners of the board's bounding box, ndarray (4, 2) mm: lower left, then anticlockwise."""
    x0, y0, x1, y1 = board.box_mm
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)


def corner_covariance(view: View, covariance: np.ndarray, board: Board, *, each_px: float = 0.0) -> np.ndarray:
    """Return the covariance of the corners' pixels, ndarray (8, 8), of a view and its own, ndarray (8, 8).

    ``each_px`` is a further error of each corner (2-D distance), independent of the others.
    """
    steps = point_steps(view, box_corners(board)).reshape(-1, PARAMETERS)
    return steps @ covariance @ steps.T + each_px**2 / 2 * np.eye(8)


def skew_covariance(view: View, board: Board, skew_px: float) -> np.ndarray:
    """Return the covariance of the corners' pixels, ndarray (8, 8), of shear and stretch in the picture.

    ``skew_px`` is the standard error (2-D distance) that each of the two gives a corner. A camera straight above a
    board shows neither, so a view has none of its own there; a view that is held to another has that one's error.
    """
    corners = map_points(view.homography(), box_corners(board))
    off = (corners - corners.mean(axis=0)) / np.sqrt(np.mean(np.sum((corners - corners.mean(axis=0)) ** 2, axis=1)))
    ways = np.array([(off * [1.0, -1.0]).ravel(), off[:, ::-1].ravel()])
    return skew_px**2 * ways.T @ ways


def corner_rms_px(covariance: np.ndarray) -> float:
    """Return the standard error of a board point (2-D distance), rms over a 5 x 5 grid, of corners' covariance."""
    u, v = (a.ravel() for a in np.meshgrid(np.linspace(0, 1, 5), np.linspace(0, 1, 5)))
    share = np.column_stack([(1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v])
    by_axis = covariance.reshape(4, 2, 4, 2)
    return float(np.sqrt(np.mean(np.einsum("na,aibi,nb->n", share, by_axis, share))))


def through_corners(board: Board, corners_px: np.ndarray) -> np.ndarray:
    """Return the homography, ndarray (3, 3), that sends the corners of the board's box to pixels, ndarray (4, 2)."""
    source = box_corners(board)
    middle, size = source.mean(axis=0), float(np.ptp(source, axis=0).max())
    local = np.array([[1 / size, 0, -middle[0] / size], [0, 1 / size, -middle[1] / size], [0, 0, 1]])
    target = np.asarray(corners_px, float).reshape(4, 2)
    shift = target.mean(axis=0)
    rows = []
    for (x, y), (u, v) in zip(map_points(local, source), target - shift, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
    exact = np.append(np.linalg.solve(np.array(rows), (target - shift).ravel()), 1.0).reshape(3, 3)
    back = np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1.0]])
    matrix = back @ exact @ local
    return matrix / matrix[2, 2]


def corner_slopes(first: np.ndarray, second: np.ndarray, board: Board) -> np.ndarray:
    """Return how the corners' pixels of a second pose follow those of a first, ndarray (8, 8), block diagonal."""
    step = second @ np.linalg.inv(first)
    out = np.zeros((8, 8))
    for k, (x, y) in enumerate(map_points(first, box_corners(board))):
        w = step[2, 0] * x + step[2, 1] * y + step[2, 2]
        place = map_points(step, np.array([x, y]))
        out[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = (step[:2, :2] - np.outer(place, step[2, :2])) / w
    return out


@dataclass(frozen=True)
class Tie:
    """A good board tied to the faulty one.

    Attributes
    ----------
    own : ndarray of shape (3, 3)
        Its own placement, mm to px.
    own_covariance : ndarray of shape (8, 8) or None
        Of its corners; None where it is not trusted.
    relative : ndarray of shape (3, 3)
        The placement that the pattern gives while the faulty one is held.
    covariance : ndarray of shape (8, 8)
        Of its corners, the faulty placement held.
    """

    own: np.ndarray
    own_covariance: np.ndarray | None
    relative: np.ndarray
    covariance: np.ndarray


@dataclass(frozen=True)
class Adjusted:
    """Placements after adjustment: matrices (3, 3) and corners' covariances (8, 8), of goods relative to the faulty.

    ``strain`` holds for each good board the chi-square over its eight degrees of freedom of outline against pattern.
    """

    faulty: np.ndarray
    faulty_covariance: np.ndarray
    goods: tuple[np.ndarray, ...]
    relative: tuple[np.ndarray, ...]
    strain: tuple[float, ...]


def adjust(board: Board, faulty: np.ndarray, covariance: np.ndarray, ties: Sequence[Tie]) -> Adjusted:
    """Adjust all placements together: each by its own outline, and each good one by the pattern to the faulty one.

    Parameters
    ----------
    board : Board
    faulty : ndarray of shape (3, 3)
        Its placement, mm to px.
    covariance : ndarray of shape (8, 8)
        Of its corners.
    ties : sequence of Tie

    Returns
    -------
    Adjusted

    Notes
    -----
    Weighted least squares of small displacements of the corners (Gauss-Markov). A relative covariance is scaled by the
    strain where outline and pattern differ by more than their errors (Birge, Physical Review 40, 1932, from memory).
    """
    count = len(ties) + 1
    info, side = np.zeros((8 * count, 8 * count)), np.zeros(8 * count)
    first = slice(0, 8)
    info[first, first] += _inverse(covariance)
    corners = box_corners(board)
    strains, slopes = [], []
    for number, tie in enumerate(ties, start=1):
        mine = slice(8 * number, 8 * number + 8)
        slope = corner_slopes(faulty, tie.relative, board)
        slopes.append(slope)
        # states are displacements from the faulty placement and from the pattern's good placement
        weight = _inverse(tie.covariance)
        info[mine, mine] += weight
        info[mine, first] -= weight @ slope
        info[first, mine] -= slope.T @ weight
        info[first, first] += slope.T @ weight @ slope
        if tie.own_covariance is None:
            strains.append(0.0)
            continue
        gap = (map_points(tie.own, corners) - map_points(tie.relative, corners)).ravel()
        own = _inverse(tie.own_covariance)
        info[mine, mine] += own
        side[mine] += own @ gap
        joint = tie.own_covariance + tie.covariance + slope @ covariance @ slope.T
        strains.append(float(gap @ _inverse(joint) @ gap) / 8)
    cover = _inverse(info)
    moved = cover @ side
    goods, relative = [], []
    for number, tie in enumerate(ties, start=1):
        mine = slice(8 * number, 8 * number + 8)
        goods.append(through_corners(board, map_points(tie.relative, corners).ravel() + moved[mine]))
        both = np.hstack([-slopes[number - 1], np.eye(8)])
        where = np.r_[0:8, mine]
        relative.append(both @ cover[np.ix_(where, where)] @ both.T * max(1.0, strains[number - 1]))
    placed = through_corners(board, map_points(faulty, corners).ravel() + moved[first])
    return Adjusted(placed, cover[first, first], tuple(goods), tuple(relative), tuple(strains))


def _inverse(matrix: np.ndarray) -> np.ndarray:
    """Return the inverse of a covariance or information, kept from being singular by a billionth of its size."""
    return np.linalg.inv(matrix + 1e-9 * np.trace(matrix) / len(matrix) * np.eye(len(matrix)))
