"""The optics' blur from the edges of made recordings of known blur, and what is said where there are no edges."""

import numpy as np
import pytest
from scipy import ndimage

from thermscan.measure.picture_blur import edge_blurs_px, optics_blur_px
from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Motion
from thermscan.model.quantity import Measured
from thermscan.model.recording import Recording
from thermscan.model.settings import OpticsSettings, PictureSettings
from thermscan.model.timing import Timing

ROWS, COLUMNS, FRAMES, NOISE = 90, 120, 40, 0.05


def filmed(blur, *, seed=0, sub=6, is_tripod=True, flat=False, bad=(), usable=slice(None)):
    """Warm bodies on a board over a bench from frame 15 on, drawn finely, blurred, then averaged into pixels."""
    random = np.random.default_rng(seed)
    y, x = (np.mgrid[: ROWS * sub, : COLUMNS * sub] + 0.5) / sub
    board = 0.4 * ((x > 14) & (x < 107) & (y > 12) & (y < 78))
    rise = np.zeros_like(board)
    if not flat:
        for _ in range(8):
            cx, cy, w, h = (random.uniform(*r) for r in ((25, 95), (22, 68), (5, 14), (5, 12)))
            rise = np.maximum(rise, random.uniform(3, 9) * ((abs(x - cx) < w / 2) & (abs(y - cy) < h / 2)))

    def seen(scene):
        blurred = ndimage.gaussian_filter(scene, blur * sub)
        return blurred.reshape(ROWS, sub, COLUMNS, sub).mean(axis=(1, 3))

    cold, warm = 23 + (0 if flat else 1) * seen(board), seen(rise)
    frames = np.stack([cold + (warm if k >= 15 else 0) for k in range(FRAMES)])
    frames += random.normal(0, NOISE, frames.shape)
    mask = np.zeros((ROWS, COLUMNS), bool)
    for spot in bad:
        mask[spot] = True
        frames[:, *spot] = 80.0
    recording = Recording.from_array(frames.astype(np.float32), np.arange(FRAMES) / 8)
    camera = CameraState(
        np.full((ROWS, COLUMNS), NOISE), mask, np.isin(np.arange(FRAMES), np.arange(FRAMES)[usable]), np.zeros(FRAMES)
    )
    eyes = np.repeat(np.eye(3)[None], FRAMES, axis=0)
    motion = Motion(eyes, np.zeros(mask.shape), np.zeros((0, *mask.shape)), np.zeros(FRAMES), is_tripod=is_tripod)
    timing = Timing(Measured(15 / 8, 14.9 / 8, 15.1 / 8), None)
    return edge_blurs_px(recording, camera, motion, timing, picture=PictureSettings(), settings=OpticsSettings())


@pytest.mark.parametrize("blur", [0.6, 1.0, 1.6])
@pytest.mark.parametrize("is_tripod", [True, False])
def test_the_blur_of_known_optics_is_found(blur, is_tripod):
    widths = [w for seed in range(3) for w in filmed(blur, seed=seed, is_tripod=is_tripod)]
    assert len(widths) >= 6
    assert np.median(widths) == pytest.approx(blur, rel=0.3)
    joined = optics_blur_px(widths, settings=OpticsSettings())
    assert abs(np.log(joined / blur)) < abs(np.log(0.6 / blur)) + 0.25


@pytest.mark.parametrize("is_tripod", [True, False])
def test_one_frame_with_power_is_enough(is_tripod):
    (width,) = filmed(1.0, is_tripod=is_tripod, usable=slice(20, 21))
    assert width == pytest.approx(1.0, rel=0.4)


def test_bad_pixels_are_no_edges():
    clean, spoiled = (np.median(filmed(1.2, bad=bad)) for bad in ((), ((30, 40), (50, 60), (20, 20))))
    assert spoiled == pytest.approx(clean, rel=0.1)


def test_without_edges_nothing_is_said():
    assert filmed(1.0, flat=True) == ()
    assert optics_blur_px((), settings=OpticsSettings()) is None


def test_joining_is_the_product_of_two_normal_densities():
    settings = OpticsSettings()
    precision = np.array([settings.edge_error, settings.usual_ratio]) ** -2.0
    by_hand = np.exp(precision @ np.log([1.4, settings.usual_px]) / precision.sum())
    assert optics_blur_px([1.2, 1.4, 3.0], settings=settings) == pytest.approx(by_hand)
    many = optics_blur_px([1.4] * 12, settings=settings)  # further pictures of one scene err alike
    assert many == pytest.approx(by_hand)
