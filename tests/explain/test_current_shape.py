"""The shape of the supply current."""

import numpy as np
import pytest

from thermscan.explain.current_shape import shape_of
from thermscan.model.recording import SupplyPoint


def log(amps, *, step_s=0.1, volts=12.0):
    return tuple(SupplyPoint(i * step_s, volts, float(a)) for i, a in enumerate(amps))


def test_a_steady_run():
    shape = shape_of(log([0] * 10 + [0.4] * 50))
    assert shape.mean_a == pytest.approx(0.4)
    assert shape.mean_w == pytest.approx(4.8)
    assert len(shape.bursts_s) == 1
    assert shape.retry_s is None


def test_a_supply_that_tries_again():
    amps = np.tile([1.0] * 4 + [0.0] * 16, 5)
    shape = shape_of(log(amps))
    assert len(shape.bursts_s) == 5
    assert shape.retry_s == pytest.approx(2.0)


def test_a_plateau_at_the_limit():
    shape = shape_of(log([0] * 5 + [2.0] * 40), limit_a=2.0)
    assert shape.plateau_share == pytest.approx(1.0)
    assert shape_of(log([0] * 5 + [2.0] * 2 + [0.5] * 40), limit_a=2.0).plateau_share < 0.1


def test_no_current_no_shape():
    assert shape_of(log([0.0] * 20)) is None
    assert shape_of(()) is None
