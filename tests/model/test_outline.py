"""Outlines: which polygons cross themselves, and which points lie inside."""

import cv2
import numpy as np
import pytest

from thermscan.model.board import Board, is_self_crossing

NOTCHED = [[0, 0], [90, 0], [90, 20], [80, 20], [80, 40], [90, 40], [90, 60], [0, 60]]
TWO_NOTCHES = [
    [0, 0],
    [30, 0],
    [30, 5],
    [40, 5],
    [40, 0],
    [60, 0],
    [60, 5],
    [70, 5],
    [70, 0],
    [90, 0],
    [90, 60],
    [0, 60],
]


@pytest.mark.parametrize("outline", [[[0, 0], [9, 0], [9, 6], [0, 6]], NOTCHED, TWO_NOTCHES, [[0, 0], [5, 0], [0, 5]]])
def test_simple_outlines_do_not_cross(outline):
    assert not is_self_crossing(np.array(outline, float))


@pytest.mark.parametrize(
    "outline",
    [
        [[0, 0], [90, 60], [90, 0], [0, 60]],
        [[0, 0], [90, 0], [90, 60], [30, -10], [0, 60]],
        [[0, 0], [90, 0], [90, 20], [60, 0], [30, 0], [0, 20]],
    ],
)
def test_crossing_and_touching_outlines_are_found(outline):
    assert is_self_crossing(np.array(outline, float))


def test_inside_agrees_with_the_reference_library():
    # reference: cv2.pointPolygonTest
    rng = np.random.default_rng(0)
    board = Board("made", np.array(NOTCHED, float))
    points = rng.uniform([-5, -5], [95, 65], (500, 2))
    polygon = np.array(NOTCHED, np.float32)
    want = [cv2.pointPolygonTest(polygon, (float(x), float(y)), measureDist=False) > 0 for x, y in points]
    np.testing.assert_array_equal(board.inside(points[:, 0], points[:, 1]), want)
