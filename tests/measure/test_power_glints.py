"""Reflections that leave while a board warms are no power-off; a real one is."""

import numpy as np
import pytest
from made_plate import COLUMNS, ROWS, clock, plate_rise, record, timing_of

from thermscan.measure.power_cells import CellSeries
from thermscan.measure.power_glints import warms_on, without_cooling
from thermscan.model.quantity import Measured
from thermscan.model.settings import TimingSettings

SETTINGS = TimingSettings()


def cells_of(values):
    places = np.argwhere(np.ones((ROWS, COLUMNS), bool))
    times = np.arange(len(values)) * 0.1
    return CellSeries(times, values.reshape(len(values), -1), np.full(len(places), 0.03), places, 4.0, 1, 0.1)


def glint(times, *, leaves_s, lasts_s=1.5, kelvin=6.0):
    """Bare metal that mirrors somebody who walks away, row 4 to 6."""
    film = np.zeros((len(times), ROWS, COLUMNS))
    film[:, 4:7, 3:8] = (kelvin * np.clip((leaves_s + lasts_s - times) / lasts_s, 0, 1))[:, None, None]
    return film


@pytest.mark.parametrize("leaves_s", [1.2, 1.6])
def test_power_on_is_found_beside_a_reflection_that_leaves(leaves_s):
    times = clock(12.0)
    warm = plate_rise(times, [(16, 24, 4.0, [(2.0, 1.0)]), (15, 10, 3.0, [(2.3, 1.0)])])
    timing = timing_of(record(warm + glint(times, leaves_s=leaves_s), times))
    assert timing.on_s.value == pytest.approx(2.0, abs=0.6)
    assert timing.off_s is None


def test_a_reflection_that_leaves_while_a_board_warms_is_not_told_as_its_power_off():
    times = clock(12.0)
    warm = plate_rise(times, [(16, 24, 4.0, [(2.0, 1.0)]), (15, 10, 3.0, [(2.3, 1.0)])])
    timing = timing_of(record(warm + glint(times, leaves_s=2.6), times))
    assert timing.off_s is None
    assert not timing.on_why.startswith("on_before")


def test_a_fall_that_others_outlast_is_no_power_off_and_a_real_one_is():
    times = clock(12.0, 10.0)
    off = Measured(4.0, 3.9, 4.1)
    glinting = plate_rise(times, [(16, 24, 4.0, [(2.0, 1.0)])]) + glint(times, leaves_s=3.5, kelvin=3.0)
    assert warms_on(cells_of(glinting), off, np.inf, settings=SETTINGS)
    switched = plate_rise(times, [(16, 24, 4.0, [(0.5, 1.0), (4.0, 0.0)])])
    assert not warms_on(cells_of(switched), off, np.inf, settings=SETTINGS)


def test_what_only_cools_is_left_out():
    times = clock(12.0, 10.0)
    rest = without_cooling(cells_of(plate_rise(times, [(16, 24, 4.0, [(2.0, 1.0)])]) + glint(times, leaves_s=3.5)))
    kept = {tuple(p) for p in rest.places}
    assert (5, 5) not in kept
    assert (16, 24) in kept
    assert without_cooling(cells_of(plate_rise(times, [(16, 24, 4.0, [(2.0, 1.0)])]))) is None
