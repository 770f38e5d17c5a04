"""A hand in view covers part of the picture for its time only."""

import numpy as np
import pytest

from thermscan.physics.radiation import band_radiance, radiance_temperature
from thermscan.simulate.visitor import SKIN_C, draw_visitor


def test_hand_covers_some_of_the_picture_and_leaves():
    visitor = draw_visitor(np.random.default_rng(2), 12.0, resolution=(80, 60))
    plain = np.full((60, 80), band_radiance(22.0), np.float32)
    middle = (visitor.from_s + visitor.to_s) / 2
    seen = radiance_temperature(visitor.cover(plain, middle))
    assert seen.max() == pytest.approx(SKIN_C, abs=0.5)
    assert 0.005 < np.mean(seen > 25.0) < 0.4
    assert np.array_equal(visitor.cover(plain, visitor.to_s + 0.1), plain)
