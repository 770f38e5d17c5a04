"""Warnings of a first look: each on a scene made to deserve it, and none on the same scene without the fault."""

import numpy as np
import pytest
from scipy import ndimage

from thermscan.measure.noise import measure_camera
from thermscan.measure.picture_quality import clipped, edge_width_px, judge_picture, smallest_step
from thermscan.model.pose import Motion
from thermscan.model.quantity import Measured
from thermscan.model.recording import Facts, Recording, SupplyPoint
from thermscan.model.settings import PictureSettings
from thermscan.model.timing import Timing

ROWS, COLUMNS, FRAMES, RATE = 60, 80, 80, 8.0
TIMES = np.arange(FRAMES) / RATE
ON_S = 4.0


def scene(*, seed=1, blur=0.7, noise=0.05):
    """Make a board with cold contrast from emissivity and two parts that warm after power-on; degrees Celsius."""
    random = np.random.default_rng(seed)
    cold = np.full((ROWS, COLUMNS), 22.0)
    cold[10:50, 12:68] += 0.4
    for _ in range(25):
        r, c = random.integers(12, 45), random.integers(14, 62)
        cold[r : r + random.integers(2, 6), c : c + random.integers(2, 6)] += random.uniform(-1.0, 1.0)
    heat = np.zeros((ROWS, COLUMNS))
    heat[20:26, 20:28] = 6.0
    heat[35:38, 50:54] = 15.0
    shape = np.clip(1 - np.exp(-(TIMES - ON_S) / 3.0), 0, None)
    frames = ndimage.gaussian_filter(cold, blur) + shape[:, None, None] * ndimage.gaussian_filter(heat, blur)
    return frames + random.normal(0, noise, frames.shape)


def warnings_of(frames, **facts):
    recording = Recording.from_array(frames.astype(np.float32), TIMES, facts=Facts(**facts))
    still = Motion(np.tile(np.eye(3), (FRAMES, 1, 1)), frames[0], frames[:0], np.zeros(FRAMES), is_tripod=True)
    timing = Timing(on_s=Measured(ON_S, ON_S - 0.1, ON_S + 0.1))
    return judge_picture(recording, measure_camera(recording), still, timing, settings=PictureSettings())


@pytest.mark.parametrize("seed", range(8))
def test_a_good_recording_raises_no_warning(seed):
    log = (SupplyPoint(0.0, 0.0, 0.0), SupplyPoint(ON_S, 12.0, 0.4))
    assert warnings_of(scene(seed=seed), ambient_c=22.0, emissivity=0.95, supply=log) == ()


def test_saturation_below_the_end_of_the_format():
    said = warnings_of(np.minimum(scene(), 30.0))
    assert len(said) == 1
    assert "stuck at the highest value, 30.0 C: saturated, heat there is only a lower bound" in said[0]


def test_a_range_that_starts_above_the_room():
    said = warnings_of(np.maximum(scene(), 22.2))
    assert any("stuck at the lowest value, 22.2 C: wrong range" in text for text in said)


def test_whole_degrees_are_too_coarse():
    said = warnings_of(np.round(scene()))
    assert not any("stuck" in text for text in said)
    assert any("steps of 1 K: wrong range or a rounded export" in text for text in said)


def test_kelvin_read_as_celsius():
    said = warnings_of(scene() + 273.15)
    assert any("coolest part of the picture is at 295 C, which is no bench" in text for text in said)


def test_a_camera_that_is_warming_up():
    said = warnings_of(scene() + 0.06 * TIMES[:, None, None])
    assert any("drifts by +0.060 K/s before power-on: the camera is still warming up" in text for text in said)


def test_a_reflection_that_moves():
    swing = 0.8 * np.sin(2 * np.pi * TIMES / 3.0)
    frames = scene()
    frames[:, 20:34, 40:60] += swing[:, None, None]
    said = warnings_of(frames)
    assert len(said) == 1
    assert "a reflection that moves with someone nearby" in said[0]
    place = [float(word.rstrip(",")) for word in said[0].split() if word.rstrip(",").replace(".", "").isdigit()][:2]
    assert abs(place[0] - 50) <= 12
    assert abs(place[1] - 27) <= 9


def test_soft_focus():
    said = warnings_of(scene(blur=4.0))
    assert any("sharpest edges are blurred by" in text for text in said)


@pytest.mark.parametrize("blur", [1.0, 1.5, 2.5, 3.5])
def test_the_width_of_a_blurred_step_is_its_blur(blur):
    picture = np.zeros((80, 100))
    picture[20:60, 30:70] = 5.0
    width = edge_width_px(ndimage.gaussian_filter(picture, blur), 0.001, settings=PictureSettings(edge_reach_px=12))
    assert width == pytest.approx(blur, rel=0.06)


def test_glass_in_the_way():
    random = np.random.default_rng(4)
    frames = 23.0 + random.normal(0, 0.05, (FRAMES, ROWS, COLUMNS))
    log = (SupplyPoint(0.0, 0.0, 0.0), SupplyPoint(ON_S, 12.0, 0.4))
    said = warnings_of(frames, supply=log)
    assert any("nothing in the picture warms, though the supply log shows 4.8 W: glass" in text for text in said)


def test_an_emissivity_that_no_board_has():
    said = warnings_of(scene(), emissivity=0.3)
    assert len(said) == 1
    assert said[0].startswith("the sidecar says that emissivity 0.3 was applied")


def test_surroundings_hotter_than_all_that_was_seen():
    said = warnings_of(scene(), emissivity=0.9, reflected_c=90.0)
    assert any("says that 90 C is reflected, hotter than anything in the picture" in text for text in said)
    assert warnings_of(scene(), reflected_c=23.0, emissivity=0.95) == ()


def test_an_applied_emissivity_that_puts_a_cold_board_off_the_air():
    said = warnings_of(scene() + 7.0, emissivity=0.8, ambient_c=22.0)
    assert any("the emissivity or reflected temperature that the camera applied cannot be right" in t for t in said)


def test_an_honest_maximum_is_not_clipped():
    random = np.random.default_rng(0)
    flat = np.round(random.normal(23, 0.06, (100, 100)), 1)
    assert clipped(flat, 0.06, smallest_step(flat)) == (0, 0)
    assert clipped(np.minimum(random.normal(23, 1, (100, 100)), 23.5), 0.05)[0] > 1000
