"""Own heat of good boards: powers that do not read low for what reads cold, and the plate that they show."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import optimize

from thermscan.find.source_candidate import Candidate
from thermscan.find.source_healthy import best_powers, explain_own_heat, non_negative
from thermscan.find.source_template import Option, Place
from thermscan.model.board import Part
from thermscan.model.settings import SourceSettings

BINS, ROWS, COLUMNS = 5, 12, 16


def made_data(own, *, noise=0.02):
    """What the fit needs of its data: own heat, variance, spread."""
    known = np.ones(own.shape, bool)
    return SimpleNamespace(
        own=own,
        known=known,
        variance=np.full(own.shape, noise**2),
        spread=0.1 * own,
        samples=lambda field: field[..., known],
    )


def spot(x, y, width):
    """Rise per watt of a spot that grows and widens, ndarray (samples,), K/W."""
    yy, xx = np.mgrid[:ROWS, :COLUMNS]
    bins = [
        20 * (k + 1) / BINS * np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / (2 * (width + 0.4 * k) ** 2))
        for k in range(BINS)
    ]
    return np.stack(bins).ravel()


def candidate(ref, x, y, widths):
    part = Part(ref, "chip", x, y, 2, 2)
    options = tuple(Option(0.02, 0.0) for _ in widths)
    return Candidate(Place(x, y, part), options, np.stack([spot(x, y, w) for w in widths]))


@pytest.fixture
def candidates():
    return [candidate("U1", 4, 6, (1.0, 2.0, 3.0)), candidate("U2", 11, 5, (1.0, 2.0, 3.0))]


def test_powers_and_packages_are_found(candidates):
    own = 0.8 * candidates[0].templates[1] + 0.3 * candidates[1].templates[0]
    data = made_data(own.reshape(BINS, ROWS, COLUMNS))
    heat = explain_own_heat(data, candidates, SourceSettings())
    assert heat.powers_w == pytest.approx([0.8, 0.3], rel=0.05)
    assert np.array_equal(heat.shapes[0], candidates[0].templates[1])


def test_a_body_that_stays_cold_does_not_pull_the_powers_down(candidates):
    own = (0.8 * candidates[0].templates[1] + 0.3 * candidates[1].templates[0]).reshape(BINS, ROWS, COLUMNS)
    own[:, 8:, :6] *= 0.1  # a tall body over warm board
    heat = explain_own_heat(made_data(own), candidates, SourceSettings())
    assert heat.powers_w == pytest.approx([0.8, 0.3], rel=0.25)


def test_a_board_without_own_heat_has_no_powers(candidates):
    heat = explain_own_heat(made_data(np.zeros((BINS, ROWS, COLUMNS))), candidates, SourceSettings())
    assert not heat.powers_w.any()


def test_non_negative_amplitudes_are_those_of_the_plain_solver():
    random = np.random.default_rng(3)
    shapes, target, weight = random.normal(size=(4, 60)), random.normal(size=60), random.uniform(0.5, 2, 60)
    amplitudes, squares = non_negative(shapes, target, weight**2)
    plain, left = optimize.nnls((shapes * weight).T, target * weight)
    assert (plain == 0).any()
    assert amplitudes == pytest.approx(plain, abs=1e-6)
    assert squares == pytest.approx(left**2, rel=1e-6)


def test_the_package_is_the_one_that_fits_what_the_others_leave(candidates):
    target = 1.0 * candidates[0].templates[2] + 1.0 * candidates[1].templates[2]
    powers, shapes, first = best_powers(candidates, target, np.ones(target.size), None)
    _, shapes, squares = best_powers(candidates, target, np.ones(target.size), powers[:, None] * shapes)
    assert squares <= first
    assert np.array_equal(shapes[0], candidates[0].templates[2])
