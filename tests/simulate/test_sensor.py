"""The sensor adds what it says, no more, and the same every time."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.physics.radiation import band_radiance
from thermscan.simulate.sensor import MadeStore, SensorFaults, draw_sensor, drop_frames

TIMES = np.arange(0, 10, 0.1)


def sensor(**faults):
    quiet = {"row_noise_k": 0.0, "pixel_pattern_k": 0.0, "column_pattern_k": 0.0, "column_drift_k": 0.0}
    quiet |= {"pixel_drift_k": 0.0, "drift_k": 0.0, "bad_share": 0.0, "noise_k": 0.0}
    faults = SensorFaults(**{**quiet, **faults})
    return draw_sensor(np.random.default_rng(4), TIMES, resolution=(60, 40), faults=faults)


def expose(made, frames):
    celsius = np.full((40, 60), 25.0, np.float32)
    counts = np.array([made.expose(celsius, i, 9) for i in frames], float)
    return counts * made.scale_k + made.offset_count_k - 273.15


def test_plain_sensor_only_rounds_to_counts():
    assert expose(sensor(), [0, 5]) == pytest.approx(25.0, abs=0.0051)


def test_camera_that_has_applied_an_emissivity():
    # Apparent 60 C, emissivity 0.90, surroundings 22 C, 8 to 14 um: 63.6103 C (two-term radiance balance).
    made = replace(sensor(), emissivity_set=0.9, reflected_set_c=22.0)
    assert made.temperature(band_radiance(np.array([60.0]))) == pytest.approx(63.6103, abs=2e-3)
    assert sensor().temperature(band_radiance(np.array([60.0]))) == pytest.approx(60.0, abs=1e-3)


def test_store_gives_counts_or_degrees():
    made = np.arange(12, dtype=np.uint16).reshape(3, 4) + 14000
    for unit, expected in (("count", 14005.0), ("celsius", 14005 * 0.02 + 10.0 - 273.15)):
        store = MadeStore((2, 3, 4), lambda _: made, scale_k=0.02, offset_k=10.0, unit=unit)
        frames = store.read(0, 5)
        assert frames.shape == (2, 3, 4)
        assert frames.dtype == np.float32
        assert frames[1, 1, 1] == pytest.approx(expected, abs=1e-4)


def test_noise_has_its_size_and_is_the_same_again():
    made = sensor(noise_k=0.08)
    frames = expose(made, range(60))
    assert np.median(frames.std(axis=0, ddof=1)) == pytest.approx(0.08, rel=0.05)
    assert np.array_equal(frames[7], expose(made, [7])[0])
    # neighbours in time and place are independent: correlation under 4 / sqrt(n)
    left, right = frames[:, :, :-1].ravel() - 25, frames[:, :, 1:].ravel() - 25
    assert abs(np.corrcoef(left, right)[0, 1]) < 4 / np.sqrt(left.size)


def test_fixed_pattern_stays_and_stripes_wander():
    fixed = expose(sensor(pixel_pattern_k=0.1), [0, 90])
    assert fixed[0].std() == pytest.approx(0.1, rel=0.1)
    assert np.array_equal(fixed[0], fixed[1])
    moving = expose(sensor(column_drift_k=0.2), [0, 90])
    change = moving[1] - moving[0]
    assert change.std() > 0.05
    assert np.ptp(change, axis=0).max() < 0.011


def test_events_freeze_and_step():
    seeds = (np.random.default_rng(s) for s in range(30))
    drawn = [draw_sensor(r, TIMES, resolution=(8, 6), faults=SensorFaults(events=True, drift_k=0.0)) for r in seeds]
    made = next(d for d in drawn if any(e[0] == "offset_step" for e in d.events))
    at = next(e[1] for e in made.events if e[0] == "offset_step")
    assert made.source_frame[at - 1] < at - 1
    assert made.offset_k[at] != made.offset_k[at - 1]


def test_dropped_frames_leave_a_gap_in_time():
    times, events = drop_frames(np.random.default_rng(1), TIMES, runs=2)
    assert len(times) < len(TIMES)
    for word, frame, missing in events:
        assert word == "dropped"
        assert times[frame] - times[frame - 1] == pytest.approx(0.1 * (missing + 1))
