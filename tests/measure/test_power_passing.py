"""What passes through the picture is taken out of the cells; what the board does stays."""

import numpy as np
import pytest

from thermscan.measure.power_cells import CellSeries
from thermscan.measure.power_passing import bridged, find_passing, visit_spans
from thermscan.model.settings import TimingSettings

SETTINGS = TimingSettings()
ROWS, COLUMNS, STEP_S = 12, 16, 0.1
TIMES_S = np.arange(0, 10, STEP_S)
NO_BREAKS = np.zeros(0)


def cells_of(film, noise=0.02):
    places = np.argwhere(np.ones((ROWS, COLUMNS), bool))
    values = film.reshape(len(film), -1) + np.random.default_rng(5).normal(0, noise, (len(film), len(places)))
    return CellSeries(TIMES_S, values, np.full(len(places), noise), places, 4.0, 1, STEP_S)


def heated(on_s=2.0, off_s=8.0, tau_s=3.0):
    """One part that warms by a lumped body's curve, exp(-t/tau), and cools again."""
    film = np.zeros((len(TIMES_S), ROWS, COLUMNS))
    since_on, since_off = np.maximum(TIMES_S - on_s, 0), TIMES_S - off_s
    rise = 5 * (1 - np.exp(-since_on / tau_s))
    fall = 5 * (1 - np.exp(-(off_s - on_s) / tau_s)) * np.exp(-since_off / tau_s)
    film[:, 5:7, 8:10] = np.where(since_off < 0, rise, fall)[:, None, None]
    return film


def hand(film, *, begin_s, stay_s, depth):
    """A warm block that comes in from the left rim to ``depth`` cells and goes back."""
    out = film.copy()
    for i, t in enumerate(TIMES_S):
        share = np.sin(np.pi * (t - begin_s) / stay_s) if begin_s < t < begin_s + stay_s else 0
        if share > 0:
            out[i, 3:8, : max(1, round(depth * share))] = 9.0
    return out


def without_visitors(cells):
    return bridged(cells, find_passing(cells, NO_BREAKS, settings=SETTINGS)[0])


@pytest.mark.parametrize("begin_s", [0.6, -0.7, 7.5])
def test_the_span_of_a_visit_is_told_also_where_it_is_there_from_the_start(begin_s):
    cells = cells_of(hand(heated(), begin_s=begin_s, stay_s=1.6, depth=7))
    ((start, stop),) = visit_spans(cells, find_passing(cells, NO_BREAKS, settings=SETTINGS)[1], settings=SETTINGS)
    assert start == pytest.approx(max(begin_s, 0.0), abs=0.35)
    assert stop == pytest.approx(min(begin_s + 1.6, 10.0), abs=0.35)


def test_what_drifts_before_a_visitor_comes_is_not_the_visitor():
    # the board falls behind the mean of the picture by 0.15 K a second, seconds before and after a hand
    film = heated() - 0.15 * TIMES_S[:, None, None]
    cells = cells_of(hand(film, begin_s=4.0, stay_s=1.6, depth=7))
    passed, _ = find_passing(cells, NO_BREAKS, settings=SETTINGS)
    assert not passed[TIMES_S < 3.6].any()
    there = passed.reshape(-1, ROWS, COLUMNS)[np.abs(TIMES_S - 4.8) < 0.4, 4:7, :3]
    assert there.all()


def test_a_step_of_the_camera_is_no_visitor_and_does_not_hide_one():
    film, random = heated(), np.random.default_rng(7)
    stepped = film + 0.4 * (TIMES_S > 3.05)[:, None, None] * random.normal(0, 1, (ROWS, COLUMNS))
    _, reaching = find_passing(cells_of(stepped), np.array([3.1]), settings=SETTINGS)
    assert not reaching.any()
    cells = cells_of(hand(stepped, begin_s=1.2, stay_s=1.6, depth=7))
    ((start, stop),) = visit_spans(cells, find_passing(cells, np.array([3.1]), settings=SETTINGS)[1], settings=SETTINGS)
    assert start == pytest.approx(1.2, abs=0.35)
    assert stop == pytest.approx(2.8, abs=0.35)


@pytest.mark.parametrize("stay_s", [0.8, 1.5, 3.0])
def test_a_hand_is_bridged(stay_s):
    quiet = heated()
    found = without_visitors(cells_of(hand(quiet, begin_s=4.5, stay_s=stay_s, depth=7)))
    left = found.values - quiet.reshape(len(quiet), -1)
    assert np.abs(left).max() < 0.5


def test_heat_of_the_board_is_left_alone():
    cells = cells_of(heated())
    assert without_visitors(cells) is cells


def test_heat_at_the_rim_that_comes_and_goes_with_the_power_is_left_alone():
    film = np.roll(heated(on_s=2.0, off_s=4.0, tau_s=0.8), -8, axis=2)
    cells = cells_of(film)
    assert without_visitors(cells) is cells


def test_a_step_that_stays_is_left_alone():
    film = heated()
    film[TIMES_S > 5, 0:4, 0:4] += 6
    cells = cells_of(film)
    assert without_visitors(cells) is cells
