"""Tracks: motion after placement, and the lens in OpenCV's model."""

import cv2
import numpy as np
import pytest

from thermscan.measure.track import distort, make_track, recorded_matrices, undistort
from thermscan.model.pose import Lens, Motion, NoPose, Placement, Pose, map_points

PLACE = np.array([[1.5, 0.2, 10.0], [0.1, -1.5, 100.0], [1e-4, -2e-4, 1.0]])
LENS = Lens(0.05, -0.01, 180.0, (79.5, 59.5))
POINTS = np.stack(np.meshgrid(np.linspace(5, 150, 6), np.linspace(5, 115, 5)), axis=-1).reshape(-1, 2)


def motion(matrices, why=None, errors=None):
    frames = len(matrices)
    picture = np.zeros((120, 160))
    errors = np.full(frames, 0.03) if errors is None else errors
    return Motion(np.array(matrices), picture, picture[None], errors, is_tripod=False, why=why or {})


def shifted(x, y):
    return np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]])


def test_pose_is_motion_after_placement():
    track = make_track(motion([shifted(0, 0), shifted(2.5, -1)]), Placement(PLACE, 0.04, "layout"))
    corner = np.array([12.0, 30.0])
    assert track.poses[1].to_px(corner) == pytest.approx(map_points(shifted(2.5, -1) @ PLACE, corner))
    assert track.poses[1].error_px == pytest.approx(0.05)
    assert track.poses[1].matrix[2, 2] == 1
    assert track.poses[0].to_mm(track.poses[0].to_px(corner)) == pytest.approx(corner)


def test_frames_that_were_not_followed_have_a_reason():
    lost = np.full((3, 3), np.nan)
    track = make_track(
        motion([shifted(0, 0), lost, shifted(1, 0)], {1: "blurred", 2: "frozen: bridged from its neighbours"}),
        Placement(PLACE, 0.1, "marks"),
    )
    assert isinstance(track.poses[1], NoPose)
    assert track.poses[1].reason == "blurred"
    assert track.poses[2].bridged == "frozen: bridged from its neighbours"
    assert isinstance(track.poses[0], Pose)
    assert np.isnan(track.matrices()[1]).all()


def test_an_untrusted_placement_is_said():
    track = make_track(motion([shifted(0, 0)]), Placement(PLACE, 9.0, "outline", trusted=False, reason="give marks"))
    assert track.warnings == ("give marks",)


def test_lens_is_that_of_opencv():
    camera = np.array([[180.0, 0, 79.5], [0, 180.0, 59.5], [0, 0, 1]])
    coefficients = np.array([LENS.k1, LENS.k2, 0, 0])
    ideal = np.column_stack([(POINTS - LENS.centre_px) / 180.0, np.ones(len(POINTS))])
    theirs = cv2.projectPoints(ideal, np.zeros(3), np.zeros(3), camera, coefficients)[0][:, 0]
    assert distort(LENS, POINTS) == pytest.approx(theirs, abs=1e-9)
    assert undistort(LENS, theirs) == pytest.approx(POINTS, abs=1e-9)


def test_recorded_homography_is_the_closest_in_the_picture():
    track = make_track(motion([shifted(0, 0), np.full((3, 3), np.nan)]), Placement(PLACE, 0.1, "layout"), lens=LENS)
    outline = np.array([[0, 0], [80, 0], [80, 55], [0, 55]], float)
    recorded = recorded_matrices(track, outline)
    x, y = np.meshgrid(np.linspace(0, 80, 9), np.linspace(0, 55, 9))
    points = np.column_stack([x.ravel(), y.ravel()])
    seen = distort(LENS, map_points(PLACE, points))
    ours = np.sum((map_points(recorded[0], points) - seen) ** 2)
    theirs = cv2.findHomography(points, seen, 0)[0]
    assert ours <= np.sum((map_points(theirs, points) - seen) ** 2) + 1e-6
    assert recorded[0] == pytest.approx(theirs, abs=1e-3)
    assert np.isnan(recorded[1]).all()


def test_without_a_lens_the_poses_are_returned():
    track = make_track(motion([shifted(3, 4)]), Placement(PLACE, 0.1, "layout"))
    assert recorded_matrices(track, np.array([[0, 0], [1, 0], [1, 1.0]])) == pytest.approx(track.matrices())
