"""Corners and joint adjustment against OpenCV, scikit-image and NumPy's own least squares."""

import cv2
import numpy as np
import pytest
from skimage import transform

from thermscan.measure.placement_corners import (
    Tie,
    adjust,
    box_corners,
    corner_covariance,
    corner_rms_px,
    corner_slopes,
    skew_covariance,
    through_corners,
)
from thermscan.measure.placement_pose import nominal_view
from thermscan.model.board import Board
from thermscan.model.pose import map_points
from thermscan.model.settings import PlacementSettings

BOARD = Board.rectangle(100, 80)
FIRST = np.array([[1.2, 0.1, 12.0], [0.05, -1.3, 120.0], [2e-4, -1e-4, 1.0]])
SECOND = np.array([[1.1, -0.2, 30.0], [-0.15, -1.2, 118.0], [-1e-4, 2e-4, 1.0]])


def test_homography_through_corners_is_that_of_opencv_and_scikit_image():
    # Hartley & Zisserman, Multiple View Geometry, Algorithm 4.1; numbers by OpenCV, scikit-image and a plain SVD.
    places = np.array([[12, 7], [110, 15], [104, 99], [5, 88]], float)
    ours = through_corners(BOARD, places)
    source = box_corners(BOARD)
    assert ours == pytest.approx(cv2.getPerspectiveTransform(source.astype("f4"), places.astype("f4")), abs=1e-5)
    assert ours == pytest.approx(transform.ProjectiveTransform.from_estimate(source, places).params, abs=1e-9)
    assert map_points(ours, np.array([50.0, 40.0])) == pytest.approx([56.910112, 51.910112], abs=1e-6)
    assert ours[2, :2] == pytest.approx([-3.4120735e-4, -1.5211167e-4], abs=1e-9)


def test_slopes_are_those_of_small_steps():
    slopes = corner_slopes(FIRST, SECOND, BOARD)
    places = map_points(FIRST, box_corners(BOARD))
    step = SECOND @ np.linalg.inv(FIRST)
    for k in range(8):
        nudge = np.zeros(8)
        nudge[k] = 1e-4
        moved = map_points(step, places + nudge.reshape(4, 2)) - map_points(step, places)
        assert slopes[:, k] == pytest.approx(moved.ravel() / 1e-4, abs=1e-5)


def test_error_of_a_point_is_that_of_draws():
    rng = np.random.default_rng(5)
    root = rng.normal(0, 0.2, (8, 8))
    x, y = np.meshgrid(np.linspace(0, 100, 5), np.linspace(0, 80, 5))
    points = np.column_stack([x.ravel(), y.ravel()])
    exact = map_points(FIRST, box_corners(BOARD)).ravel()
    draws = [
        map_points(through_corners(BOARD, exact + root @ rng.normal(0, 1, 8)), points) - map_points(FIRST, points)
        for _ in range(600)
    ]
    # bilinear shares stand in for the homography; 600 draws are good to 4 %
    assert corner_rms_px(root @ root.T) == pytest.approx(np.sqrt(np.mean(np.sum(np.square(draws), axis=-1))), rel=0.12)


def test_a_view_from_straight_above_has_no_shear_of_its_own():
    # of its eight parameters, turn, shift, scale, stretch and two keystones move corners: shear is left out
    square = Board.rectangle(80, 80)
    view = nominal_view((120, 160), (40.0, 40.0), "top", PlacementSettings())
    shear = (map_points(view.homography(), box_corners(square)) - [79.5, 59.5])[:, ::-1].ravel()
    shear /= np.linalg.norm(shear)
    own = corner_covariance(view, 1e-4 * np.eye(8), square)
    assert shear @ own @ shear < 1e-9 * np.trace(own)
    held = skew_covariance(view, square, 0.2)
    # both ways, 0.2 px each at a corner: squares add up over four corners and two ways
    assert np.trace(held) == pytest.approx(8 * 0.2**2)
    assert shear @ held @ shear == pytest.approx(4 * 0.2**2)
    assert np.linalg.matrix_rank(held) == 2


def tie(own_px, own_error, error):
    own = through_corners(BOARD, map_points(SECOND, box_corners(BOARD)) + own_px)
    return Tie(own, None if own_error is None else own_error**2 * np.eye(8), SECOND, error**2 * np.eye(8))


def test_adjustment_is_weighted_least_squares():
    ties = [tie([0.3, -0.2], 0.2, 0.1), tie([-0.1, 0.4], 0.4, 0.2)]
    found = adjust(BOARD, FIRST, 0.3**2 * np.eye(8), ties)
    slope, unit, none = corner_slopes(FIRST, SECOND, BOARD), np.eye(8), np.zeros((8, 8))
    rows, values = [np.hstack([unit, none, none]) / 0.3], [np.zeros(8)]
    for k, (t, own, error) in enumerate(zip(ties, (0.2, 0.4), (0.1, 0.2), strict=True)):
        mine = [none, none]
        mine[k] = unit
        rows += [np.hstack([none, *mine]) / own, np.hstack([-slope, *mine]) / error]
        gap = map_points(t.own, box_corners(BOARD)) - map_points(SECOND, box_corners(BOARD))
        values += [gap.ravel() / own, np.zeros(8)]
    wanted = np.linalg.lstsq(np.vstack(rows), np.concatenate(values), rcond=None)[0]
    corners = box_corners(BOARD)
    assert (map_points(found.faulty, corners) - map_points(FIRST, corners)).ravel() == pytest.approx(
        wanted[:8], abs=1e-6
    )
    for k in range(2):
        moved = (map_points(found.goods[k], corners) - map_points(SECOND, corners)).ravel()
        assert moved == pytest.approx(wanted[8 + 8 * k : 16 + 8 * k], abs=1e-6)


def test_an_error_common_to_all_boards_drops_out_of_the_difference():
    # The board file is wrong: every outline is off by the same; the pattern knows better how boards lie to each other.
    corners = box_corners(BOARD)
    shift = np.array([0.5, -0.3])
    step = SECOND @ np.linalg.inv(FIRST)
    faulty = through_corners(BOARD, map_points(FIRST, corners + shift))
    good = through_corners(BOARD, map_points(SECOND, corners + shift))
    by_pattern = through_corners(BOARD, map_points(step @ faulty, corners))
    found = adjust(BOARD, faulty, 0.3**2 * np.eye(8), [Tie(good, 0.3**2 * np.eye(8), by_pattern, 0.05**2 * np.eye(8))])
    both = found.goods[0] @ np.linalg.inv(found.faulty)
    places = map_points(FIRST, corners)
    assert map_points(both, places) == pytest.approx(map_points(step, places), abs=0.01)


def test_strain_tells_that_outline_and_pattern_disagree_and_widens_the_error():
    quiet = adjust(BOARD, FIRST, 0.2**2 * np.eye(8), [tie([0.05, 0.0], 0.2, 0.1)])
    torn = adjust(BOARD, FIRST, 0.2**2 * np.eye(8), [tie([1.5, 1.0], 0.2, 0.1)])
    assert quiet.strain[0] < 1 < torn.strain[0]
    assert corner_rms_px(torn.relative[0]) == pytest.approx(
        np.sqrt(torn.strain[0]) * corner_rms_px(quiet.relative[0]), rel=0.05
    )
    alone = adjust(BOARD, FIRST, 0.2**2 * np.eye(8), [tie([9.0, 9.0], None, 0.1)])
    assert alone.strain[0] == 0
    assert map_points(alone.goods[0], box_corners(BOARD)) == pytest.approx(map_points(SECOND, box_corners(BOARD)))
