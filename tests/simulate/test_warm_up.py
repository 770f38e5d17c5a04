"""Warming a given board: energy, places, and that distance and depth delay the heat."""

import numpy as np
import pytest

from thermscan.model.board import Board, Part
from thermscan.simulate.fault import Spot
from thermscan.simulate.stack import LAYERS
from thermscan.simulate.warm_up import WarmUpOptions, warm_board

OPTIONS = WarmUpOptions(cell_mm=1.0, even_um=(12.0, 0.0, 0.0, 20.0), on_s=1.0, off_s=8.0)
TIMES = np.array([0.5, 1.2, 2.0, 8.0, 10.0])


def small_board():
    parts = (
        Part("U1", "chip", 10.0, 10.0, 7.0, 7.0, height_mm=1.2),
        Part("C1", "capacitor", 24.0, 14.0, 1.6, 0.8, height_mm=0.8),
    )
    outline = np.array([[0, 0], [34, 0], [34, 24], [0, 24]], float)
    return Board("even", outline, 1.6, parts=parts)


def test_energy_and_place():
    made = warm_board(small_board(), {"C1": 0.3}, TIMES, options=OPTIONS)
    assert made.made_j == pytest.approx(0.3 * 7.0)
    assert made.stored_j + made.lost_j == pytest.approx(made.made_j, rel=0.005)
    assert np.abs(made.part_c[0] - 22.0).max() < 1e-6
    row, column = np.unravel_index(np.argmax(made.cells_c[3]), made.cells_c[3].shape)
    xx, yy = made.grid.centres
    assert np.hypot(xx[row, column] - 24.0, yy[row, column] - 14.0) < 1.2
    assert made.part_c[3, 1] > made.cells_c[3].max()


def test_heat_in_a_package_shows_late():
    board = small_board()
    chip = warm_board(board, {"U1": 0.3}, TIMES, options=OPTIONS).part_c[:, 0] - 22.0
    capacitor = warm_board(board, {"C1": 0.3}, TIMES, options=OPTIONS).part_c[:, 1] - 22.0
    assert chip[1] / chip[3] < 0.3 * capacitor[1] / capacitor[3]


def test_heat_on_the_far_face_shows_late_and_wide():
    board = small_board()
    near, far = (
        warm_board(board, {}, TIMES, spots=((Spot(24.0, 6.0, layer, 0.6), 0.3),), options=OPTIONS).cells_c - 22.0
        for layer in (0, len(LAYERS) - 1)
    )
    assert far[1].max() / far[3].max() < 0.5 * near[1].max() / near[3].max()
    assert (far[2] > 0.5 * far[2].max()).sum() > (near[2] > 0.5 * near[2].max()).sum()


def test_unknown_part_is_told():
    with pytest.raises(KeyError, match="R9"):
        warm_board(small_board(), {"R9": 0.1}, TIMES, options=OPTIONS)
