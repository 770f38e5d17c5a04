"""Sensor pattern told from the scene by motion, and stretches tied past heat, on pictures shipped with scikit-image.

``skimage.data.coins`` is the scene (scikit-image, its licence file names the source); the motion is given, so that what
is judged is the pattern alone.
"""

import cv2
import numpy as np
import pytest
from skimage import data

from thermscan.measure.motion_fit import Aligner, pattern_variance
from thermscan.measure.motion_pattern import sensor_pattern
from thermscan.measure.motion_pictures import Preparation, smoothed
from thermscan.measure.motion_stretches import tie
from thermscan.model.settings import MotionSettings

SETTINGS = MotionSettings()
SHAPE = (96, 128)
NOISE = 0.05
NUMBER = 60


def scene(contrast_k):
    picture = cv2.resize(data.coins().astype(np.float32), (200, 160), interpolation=cv2.INTER_AREA)
    picture = cv2.GaussianBlur(picture, (0, 0), 1.0)
    return contrast_k * (picture - picture.mean()) / picture.std()


def shifts(seed, *, size_px=2.0):
    random = np.random.default_rng(seed)
    walk = np.cumsum(random.normal(0, 0.4, (NUMBER, 2)), axis=0)
    return size_px * (walk - walk.mean(axis=0)) / walk.std()


def preparation():
    blank = np.zeros(NUMBER)
    return Preparation(1, SHAPE, SETTINGS.smoothing_px, SETTINGS.local_px, blank, None, np.ones(SHAPE, bool), NOISE)


def moved(picture, by):
    return cv2.warpAffine(picture, np.array([[1, 0, by[0] - 30], [0, 1, by[1] - 30]], np.float32), SHAPE[::-1])


def recorded(seed, *, contrast_k, pattern, heat=None, size_px=2.0):
    """Working pictures, their matrices, and the preparation."""
    random, how, path = np.random.default_rng(seed), preparation(), shifts(seed + 1, size_px=size_px)
    still = scene(contrast_k)
    frames = []
    for i, by in enumerate(path):
        now = still if heat is None else still + heat * max(0.0, i / NUMBER - 0.3)
        frames.append(how.picture(moved(now, by) + pattern + random.normal(0, NOISE, SHAPE).astype(np.float32), i))
    matrices = np.broadcast_to(np.eye(3), (NUMBER, 3, 3)).copy()
    matrices[:, :2, 2] = path
    return np.array(frames, np.float32), matrices, how


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_pattern_is_told_from_the_scene_and_most_of_it_taken_off(seed):
    pattern = np.random.default_rng(seed).normal(0, 0.06, SHAPE).astype(np.float32)
    pictures, matrices, how = recorded(10 * seed, contrast_k=0.1, pattern=pattern)
    aligner = Aligner(how, pattern_variance(pictures, how, SETTINGS), SETTINGS)
    found = sensor_pattern(aligner, pictures, matrices, SETTINGS)
    fine = smoothed(pattern, how.smoothing_px)
    true = fine - smoothed(fine, how.local_px)
    inner = (slice(8, -8), slice(8, -8))
    assert np.corrcoef(found[inner].ravel(), true[inner].ravel())[0, 1] > 0.8
    assert np.std((found - true)[inner]) < 0.6 * np.std(true[inner])
    left = pattern_variance(pictures - found, how, SETTINGS)
    assert left < 0.5 * pattern_variance(pictures, how, SETTINGS)


@pytest.mark.parametrize("seed", [4, 5, 6])
def test_a_scene_without_sensor_pattern_keeps_its_details(seed):
    pictures, matrices, how = recorded(10 * seed, contrast_k=0.5, pattern=np.zeros(SHAPE, np.float32))
    aligner = Aligner(how, pattern_variance(pictures, how, SETTINGS), SETTINGS)
    found = sensor_pattern(aligner, pictures, matrices, SETTINGS)
    assert np.std(found) < 0.1 * np.std(pictures.mean(axis=0))


def test_without_motion_nothing_is_taken_off():
    pattern = np.random.default_rng(7).normal(0, 0.06, SHAPE).astype(np.float32)
    pictures, matrices, how = recorded(70, contrast_k=0.1, pattern=pattern, size_px=0.3)
    aligner = Aligner(how, pattern_variance(pictures, how, SETTINGS), SETTINGS)
    assert not sensor_pattern(aligner, pictures, matrices, SETTINGS).any()


@pytest.mark.parametrize("seed", [8, 9])
def test_a_hot_scene_is_not_taken_for_sensor_pattern(seed):
    heat = np.zeros((160, 200), np.float32)
    heat[60:72, 80:95] = 120.0
    pattern = np.random.default_rng(seed).normal(0, 0.05, SHAPE).astype(np.float32)
    pictures, _, how = recorded(10 * seed, contrast_k=0.1, pattern=pattern, heat=heat, size_px=0.5)
    assert pattern_variance(pictures, how, SETTINGS) == pytest.approx(0.05**2, rel=0.6)


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_places_that_heat_do_not_displace_a_stretch(seed):
    random = np.random.default_rng(seed)
    heat = np.zeros((160, 200), np.float32)
    for x, y in zip(random.integers(50, 140, 4), random.integers(40, 110, 4), strict=True):
        heat[y : y + 9, x : x + 12] += np.linspace(5, 30, 12, dtype=np.float32)  # warmer towards one side
    pictures, matrices, how = recorded(10 * seed, contrast_k=0.15, pattern=np.zeros(SHAPE, np.float32), heat=heat)
    aligner = Aligner(how, 0.0, SETTINGS)
    halves = np.arange(NUMBER) * 4 // NUMBER
    templates = [aligner.template(pictures[halves == s], matrices[halves == s]) for s in range(4)]
    moves, covariance = tie(aligner, templates, np.zeros((4, 8)), 4, within_px=SETTINGS.within_px[-1])
    off = np.hypot(*moves[:, :2].T)
    assert off.max() < 0.1
    assert np.sqrt(covariance[:, 0, 0]).max() < 0.2


@pytest.mark.parametrize("gate", [1.0, 10.0, 30.0])
def test_places_that_barely_count_do_not_make_a_step_longer_than_the_way(gate):
    # The second half of the pictures is thought 0.4 px right of where it lies, and nothing else is wrong.
    settings = MotionSettings(slope_gate=gate)
    pictures, matrices, how = recorded(70, contrast_k=0.3, pattern=np.zeros(SHAPE, np.float32))
    aligner = Aligner(how, 0.02**2, settings)
    halves = [slice(0, NUMBER // 2), slice(NUMBER // 2, NUMBER)]
    wrong = matrices.copy()
    wrong[halves[1], 0, 2] -= 0.4
    templates = [aligner.template(pictures[half], wrong[half]) for half in halves]
    share = aligner.slopes(templates[0]).share
    found, _ = tie(aligner, templates, np.zeros((2, 8)), 1, within_px=1.0)
    assert gate == 1.0 or share.mean() < 0.8
    assert abs(found[1, 0] - found[0, 0]) == pytest.approx(0.4, abs=0.06)
