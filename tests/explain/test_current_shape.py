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


@pytest.mark.parametrize("inrush_a", [2.0, 3.5, 6.0])
def test_an_inrush_hides_no_steady_run(inrush_a):
    shape = shape_of(log([0] * 20 + [inrush_a] * 3 + [0.3] * 100))
    assert shape.mean_a == pytest.approx(0.3)
    assert len(shape.bursts_s) == 1
    assert shape.surge_a == pytest.approx(inrush_a - 0.3)


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


def test_a_surge_is_told_from_what_follows():
    assert shape_of(log([0] * 5 + [2.0, 1.0, 0.6] + [0.5] * 20)).surge_a == pytest.approx(1.5)


def test_no_surge_where_the_log_starts_with_the_board_on_or_is_coarse():
    assert shape_of(log([2.0, 1.0, 0.6] + [0.5] * 20)).surge_a is None
    assert shape_of(log([0] * 3 + [2.0] + [0.5] * 20, step_s=1.0)).surge_a is None


def test_steps_are_counted_and_jitter_is_not():
    jitter = 0.01 * np.random.default_rng(4).standard_normal(75)
    amps = np.array([0.0] * 5 + [0.3] * 20 + [0.6] * 25 + [0.9] * 25) + np.where(np.arange(75) < 5, 0.0, jitter)
    shape = shape_of(log(amps))
    assert shape.has_steps
    assert shape.steps_s == pytest.approx((2.0, 4.5), abs=0.11)
    flat = shape_of(log(np.array([0.0] * 5 + [0.3] * 70) + np.where(np.arange(75) < 5, 0.0, jitter)))
    assert flat.has_steps
    assert flat.steps_s == ()


def test_a_coarse_log_tells_no_steps():
    assert not shape_of(log([0] * 3 + [0.3] * 5 + [0.6] * 20, step_s=1.0)).has_steps
