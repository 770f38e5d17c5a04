"""Undistorted recordings against OpenCV's own undistortion."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from skimage import data, transform

from thermscan.measure.track import distort
from thermscan.measure.track_lens import lens_of, undistort_recording
from thermscan.model.camera_profile import CameraProfile, LensSection
from thermscan.model.pose import Lens
from thermscan.model.recording import Facts, Mark, Recording

LENS = Lens(-0.05, 0.01, 150.0, (79.5, 59.5))


def recording():
    # skimage.data.camera() as a smooth texture.
    picture = transform.resize(data.camera().astype(float), (120, 160), anti_aliasing=True)
    ideal = np.array([[20.0, 30.0], [140.0, 100.0]])
    marks = tuple(Mark(0, 0, *place) for place in distort(LENS, ideal))
    return Recording.from_array(picture[None], np.array([0.0]), facts=Facts(marks=marks)), ideal


def test_frames_are_those_of_opencv():
    made, _ = recording()
    matrix = np.array([[150.0, 0, 79.5], [0, 150.0, 59.5], [0, 0, 1]])
    ours = undistort_recording(made, LENS).store.read(0, 1)[0]
    theirs = cv2.undistort(made.store.read(0, 1)[0], matrix, np.array([LENS.k1, LENS.k2, 0, 0]))
    inner = (slice(10, -10), slice(10, -10))
    assert np.median(np.abs(ours - theirs)[inner]) < 1.0  # grey levels of 255; theirs is bilinear, ours cubic
    assert np.corrcoef(ours[inner].ravel(), theirs[inner].ravel())[0, 1] > 0.999


def test_marks_go_with_the_picture():
    made, ideal = recording()
    marks = undistort_recording(made, LENS).facts.marks
    assert np.array([[m.x_px, m.y_px] for m in marks]) == pytest.approx(ideal, abs=1e-9)


def test_a_bad_pixel_does_not_spread():
    made, _ = recording()
    frame = made.store.read(0, 1)[0].copy()
    bad = np.zeros(frame.shape, bool)
    bad[60, 80] = True
    frame[60, 80] = 1e6
    spoilt = Recording.from_array(frame[None], np.array([0.0]))
    clean = undistort_recording(made, LENS).store.read(0, 1)[0]
    assert np.nanmax(np.abs(undistort_recording(spoilt, LENS, bad=bad).store.read(0, 1)[0] - clean)) < 60


def test_the_lens_is_that_of_the_profile():
    made, _ = recording()
    section = LensSection("2026-01-01", "invented", LENS.k1, LENS.k2, LENS.focal_px, *LENS.centre_px, 0.1)
    bare = replace(made, profile=CameraProfile("invented", "", "", (160, 120)))
    assert lens_of(made) is None
    assert lens_of(bare) is None
    assert lens_of(replace(bare, profile=replace(bare.profile, lens=section))) == LENS
    straight = replace(section, k1=0.0, k2=0.0)
    assert lens_of(replace(bare, profile=replace(bare.profile, lens=straight))) is None
