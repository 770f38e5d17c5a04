"""The beginning of a warming before the moment that explains most of it."""

import numpy as np
import pytest

from thermscan.measure.power_courses import Courses
from thermscan.measure.power_moment import SlopeMaps
from thermscan.measure.power_onset import earlier_onset
from thermscan.model.settings import TimingSettings

SETTINGS = TimingSettings()
TIMES_S = np.arange(0, 8, 0.08)
FOUND_S = 3.6
CELLS = 40


def courses_of(begun, *, drift=(0.0, 0.0), elsewhere=False, seed=0):
    """Return three courses of unit noise over 40 cells: what begins, at cells that warm on or elsewhere, and drift."""
    random = np.random.default_rng(seed)
    maps = np.linalg.qr(random.normal(size=(CELLS, 3)))[0].T
    since = TIMES_S - TIMES_S[0]
    values = random.normal(size=(len(TIMES_S), 3))
    values[:, 1 if elsewhere else 0] += begun
    values[:, 2] += drift[0] * since + drift[1] * since**2
    warms = SlopeMaps(8.0 * maps[0], np.ones(CELLS))
    return Courses(TIMES_S, values, maps, np.ones(3), np.zeros(3), np.zeros((CELLS, 2), int)), warms


def quick(onset_s, size=20.0):
    """The answer of a small part: first order, 0.5 s."""
    return size * -np.expm1(-np.clip(TIMES_S - onset_s, 0, None) / 0.5)


@pytest.mark.parametrize("onset_s", [1.6, 2.2, 2.6])
@pytest.mark.parametrize("seed", range(3))
def test_a_quick_part_that_warms_first_gives_the_onset(onset_s, seed):
    courses, maps = courses_of(quick(onset_s), drift=(1.0, -0.3), seed=seed)
    found = earlier_onset(courses, FOUND_S, -np.inf, maps, settings=SETTINGS)
    assert found == pytest.approx(onset_s, abs=0.25)


def test_drift_cooling_and_noise_give_none():
    found = [
        earlier_onset(
            courses_of(0.0 * TIMES_S, drift=(a, b), seed=seed)[0],
            FOUND_S,
            -np.inf,
            courses_of(0.0 * TIMES_S, seed=seed)[1],
            settings=SETTINGS,
        )
        for seed in range(40)
        for a, b in ((0.0, 0.0), (4.0, -0.6))
    ]
    assert all(f is None for f in found)


def test_what_begins_where_nothing_warms_later_gives_none():
    courses, maps = courses_of(quick(2.2), elsewhere=True)
    assert earlier_onset(courses, FOUND_S, -np.inf, maps, settings=SETTINGS) is None


def test_nothing_before_the_moment_before_is_looked_at():
    courses, maps = courses_of(quick(1.6))
    assert earlier_onset(courses, FOUND_S, 2.9, maps, settings=SETTINGS) is None  # too few samples are left
