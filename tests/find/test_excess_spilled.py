"""What bodies that mirror spread over their surroundings is doubted there; heat that they conduct is not."""

import numpy as np
import pytest
from made_film import GRID, NOISE_K, film_of, noisy
from scipy import ndimage

from thermscan.find.excess_spilled import with_spilled
from thermscan.model.board import Board, Part
from thermscan.model.film import Excess

OPTICS_PX = 0.6
POINTS = GRID.points_mm()
MIDDLE = POINTS[GRID.shape[0] // 2, GRID.shape[1] // 2]
SIDE = 0.25 * float(np.ptp(POINTS[..., 0]))
SHIELD = Part("SH1", "shield", float(MIDDLE[0]), float(MIDDLE[1]), SIDE, SIDE)
BINS = 12


def board_with(*parts):
    outline = np.array([[-100, -100], [200, -100], [200, 200], [-100, 200]], float)
    return Board("b", outline, parts=parts)


def made(size_k, part=SHIELD):
    """An excess in which a body looks warmer by ``size_k`` at the end, as the optics show it; film, cells of it."""
    film = film_of(np.zeros((BINS, *GRID.shape)), width_s=0.5)
    cells = part.contains(POINTS[..., 0], POINTS[..., 1])
    seen = ndimage.gaussian_filter(cells.astype(float), OPTICS_PX * film.pixel_mm / GRID.step_mm)
    change = np.linspace(0, size_k, BINS)[:, None, None] * seen
    noise = np.full(change.shape, NOISE_K, np.float32)
    return Excess(film, noisy(change, seed=1), noise, 0 * noise, "good_boards", 2, 0 * noise, "cold_frames"), cells


@pytest.mark.parametrize("size_k", [3.0, -3.0])
def test_what_the_optics_spread_of_a_mirror_is_no_difference(size_k):
    excess, cells = made(size_k)
    out = with_spilled(excess, board_with(SHIELD), side="top", surfaces=(), optics_px=OPTICS_PX)
    beside = ndimage.binary_dilation(cells, iterations=2) & ~cells
    assert np.abs(excess.excess[-1][beside] / excess.noise[-1][beside]).max() > 8
    assert np.abs(out.excess[-1][beside] / out.noise[-1][beside]).max() < 3
    assert np.array_equal(out.excess, excess.excess)
    far = ~ndimage.binary_dilation(cells, iterations=int(4 * excess.film.pixel_mm / GRID.step_mm) + 6)
    assert far.any()
    assert out.noise[-1][far] == pytest.approx(excess.noise[-1][far], rel=0.02)


def test_it_does_not_average_out_over_neighbours():
    excess, _ = made(3.0)
    out = with_spilled(excess, board_with(SHIELD), side="top", surfaces=(), optics_px=OPTICS_PX)
    assert np.all(out.position >= out.spilled - 1e-6)
    assert out.noise**2 - out.position**2 == pytest.approx(excess.noise**2, rel=1e-3)


def test_boards_without_such_bodies_are_left_alone():
    chip = Part("U1", "chip", SHIELD.x, SHIELD.y, SHIELD.w, SHIELD.h)
    excess, _ = made(3.0)
    assert with_spilled(excess, board_with(chip), side="top", surfaces=(), optics_px=OPTICS_PX) is excess
    assert with_spilled(excess, board_with(SHIELD), side="bottom", surfaces=(), optics_px=OPTICS_PX) is excess


def test_a_can_counts_with_no_more_than_the_bodies_mirror():
    away = Part("Y1", "crystal", float(POINTS[2, 2, 0]), float(POINTS[2, 2, 1]), 0.3 * SIDE, 0.3 * SIDE)
    cells = away.contains(POINTS[..., 0], POINTS[..., 1])
    excess, _ = made(3.0)
    excess.excess[:, cells] = 10.0
    out = with_spilled(excess, board_with(SHIELD, away), side="top", surfaces=(), optics_px=OPTICS_PX)
    assert 0.3 < out.spilled[-1][cells].max() <= 3.3
