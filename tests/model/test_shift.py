"""What misplacing does to the mean over a part, against drawn displacements (resampled by scipy)."""

import numpy as np
import pytest
from scipy import ndimage

from thermscan.model.board import Board
from thermscan.model.film import BoardGrid
from thermscan.model.shift import Shift, slope_along

STEP_MM = 0.25
ROWS, COLUMNS = np.mgrid[:80, :100].astype(float)
BODY = np.where((np.abs(ROWS - 40) < 8) & (np.abs(COLUMNS - 50) < 12), 6.0, 0.0)
PICTURE = 24 + ndimage.gaussian_filter(BODY, 3.0) + 2 * np.exp(-((ROWS - 20) ** 2 + (COLUMNS - 70) ** 2) / 50)
FOOTPRINTS = {
    "the body": (40, 50, 8, 12),
    "its left edge": (40, 38, 4, 3),
    "a small hot part": (20, 70, 2, 2),
    "a corner": (48, 62, 3, 3),
}


def weights_of(name):
    row, column, height, width = FOOTPRINTS[name]
    inside = (np.abs(ROWS - row) < height) & (np.abs(COLUMNS - column) < width)
    return inside / inside.sum()


def drawn(weights, error_mm, draws=600):
    """Return the rms change of the mean over a footprint when the picture is moved at random."""
    rng = np.random.default_rng(5)
    steps = rng.normal(0, error_mm / np.sqrt(2) / STEP_MM, (draws, 2))
    moved = [(ndimage.shift(PICTURE, step, order=3, mode="nearest") * weights).sum() for step in steps]
    return np.sqrt(np.mean((np.array(moved) - (PICTURE * weights).sum()) ** 2))


@pytest.mark.parametrize("name", FOOTPRINTS)
@pytest.mark.parametrize("error_mm", [0.1, 0.3])
def test_error_of_a_mean_is_what_drawn_displacements_give(name, error_mm):
    found = Shift(PICTURE, error_mm).error_of(weights_of(name), STEP_MM)
    assert found.shape == (1,)
    assert found[0] == pytest.approx(drawn(weights_of(name), error_mm), rel=0.2, abs=0.002)


def test_a_whole_body_gains_on_one_side_what_it_loses_on_the_other():
    body = weights_of("the body")
    at_cells = np.sqrt((BoardGrid(0, 0, STEP_MM, 100, 80).slope_per_mm(PICTURE) ** 2 * body).sum()) * 0.1
    assert Shift(PICTURE, 0.1).error_of(body, STEP_MM)[0] < 0.1 * at_cells


def test_errors_and_pictures_may_differ_from_bin_to_bin():
    edge = weights_of("its left edge")
    one = Shift(PICTURE, 0.1).error_of(edge, STEP_MM)[0]
    bins = Shift(np.stack([PICTURE, 2 * PICTURE]), np.array([0.1, 0.1])).error_of(edge, STEP_MM)
    assert bins == pytest.approx([one, 2 * one])
    assert Shift(PICTURE, np.array([0.0, 0.1])).error_of(edge, STEP_MM) == pytest.approx([0.0, one])


def test_places_that_nobody_sees_are_no_steep_edges():
    # A tall part hides a strip of a board that is 24 C all over: there is no slope beside it.
    hidden = np.full((20, 30), 24.0)
    hidden[5:12, 10:14] = np.nan
    hidden[3, 20:22] = np.nan
    grid = BoardGrid.over(Board.rectangle(30, 20), 1.0)
    assert np.all(grid.slope_per_mm(hidden) == 0)
    sloping = hidden + 0.5 * np.arange(30)
    assert grid.slope_per_mm(sloping)[np.isfinite(hidden)] == pytest.approx(0.5)
    weights = np.zeros(hidden.shape)
    weights[4:9, 6:11] = 1 / 25
    assert Shift(hidden, 1.0).error_of(weights, 1.0)[0] == 0


def test_slopes_of_known_cells_are_those_of_numpy():
    field = np.random.default_rng(0).normal(0, 1, (3, 12, 9))
    for axis in (-2, -1):
        assert slope_along(field, axis) == pytest.approx(np.gradient(field, axis=axis))
