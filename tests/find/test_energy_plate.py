"""The plate from good boards whose loss, heat capacity and supply are known."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.find.energy_plate import measure_plate
from thermscan.model.board import Board
from thermscan.model.film import BoardGrid, Excess, Film
from thermscan.model.quantity import Measured
from thermscan.physics.plate import default_plate

BOARD = Board.rectangle(40, 30)
PLATE = default_plate(1.6)
AREA, PARTS = 1200.0, 1.15


def good_boards(watts=3.0, *, capacity=1.0, loss=1.0, on_s=20.0, off_s=20.0):
    """An excess over good boards that warm up and cool down as one lump: Incropera and DeWitt, chapter 5."""
    heat = capacity * PLATE.capacity_j_per_mm2_k.value * PARTS * AREA
    away = loss * PLATE.loss_w_per_mm2_k.value * AREA
    edges = np.arange(0.0, on_s + off_s + 0.5, 1.0)
    t = (edges[1:] + edges[:-1]) / 2
    last = watts / away * -np.expm1(-away / heat * on_s)
    rise = np.where(t < on_s, watts / away * -np.expm1(-away / heat * t), last * np.exp(-away / heat * (t - on_s)))
    grid = BoardGrid.over(BOARD, 1.0)
    own = np.ones((len(t), *grid.shape)) * rise[:, None, None]
    yes, none = np.ones(grid.shape, bool), np.zeros(grid.shape)
    film = Film(grid, edges, "power_on", own, np.full(len(t), 5), none, 20, none + 0.05, 0.3, 0.0, yes, yes, 1.0)
    film = replace(film, on_for_s=on_s if off_s else None)
    return Excess(film, 0 * own, np.full(1, 0.03), np.zeros(1), "good_boards", 1, own, "cold_frames")


def ratio(measured, plate_value):
    return measured.value / plate_value.value


def test_loss_comes_from_the_cool_down():
    before = PLATE.loss_w_per_mm2_k
    after = measure_plate(good_boards(loss=1.8), BOARD, PLATE)
    assert after.basis[-1] == "cool_down"
    assert 1.2 < ratio(after.loss_w_per_mm2_k, before) < 1.8
    assert after.loss_w_per_mm2_k.high / after.loss_w_per_mm2_k.low < before.high / before.low
    assert after.loss_w_per_mm2_k.low < 1.8 * before.value < after.loss_w_per_mm2_k.high
    assert "cool-down" in after.sentence


@pytest.mark.parametrize("off_s", [0.0, 4.0])
def test_too_short_a_cool_down_changes_nothing(off_s):
    assert measure_plate(good_boards(off_s=off_s), BOARD, PLATE) is PLATE


def test_capacity_comes_from_the_supply_where_delivery_is_stated():
    # stored + lost + delivered = supplied: 3 W of heat and 1 W out of a connector
    excess = good_boards(capacity=1.25, off_s=0.0)
    stated = {"supply_w": Measured.normal(4.0, 0.05), "delivered_w": Measured.normal(1.0, 0.05)}
    after = measure_plate(excess, BOARD, PLATE, **stated)
    assert after.basis[-1] == "supply"
    assert 1.05 < ratio(after.capacity_j_per_mm2_k, PLATE.capacity_j_per_mm2_k) < 1.26


def test_supply_alone_bounds_the_capacity_from_above():
    ample = measure_plate(good_boards(off_s=0.0), BOARD, PLATE, supply_w=Measured.normal(30.0, 0.1))
    assert ample is PLATE  # the rest may leave through connectors
    scant = measure_plate(good_boards(watts=3.0, off_s=0.0), BOARD, PLATE, supply_w=Measured.normal(2.4, 0.05))
    assert ratio(scant.capacity_j_per_mm2_k, PLATE.capacity_j_per_mm2_k) < 1.0
    assert "upper bound" in scant.sentence


def test_without_good_boards_the_plate_stays():
    assert measure_plate(replace(good_boards(), basis="itself_only"), BOARD, PLATE) is PLATE
