"""Places that turn from warming to cooling show that the power went, against exact first-order pulses."""

import numpy as np
import pytest

from thermscan.measure.power_courses import Courses
from thermscan.measure.power_turns import count_bursts, find_turns
from thermscan.model.settings import TimingSettings

SETTINGS = TimingSettings()
TIMES_S = np.arange(0.0, 9.0, 0.1)
RUNS = ((2.0, 2.5), (4.0, 4.5), (6.0, 6.5))


def heated(runs, tau_s, *, drift=0.0, seed=0):
    """One course of unit noise: a body of first order that is switched on and off."""
    level = np.zeros(len(TIMES_S))
    for moments in runs:
        for moment, sign in zip(moments, (1, -1), strict=True):
            level += sign * 100.0 * -np.expm1(-np.clip(TIMES_S - moment, 0, None) / tau_s)
    values = level + drift * TIMES_S + np.random.default_rng(seed).normal(0, 1.0, len(TIMES_S))
    ones = np.ones(1)
    return Courses(TIMES_S, values[:, None], np.ones((1, 1)), ones, 0 * ones, np.zeros((1, 2), int))


@pytest.mark.parametrize("tau_s", [0.5, 2.0])
def test_every_try_that_is_not_known_is_found(tau_s):
    turns = find_turns(heated(RUNS, tau_s), np.ones(1), 2.0, (2.0,), settings=SETTINGS)
    np.testing.assert_allclose(turns, [2.5, 4.0, 4.5, 6.0, 6.5], atol=0.25)


def test_known_moments_are_not_found_again():
    known = tuple(m for run in RUNS for m in run)
    assert find_turns(heated(RUNS, 0.5), np.ones(1), 2.0, known, settings=SETTINGS) == ()


@pytest.mark.parametrize("seed", range(5))
def test_a_board_that_stays_on_never_turns(seed):
    runs = ((2.0, 99.0),)
    assert find_turns(heated(runs, 0.5, drift=-0.2, seed=seed), np.ones(1), 2.0, (2.0,), settings=SETTINGS) == ()


def steps(runs, taus_s, *, seed=0):
    """A body of several time constants, switched on and off; noise of a hundredth."""
    level = np.zeros(len(TIMES_S))
    for tau in taus_s:
        for moments in runs:
            for moment, sign in zip(moments, (1, -1), strict=True):
                level += sign * 100.0 * -np.expm1(-np.clip(TIMES_S - moment, 0, None) / tau)
    values = level + np.random.default_rng(seed).normal(0, 1.0, len(TIMES_S))
    return Courses(TIMES_S, values[:, None], np.ones((1, 1)), np.ones(1), np.zeros(1), np.zeros((1, 2), int))


@pytest.mark.parametrize("seed", range(5))
def test_each_try_is_a_burst(seed):
    rising = steps(RUNS, (1.5, 30.0), seed=seed)
    assert count_bursts(rising, np.ones(1), 2.0, settings=SETTINGS) == 3


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("taus_s", [(0.3,), (1.0, 30.0), (8.0,)])
def test_constant_power_is_one_burst(seed, taus_s):
    rising = steps(((2.0, 99.0),), taus_s, seed=seed)
    assert count_bursts(rising, np.ones(1), 2.0, settings=SETTINGS) <= 1
