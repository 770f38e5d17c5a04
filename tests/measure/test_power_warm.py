"""Places that warm with the power, and boards that had warmed before it, on made courses."""

import numpy as np
import pytest

from thermscan.measure.power_cells import CellSeries
from thermscan.measure.power_warm import has_warmed, warming_places
from thermscan.model.quantity import Measured
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import PowerUp, Timing

SETTINGS = TimingSettings()
ROWS, COLUMNS, NOISE_K, CELL_PX = 20, 30, 0.03, 3.0
TIMES = np.arange(0.0, 12.0, 0.1)


def series(courses, *, seed=0, rows=ROWS, columns=COLUMNS):
    """Cells of noise, with courses, {(row, column): ndarray (samples,) K}, on top."""
    values = np.random.default_rng(seed).normal(0, NOISE_K, (len(TIMES), rows * columns))
    for (row, column), course in courses.items():
        values[:, row * columns + column] += course
    places = np.array([(r, c) for r in range(rows) for c in range(columns)])
    return CellSeries(TIMES, values, np.full(rows * columns, NOISE_K), places, CELL_PX, 1, 0.1)


def rise(on_s, size_k, course_s=2.0):
    return size_k * -np.expm1(-np.maximum(TIMES - on_s, 0.0) / course_s)


def at(value):
    return Measured(value, value - 0.1, value + 0.1)


def block(course, row=4, column=6, side=4):
    return {(row + i, column + j): course for i in range(side) for j in range(side)}


def on(value, off=None):
    ups = (PowerUp(at(value), None if off is None else at(off)),)
    return Timing(on_s=at(value), power_ups=ups)


@pytest.mark.parametrize("seed", range(5))
def test_what_warms_with_the_power_is_told_from_what_is_warm_sways_or_drifts(seed):
    random = np.random.default_rng(seed)
    sways = 3.0 * np.sin(2 * np.pi * (TIMES / random.uniform(1.0, 3.0) + random.uniform()))
    cup = dict.fromkeys(block(None, row=12, column=20), 5.0 - 0.1 * TIMES + sways)
    found = warming_places(series({**block(rise(4.0, 2.0)), **cup}, seed=seed), on(4.0), settings=SETTINGS)
    cells = (found + 0.5) / CELL_PX - 0.5
    assert len(found) == 16
    assert cells[:, 0].min() == 6  # x is the column, y the row
    assert cells[:, 1].max() == 7


def test_cooling_after_the_power_off_does_not_hide_what_warmed():
    course = rise(2.0, 3.0) * np.where(TIMES < 6.0, 1.0, np.exp(-(TIMES - 6.0)))
    assert len(warming_places(series(block(course)), on(2.0, 6.0), settings=SETTINGS)) == 16


def test_places_are_told_without_a_power_on_where_they_warm_from_the_first_frame():
    cells = series(block(rise(-1.0, 4.0)))
    assert len(warming_places(cells, Timing(on_why="on_before_recording"), settings=SETTINGS)) == 16


@pytest.mark.parametrize("courses", [{}, {(3, 3): rise(4.0, 2.0)}])
def test_noise_or_single_cells_tell_no_places(courses):
    assert not len(warming_places(series(courses), on(4.0), settings=SETTINGS))
    assert not len(warming_places(None, on(4.0), settings=SETTINGS))


@pytest.mark.parametrize("moment", [0.5, 2.0, 4.5])
def test_a_board_that_warms_from_the_first_frame_on_was_on_before(moment):
    later = np.where(moment < TIMES, 1.0, 0.0)
    cells = series({**block(rise(-2.0, 6.0, 5.0)), **block(later, row=14, column=2)})
    assert has_warmed(cells, at(moment), None, settings=SETTINGS)


@pytest.mark.parametrize(
    "before",
    [
        np.zeros(len(TIMES)),
        -0.05 * TIMES,  # left heat that goes
        0.04 * TIMES,  # drift: far less than what comes after
    ],
)
@pytest.mark.parametrize("off_s", [None, 7.0])
def test_a_calm_board_was_not_on_before(before, off_s):
    course = rise(4.0, 4.0)
    if off_s is not None:  # and is cold again at the end of the recording
        course = np.where(off_s > TIMES, course, course * np.exp(-2 * (TIMES - off_s)))
    cells = series(block(course + before))
    assert not has_warmed(cells, at(4.0), None if off_s is None else at(off_s), settings=SETTINGS)


def test_a_power_on_that_was_found_late_is_not_called_on_before():
    assert not has_warmed(series(block(rise(3.0, 4.0))), at(4.2), None, settings=SETTINGS)


@pytest.mark.parametrize(("left_k", "was_on"), [(3.0, False), (0.0, True)])
def test_what_an_earlier_run_has_left_spreads_and_is_no_power(left_k, was_on):
    # it flows from the part that was hot into its neighbours, and the power that comes at 3 s keeps these warming
    spreads = rise(0.0, 2.0, 5.0)
    hot = rise(3.0, 6.0, 0.2) + left_k * np.exp(-np.maximum(TIMES, 0.0) / 2.0)
    cells = series({**block(spreads, row=8, column=10), **block(hot)})
    assert has_warmed(cells, at(3.0), None, settings=SETTINGS) == was_on
