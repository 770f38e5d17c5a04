"""Energy books on boards whose heat is known."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.find.energy import keep_books, mean_power_w, outline_area
from thermscan.find.energy_bodies import body_heat_j
from thermscan.model.board import Board, Part
from thermscan.model.film import BoardGrid, Excess, Film
from thermscan.model.quantity import Measured
from thermscan.model.recording import SupplyPoint
from thermscan.model.settings import EnergySettings
from thermscan.model.surface import Surface
from thermscan.model.timing import Timing
from thermscan.physics.plate import default_plate

BOARD = Board.rectangle(40, 30)
PLATE = default_plate(1.6)


def warmed(watts, *, seconds=20.0, clock="power_on"):
    """An evenly warmed board without losses beyond the linear one: the lumped solution."""
    area = 1200.0
    heat, loss = PLATE.capacity_j_per_mm2_k.value * 1.15 * area, PLATE.loss_w_per_mm2_k.value * area
    edges = np.linspace(0, seconds, 21)
    centres = (edges[1:] + edges[:-1]) / 2
    rise = watts / loss * -np.expm1(-loss / heat * centres)
    grid = BoardGrid.over(BOARD, 1.0)
    field = np.ones((20, *grid.shape)) * rise[:, None, None]
    yes = np.ones(grid.shape, bool)
    noise = np.full(grid.shape, 0.05)
    frames = np.full(20, 5)
    film = Film(grid, edges, clock, field, frames, np.zeros(grid.shape), 20, noise, 0.3, 0.0, yes, yes, 1.0)
    return Excess(film, 0.3 * field, np.full(1, 0.03), np.zeros(1), "good_boards", 1, 0.7 * field, "cold_frames")


def test_stored_and_lost_add_up_to_what_was_made():
    # energy balance: stored + lost = made, to 0.5 % (lumped solution, Incropera and DeWitt, chapter 5)
    books = keep_books(warmed(3.0), BOARD, PLATE)
    assert books.stored_w.value + books.lost_w.value == pytest.approx(3.0, rel=0.005)
    assert books.made_w.low < 3.0 < books.made_w.high
    assert "no supply power" in books.sentence


def test_supply_is_compared():
    agree = keep_books(warmed(3.0), BOARD, PLATE, supply_w=Measured.normal(3.2, 0.05))
    assert "they agree" in agree.sentence
    more = keep_books(warmed(3.0), BOARD, PLATE, supply_w=Measured.normal(9.0, 0.1))
    assert "may leave through connectors" in more.sentence
    stated = keep_books(
        warmed(3.0), BOARD, PLATE, supply_w=Measured.normal(9.0, 0.1), delivered_w=Measured.normal(0, 0.1)
    )
    assert "disagree by +6" in stated.sentence


def test_bins_without_frames_are_left_out():
    """A shutter's freeze leaves bins of two tenths of a second empty; the books are of what is known."""
    excess = warmed(3.0)
    gaps = excess.excess.copy()
    gaps[[3, 4, 11]] = np.nan
    books = keep_books(replace(excess, excess=gaps), BOARD, PLATE)
    assert books.made_w.value == pytest.approx(3.0, rel=0.005)
    gaps[:11] = np.nan
    assert "no frames" in keep_books(replace(excess, excess=gaps), BOARD, PLATE).why["made_w"]
    assert "no readable place" in keep_books(replace(excess, excess=0 * gaps * np.nan), BOARD, PLATE).why["made_w"]


def test_bodies_hold_their_volume_times_their_rise():
    part = Part("L1", "inductor", 20, 15, 10.0, 10.0, height_mm=8.0)
    sink = Part("H1", "heatsink", 8, 15, 10.0, 20.0, height_mm=25.0, surface="bright aluminium")
    rise = np.full(BoardGrid.over(BOARD, 1.0).shape, 2.0)
    how = {"side": "top", "settings": EnergySettings()}
    held, error = body_heat_j(rise, replace(BOARD, parts=(part,)), BoardGrid.over(BOARD, 1.0), **how)
    assert held == pytest.approx(10 * 10 * 8 * 3.5e-3 * 2.0)  # ferrite and copper: 3.4 to 3.6 J/(cm3 K), from memory
    assert error == pytest.approx(0.35 * held)
    bright = (Surface("bright aluminium", 0.07, 0.04, 0.1, readable=False, words=("bright aluminium",)),)
    both = replace(BOARD, parts=(part, sink))
    rise[5:25, 14:26] = 9.0  # the inductor is warm: the heat sink may be as warm, its surface does not tell
    held, error = body_heat_j(rise, both, BoardGrid.over(BOARD, 1.0), surfaces=bright, **how)
    sink_j = 10 * 20 * 25 * 0.4 * 2.1e-3
    assert error > 0.35 * sink_j * (9.0 - 2.0)
    assert body_heat_j(rise, BOARD, BoardGrid.over(BOARD, 1.0), **how) is None


def test_lines_close_together_at_switch_on_do_not_raise_the_mean():
    # trapezoid rule by hand: 36 W for 0.5 s, 3.6 W for 19.5 s
    times = [*np.arange(0.0, 0.5, 0.05), *np.arange(0.5, 20.0, 2.0)]
    log = tuple(SupplyPoint(float(t), 12.0, 3.0 if t < 0.49 else 0.3) for t in times)
    mean = mean_power_w(log, Timing(on_s=Measured(0, 0, 0), off_s=Measured(20, 20, 20)))
    assert mean.value == pytest.approx((36 * 0.5 + 3.6 * 19.5) / 20, rel=0.01)
    assert mean.low < mean.value < mean.high


def test_no_books_without_power_on():
    books = keep_books(warmed(3.0, clock="recording"), BOARD, PLATE)
    assert books.made_w is None
    assert "second of power-on" in books.why["made_w"]


def test_area_of_an_outline():
    corner = Board("l", np.array([[0, 0], [4, 0], [4, 2], [2, 2], [2, 4], [0, 4]], float))
    assert outline_area(corner) == pytest.approx(12.0)
