"""Noise, bad pixels and camera events, on recordings whose truth is known because they are made here."""

import numpy as np
import pytest

from thermscan.measure.camera_steps import runs_of
from thermscan.measure.noise import measure_camera, single_frame_noise, trimmed_factor, trimmed_mean_square
from thermscan.model.recording import Recording


def scene(rows=60, columns=80):
    y, x = np.mgrid[:rows, :columns]
    return 24 + 2 * np.exp(-((x - 30) ** 2 + (y - 25) ** 2) / 60) + 0.5 * ((x // 12 + y // 9) % 2)


def film(frames=80, noise=0.05, seed=1, rows=60, columns=80):
    rng = np.random.default_rng(seed)
    return scene(rows, columns) + rng.normal(0, noise, (frames, rows, columns))


def measure(frames, times=None):
    times = np.arange(len(frames)) * 0.1 if times is None else times
    return measure_camera(Recording.from_array(np.asarray(frames, np.float32), times))


def kinds(state):
    return {e.kind for e in state.events}


def test_trimmed_factor_is_the_truncated_normal_variance():
    # scipy.stats.truncnorm is the independent reference.
    from scipy.stats import norm, truncnorm

    edge = norm.ppf(0.9)
    assert trimmed_factor(0.8) == pytest.approx(truncnorm(-edge, edge).var(), rel=1e-9)


def test_trimmed_mean_square_ignores_a_tenth_of_outliers():
    rng = np.random.default_rng(2)
    samples = rng.normal(0, 3.0, (200, 500))
    samples[:20] += 100
    # keeping 80 % of all is keeping 89 % of the good ones: 17 % too much, whatever the size of the outliers
    expected = 3.0 * np.sqrt(trimmed_factor(8 / 9) / trimmed_factor(0.8))
    assert np.sqrt(trimmed_mean_square(samples, kept=0.8).mean()) == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("frames", [2, 3, 5, 12, 80])
def test_noise_of_few_and_many_frames(frames):
    assert measure(film(frames)).noise_median == pytest.approx(0.05, rel=0.08)


def test_one_frame_gives_an_upper_bound():
    assert 0.045 < single_frame_noise(film(1)[0]) < 0.08


def test_noise_survives_heating_steps_and_jitter():
    frames = film(120)
    heat = np.exp(-((np.mgrid[:60, :80] - np.array([25, 30])[:, None, None]) ** 2).sum(axis=0) / 40)
    frames += np.clip(np.arange(120) - 40, 0, None)[:, None, None] * 0.3 * heat
    frames[60:] += 0.8
    assert measure(frames).noise_median == pytest.approx(0.05, rel=0.08)


def test_offset_step_is_found_where_it_is_and_taken_out():
    frames = film(60)
    frames[33:] += 0.4
    state = measure(frames)
    assert [e.frame for e in state.events if e.kind == "offset_step"] == [33]
    assert state.offset[32] == 0
    assert state.offset[-1] == pytest.approx(0.4, abs=0.02)


def test_power_on_that_warms_everything_is_not_a_step():
    frames = film(60)
    seconds = np.clip(np.arange(60) * 0.1 - 3, 0, None)
    frames += (8 * (1 - np.exp(-seconds / 2)))[:, None, None] * (0.6 + 0.4 * (scene() > 24.4))
    assert "offset_step" not in kinds(measure(frames))


def test_frozen_frames_are_not_usable_and_their_noise_does_not_count():
    frames = film(60)
    frames[20:24] = frames[19]
    state = measure(frames)
    assert list(np.flatnonzero(~state.usable)) == [20, 21, 22, 23]
    assert state.noise_median == pytest.approx(0.05, rel=0.08)


def test_blank_and_missing_frames_are_not_usable():
    frames = film(40)
    frames[10] = 24.0
    frames[15] = np.nan
    state = measure(frames)
    assert list(np.flatnonzero(~state.usable)) == [10, 15]


def test_gaps_in_time_are_dropped_frames():
    times = np.arange(40) * 0.1
    times[25:] += 0.3
    dropped = [e for e in measure(film(40), times).events if e.kind == "dropped"]
    assert [(e.frame, e.frames) for e in dropped] == [(25, 3)]


def test_bad_pixels_are_found_and_a_small_hot_part_is_not_one():
    frames = film(80)
    frames[:, 5, 7] += 3
    frames[:, 40, 60] = 24.0
    frames[:, 50, 9] += np.random.default_rng(5).normal(0, 0.6, 80)
    frames[:, 3, 3] = np.nan
    y, x = np.mgrid[:60, :80]
    part = np.exp(-((x - 60) ** 2 + (y - 20) ** 2) / (2 * 0.6**2))  # one pixel wide, through optics of 0.6 px
    frames += np.clip(np.arange(80) - 30, 0, None)[:, None, None] * 0.2 * part
    frames += 2.0 * np.exp(-((x - 20) ** 2 + (y - 50) ** 2) / (2 * 0.6**2))  # warm throughout
    bad = measure(frames).bad
    assert {tuple(p) for p in np.argwhere(bad)} == {(5, 7), (40, 60), (50, 9), (3, 3)}


def test_column_noise_is_told_from_pixel_noise():
    frames = film(80)
    frames += np.random.default_rng(4).normal(0, 0.04, (80, 1, 80))
    state = measure(frames)
    assert state.column_noise == pytest.approx(0.04, rel=0.15)
    assert state.row_noise < 0.01
    assert "stripes" in kinds(state)


def test_clean_recordings_have_no_events():
    found = [e.kind for seed in range(10) for e in measure(film(40, seed=seed)).events]
    assert found == []


def test_inputs_are_left_alone():
    frames = np.asarray(film(12), np.float32)
    frames.setflags(write=False)
    before = frames.copy()
    measure(frames)
    np.testing.assert_array_equal(frames, before)


def test_runs():
    assert runs_of(np.array([1, 1, 0, 1], bool)) == [(0, 2), (3, 4)]
    assert runs_of(np.array([], bool)) == []
