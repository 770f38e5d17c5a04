"""Power-ons brought into line on plates whose warm-up follows from the exact solution of the heat equation."""

from dataclasses import replace

import numpy as np
import pytest
from made_plate import COLUMNS, ROWS, clock, plate_rise

from thermscan.measure.power_alignment import aligned
from thermscan.measure.power_cells import CellSeries
from thermscan.measure.power_shift import board_courses, shift_between
from thermscan.model.board import Board
from thermscan.model.quantity import Measured
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import PowerUp, Timing

SETTINGS = TimingSettings()
BOARD = Board.rectangle(COLUMNS, ROWS, name="invented plate")
TO_PX = np.array([[1.0, 0.0, -0.5], [0.0, -1.0, ROWS - 0.5], [0.0, 0.0, 1.0]])
PLACES = ((5, 6), (8, 24), (18, 9), (17, 26), (12, 16))
NOISE = 0.03


def told(on_s, half_s=0.15, **more):
    on = Measured(on_s, on_s - half_s, on_s + half_s)
    return Timing(on, power_ups=(PowerUp(on, None),), restarts=0, **more)


def board(on_s, *, told_s, seed, powers=None, extra=(), **more):
    """A board that is switched on at ``on_s`` and whose recording tells ``told_s``; its parts' powers vary by 15 %."""
    times, random = clock(11.0, 10.0), np.random.default_rng(seed)
    powers = 3.0 * np.exp(random.normal(0, 0.15, len(PLACES))) if powers is None else powers
    sources = [(*at, w, [(on_s, 1.0)]) for at, w in zip(PLACES, powers, strict=True)]
    film = plate_rise(times, [*sources, *extra]) + random.normal(0, NOISE, (len(times), ROWS, COLUMNS))
    places = np.argwhere(np.ones((ROWS, COLUMNS), bool))
    cells = CellSeries(
        times, film.reshape(len(times), -1), np.full(len(places), NOISE), places, cell_px=1.0, frames_a_sample=1,
        frame_s=0.1,
    )  # fmt: skip
    return board_courses(cells, TO_PX, BOARD, told(told_s, **more), settings=SETTINGS)


def test_the_shift_between_two_boards_is_found_and_its_error_covers_it():
    errors, inside = [], 0
    for seed in range(12):
        lag = np.random.default_rng(seed).uniform(-1.5, 1.5)
        first = board(3.0, told_s=3.0, seed=2 * seed)
        shift = shift_between(first, board(3.0, told_s=3.0 + lag, seed=2 * seed + 1), settings=SETTINGS)
        errors.append(shift.seconds + lag)  # what is told late does everything early
        inside += abs(errors[-1]) < 1.96 * shift.error_s
    assert np.sqrt(np.mean(np.square(errors))) < 0.15
    assert inside >= 9  # of 12; fewer than 9 has a chance of 0.03 % at 95 %


def test_the_late_one_of_three_is_moved_to_where_the_others_start():
    boards = [board(2.0, told_s=3.4, seed=1), board(2.5, told_s=2.5, seed=2), board(1.5, told_s=1.55, seed=3)]
    timings = aligned(boards, settings=SETTINGS)
    assert timings[0].on_s.value == pytest.approx(2.0, abs=0.3)
    assert timings[0].on_s.low < 2.0 < timings[0].on_s.high
    assert timings[0].power_ups[0].on_s == timings[0].on_s
    assert "moved to" in timings[0].warnings[-1]
    assert timings[1:] == (boards[1].timing, boards[2].timing)


def test_boards_that_agree_stay_as_they_are():
    boards = [board(2.0, told_s=2.05, seed=4), board(2.5, told_s=2.45, seed=5)]
    assert aligned(boards, settings=SETTINGS) == tuple(b.timing for b in boards)


def test_a_strong_short_on_one_board_does_not_pull_the_shift():
    short = [(15, 18, 8.0, [(2.0, 1.0)])]
    boards = [board(2.0, told_s=2.0, seed=6, extra=short), board(2.5, told_s=3.6, seed=7)]
    assert aligned(boards, settings=SETTINGS)[1].on_s.value == pytest.approx(2.5, abs=0.4)


def test_a_logged_power_on_is_never_moved_and_moves_the_others():
    boards = [board(2.0, told_s=1.0, seed=8), board(2.5, told_s=2.5, seed=9, source="both")]
    timings = aligned(boards, settings=SETTINGS)
    assert timings[1] == boards[1].timing
    assert timings[0].on_s.value == pytest.approx(2.0, abs=0.4)


def test_a_dark_board_moves_nothing_and_is_not_moved():
    dark = board(2.0, told_s=4.0, seed=10, powers=np.zeros(len(PLACES)))
    bright = board(2.5, told_s=2.5, seed=11)
    assert aligned([dark, bright], settings=SETTINGS) == (dark.timing, bright.timing)


UNSEEN = Timing(on_why="not_seen")


def test_a_power_on_that_is_not_seen_is_found_where_the_board_does_what_the_others_do():
    errors, inside = [], 0
    for seed in range(20, 30):
        on = np.random.default_rng(seed).uniform(1.0, 4.0)
        unseen = replace(board(on, told_s=on, seed=2 * seed), timing=UNSEEN)
        found = aligned([unseen, board(2.5, told_s=2.5, seed=2 * seed + 1)], settings=SETTINGS)[0]
        errors.append(found.on_s.value - on)
        inside += found.on_s.low < on < found.on_s.high
        assert found.on_why == ""
        assert found.power_ups[0].on_s == found.on_s
        assert "as the others do" in found.warnings[-1]
    assert np.sqrt(np.mean(np.square(errors))) < 0.2
    assert inside >= 8


@pytest.mark.parametrize("on_s", [-6.0, -3.0, -1.0])
def test_a_board_that_was_on_before_its_recording_gets_no_power_on(on_s):
    unseen = replace(board(on_s, told_s=1.0, seed=12), timing=UNSEEN)
    assert aligned([unseen, board(2.5, told_s=2.5, seed=13)], settings=SETTINGS)[0] == UNSEEN


def test_a_board_that_warms_at_other_rates_gets_no_power_on():
    other = replace(board(2.0, told_s=2.0, seed=14, powers=np.array([9.0, 0.5, 6.0, 0.4, 1.0])), timing=UNSEEN)
    assert aligned([other, board(2.5, told_s=2.5, seed=15)], settings=SETTINGS)[0] == UNSEEN


def test_alone_a_board_stays_without_a_power_on():
    unseen = replace(board(2.0, told_s=2.0, seed=16), timing=UNSEEN)
    assert aligned([unseen, unseen], settings=SETTINGS) == (UNSEEN, UNSEEN)
