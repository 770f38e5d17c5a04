"""How far a part stands out from what is around it: neighbours, blank seconds and parts at the edge."""

import numpy as np
import pytest

from thermscan.model.board import Board, Part
from thermscan.model.film import BoardGrid, Excess, Film
from thermscan.model.settings import RadiometrySettings
from thermscan.pipeline.resolution import bodies, resolution_of

SETTINGS = RadiometrySettings()


def made(*parts):
    board = Board(name="made", outline_mm=Board.rectangle(30, 20, name="made").outline_mm, parts=parts)
    grid = BoardGrid.over(board, 0.5)
    x, y = np.moveaxis(grid.points_mm(), -1, 0)
    mean, excess = np.full((4, *grid.shape), 25.0), np.full((4, *grid.shape), 0.5)
    for part, (level, apart) in zip(parts, ((45.0, 12.0), (80.0, 3.0)), strict=False):
        cells = part.contains(x, y)
        mean[:, cells], excess[:, cells] = level, apart
    ones = np.ones(grid.shape, bool)
    film = Film(grid, np.arange(5.0) / 4, "power_on", mean, np.full(4, 3), None, 0, np.full(grid.shape, 0.05), 0.3, 0.1,
                ones, ones, 0.5)  # fmt: skip
    spread = np.zeros(mean.shape)
    return board, Excess(film, excess, spread, spread, "good_boards", 2, np.full(mean.shape, 2.0), "cold_frames")


def test_a_hot_neighbour_is_not_what_stands_around_a_part():
    board, whole = made(Part("C1", x=12, y=10, w=2, h=2), Part("U1", x=15, y=10, w=3, h=6))
    occupied = bodies(board, whole.film.grid, side="top")
    for_excess, for_rise = resolution_of(board.parts[0], whole, occupied, (45.0, 12.0, 14.0), settings=SETTINGS)
    assert for_excess.contrast_k == pytest.approx(20.0)
    assert for_excess.difference_contrast_k == pytest.approx(11.5)
    assert for_rise.difference_contrast_k == pytest.approx(11.5)  # 14 less 0.5 excess and 2 of own heat
    assert for_excess.scatter_k == 0.0
    # 4 x 4 px under hypot(0.6, 1/sqrt 12) px: 1 - (1 - 0.666 sqrt(2/pi) / 4)^2
    assert for_excess.share == pytest.approx(0.248, abs=0.002)


def test_a_second_without_frames_hides_nothing():
    board, whole = made(Part("C1", x=12, y=10, w=2, h=2))
    whole.film.mean[-2] = np.nan
    whole.excess[-2] = np.nan
    occupied = bodies(board, whole.film.grid, side="top")
    found, _ = resolution_of(board.parts[0], whole, occupied, (45.0, 12.0, None), settings=SETTINGS)
    assert found.contrast_k == pytest.approx(20.0)


@pytest.mark.parametrize("place", [(0.5, 0.5), (29.5, 19.5), (-20.0, 10.0)])
def test_parts_at_the_edge_and_outside(place):
    board, whole = made(Part("C1", x=place[0], y=place[1], w=2, h=2))
    occupied = bodies(board, whole.film.grid, side="top")
    found, risen = resolution_of(board.parts[0], whole, occupied, (45.0, 12.0, None), settings=SETTINGS)
    assert np.isfinite(found.contrast_k)
    assert risen.difference_contrast_k == 0.0  # no rise was given
