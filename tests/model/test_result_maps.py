import numpy as np
import pytest

from thermscan.model.film import BoardGrid
from thermscan.model.result_maps import ResultMaps


def _maps(**changes):
    grid = BoardGrid(0.5, 0.5, 1.0, 4, 3)
    excess = np.arange(24.0).reshape(2, 3, 4)
    full = np.ones(grid.shape, bool)
    given = {"grid": grid, "edges_s": np.array([0.0, 1.0, 3.0]), "excess": excess, "faulty": excess, "good": None,
             "noise": np.array(0.3), "spread": np.array(0.4), "inside": full, "readable": full}  # fmt: skip
    return ResultMaps(**(given | changes))


def test_shown_bin_counts_from_either_end():
    assert _maps().shown == 1
    assert _maps(shown_bin=0).shown == 0
    assert _maps().shown_s == pytest.approx(2.0)


def test_half_interval_joins_noise_and_spread():
    # A 3-4-5 triangle: 0.3 and 0.4 make 0.5; 1.959964 is the 97.5 % point of the normal distribution.
    half = _maps().half_width()
    assert half.shape == (2, 3, 4)
    assert half == pytest.approx(np.full((2, 3, 4), 0.5 * 1.959963985))


def test_course_is_that_of_the_cell_that_holds_the_place():
    excess, half = _maps().course_at(2.4, 1.6)
    assert excess.tolist() == [6.0, 18.0]
    assert half.shape == (2,)
    assert _maps().course_at(-50, 99)[0].tolist() == [8.0, 20.0]
