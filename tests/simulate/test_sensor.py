"""The sensor adds what it says, no more, and the same every time."""

import numpy as np
import pytest

from thermscan.simulate.sensor import SensorFaults, draw_sensor, drop_frames

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
