"""The three-dimensional decomposition and NETD against noise put in on purpose."""

import numpy as np
import pytest

from thermscan.calibrate.noise import calibrate_noise, calibrate_shutter, noise_parts
from thermscan.model.errors import InputError
from thermscan.model.recording import Recording

PUT_IN = {"tvh": 0.05, "tv": 0.03, "th": 0.02, "vh": 0.08, "t": 0.10, "v": 0.06, "h": 0.04}


def cube(put_in, *, seed=1, shape=(150, 96, 128)):
    random = np.random.default_rng(seed)
    t, v, h = shape
    sizes = {"tvh": (t, v, h), "tv": (t, v, 1), "th": (t, 1, h), "vh": (1, v, h), "t": (t, 1, 1), "v": (1, v, 1),
             "h": (1, 1, h)}  # fmt: skip
    return 30.0 + sum(sigma * random.standard_normal(sizes[name]) for name, sigma in put_in.items())


def test_all_seven_parts_are_told_apart():
    found = noise_parts(cube(PUT_IN))
    for name, sigma in PUT_IN.items():
        # t, v and h come from about a hundred numbers each: their own sampling error is 7 %
        assert np.sqrt(getattr(found, name)) == pytest.approx(sigma, rel=0.2 if len(name) == 1 else 0.05), name


def test_white_noise_has_no_other_part():
    found = noise_parts(cube({"tvh": 0.05}))
    assert np.sqrt(found.tvh) == pytest.approx(0.05, rel=0.005)
    assert all(np.sqrt(getattr(found, name)) < 0.004 for name in ("tv", "th", "vh", "t", "v", "h"))


def test_netd_of_known_noise():
    # Definition behind ASTM E1543: noise over signal transfer, here 1 K/K; 0.05 K in 200 frames of 64 x 64.
    frames = 300 - 273.15 + np.random.default_rng(2).normal(0, 0.05, (200, 64, 64))
    found = calibrate_noise(Recording.from_array(frames, np.arange(200) / 10), date="2026-01-05", method="made")
    assert found.netd_mk == pytest.approx(50.0, rel=0.005)
    assert abs(found.drift_k_per_min) < 0.05


def test_drift_is_a_slope_of_the_frames():
    times = np.arange(100) / 5
    frames = np.full((100, 20, 20), 25.0) + (0.5 / 60) * times[:, None, None]
    frames += np.random.default_rng(3).normal(0, 0.01, frames.shape)
    found = calibrate_noise(Recording.from_array(frames, times), date="2026-01-05", method="made")
    assert found.drift_k_per_min == pytest.approx(0.5, rel=0.05)


def test_shutter_corrections_are_measured_and_do_not_hide_the_drift():
    # 0.6 K/min upwards, taken back by a correction every 20 s.
    times = np.arange(320) / 4
    level = 25.0 + 0.01 * (times % 20.0)
    frames = level[:, None, None] + np.random.default_rng(5).normal(0, 0.03, (320, 16, 20))
    recording = Recording.from_array(frames.astype(np.float32), times)
    found = calibrate_shutter(recording, date="2026-01-05")
    assert found.interval_s == pytest.approx(20.0, abs=0.3)
    assert found.step_k == pytest.approx(0.2, abs=0.02)
    noise = calibrate_noise(recording, date="2026-01-05", method="made")
    assert noise.drift_k_per_min == pytest.approx(0.6, rel=0.05)
    assert calibrate_shutter(recording.between(0, 60), date="2026-01-05") is None


def test_what_is_no_even_scene_is_refused():
    frames = np.random.default_rng(4).normal(25, 0.05, (20, 30, 40))
    frames[:, :, 20:] += 12.0
    with pytest.raises(InputError) as caught:
        calibrate_noise(Recording.from_array(frames, np.arange(20.0)), date="2026-01-05", method="made")
    assert str(caught.value) == (
        "made: the scene is not even: 12.2 K from its coolest to its warmest hundredth; film a plate of one "
        "temperature that fills the picture"
    )


@pytest.mark.parametrize(("frames", "unit", "problem"), [(2, "celsius", "holds 2 frames"), (20, "count", "counts")])
def test_too_little_for_noise(frames, unit, problem):
    recording = Recording.from_array(np.ones((frames, 8, 8)), np.arange(float(frames)), unit=unit)
    with pytest.raises(InputError, match=problem):
        calibrate_noise(recording, date="2026-01-05", method="made")
