"""A supply that tries again and again, against exact answers of first-order bodies."""

import numpy as np
import pytest

from thermscan.measure.power_courses import Courses
from thermscan.measure.power_edges import TIME_CONSTANTS_S
from thermscan.measure.power_train import Train, run_responses
from thermscan.measure.power_tries import begins_cold, find_tries, with_tries
from thermscan.model.quantity import Measured
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import Timing

SETTINGS = TimingSettings()
TIMES_S = np.arange(0.0, 10.0, 0.1)


def courses_of(runs, *, seed=0):
    """Two courses of unit noise, a fast and a slow body, switched on and off; each seen at cells of its own."""
    levels = []
    for tau, height in ((0.7, 60.0), (2.5, 80.0)):
        moments = [(m, sign) for run in runs for m, sign in zip(run, (1, -1), strict=True)]
        parts = [sign * -np.expm1(-np.clip(TIMES_S - m, 0, None) / tau) for m, sign in moments]
        levels.append(height * np.sum([np.zeros(len(TIMES_S)), *parts], axis=0))
    values = np.stack(levels, axis=1) + np.random.default_rng(seed).normal(0, 1, (len(TIMES_S), 2))
    maps = np.array([[0.8, 0.6, 0.0, 0.0], [0.0, 0.0, 0.8, 0.6]])
    return Courses(TIMES_S, values, maps, np.ones(2), np.zeros(2), np.arange(8).reshape(4, 2))


def tries(count, period_s, run_s, first_s=1.53):
    return [(first_s + i * period_s, first_s + i * period_s + run_s) for i in range(count)]


def test_answers_of_runs_are_sums_of_steps():
    runs = np.array(tries(3, 1.3, 0.4))
    since = np.clip(TIMES_S[:, None, None] - runs.ravel()[None, :, None], 0, None)
    steps = -np.expm1(-since / TIME_CONSTANTS_S) * np.array([1, -1] * 3)[None, :, None]
    np.testing.assert_allclose(run_responses(TIMES_S, runs), steps.sum(axis=1), atol=1e-9)


@pytest.mark.parametrize(("count", "period_s", "run_s"), [(4, 1.9, 0.6), (6, 1.2, 0.5)])
def test_tries_are_counted_and_timed(count, period_s, run_s):
    found = find_tries(courses_of(tries(count, period_s, run_s)), settings=SETTINGS)
    assert found is not None
    timing = with_tries(Timing(), found, TIMES_S, settings=SETTINGS)
    assert (found.count, timing.restarts, len(timing.power_ups)) == (count, count - 1, count)
    assert found.run_s == pytest.approx(run_s, abs=0.1)
    assert found.pause_s == pytest.approx(period_s - run_s, abs=0.1)
    for up, (on, off) in zip(timing.power_ups, tries(count, period_s, run_s), strict=True):
        assert up.on_s.low <= on <= up.on_s.high
        assert up.off_s.low <= off <= up.off_s.high
    assert f": {count} times, each on for" in timing.warnings[0]


@pytest.mark.parametrize(
    "runs", [[(1.5, 99.0)], [(1.5, 6.2)], [(1.5, 3.0), (6.0, 7.7)], [(1.5, 99.0), (3.1, 99.0)], []]
)
def test_no_tries_are_made_up_of_fewer_runs(runs):
    assert find_tries(courses_of(runs), settings=SETTINGS) is None


def test_sway_that_was_there_before_is_no_try():
    courses = courses_of([(1.5, 6.2)])
    sway = 8.0 * np.sin(2 * np.pi * TIMES_S / 1.4)
    courses.values[:] += sway[:, None]
    assert find_tries(courses, settings=SETTINGS) is None


def test_tries_too_fast_for_the_frames_are_told_and_not_counted():
    found = find_tries(courses_of(tries(15, 0.55, 0.3)), settings=SETTINGS)
    assert found is not None
    timing = with_tries(Timing(restarts=0), found, TIMES_S, settings=SETTINGS)
    assert timing.restarts is None
    assert "the supply tries again and again, faster than about 0.6 s" in timing.warnings[0]


@pytest.mark.parametrize(("first_s", "cold"), [(1.53, False), (0.4, True)])
def test_tries_that_begin_before_anything_warms_are_told_from_those_that_do_not(first_s, cold):
    # pulses 1.13 s apart, taken for tries of twice the period
    courses = courses_of(tries(8, 1.13, 0.2))
    train = Train(first_s, 2.26, 1.5, 4)
    begun = Measured(1.6, 1.5, 1.7)
    assert begins_cold(courses, train, begun, settings=SETTINGS) == cold
