"""The level of a supply log while the board is on."""

import numpy as np
import pytest

from thermscan.model.supply_level import line_seconds, on_level


def test_a_line_stands_until_the_next():
    np.testing.assert_allclose(line_seconds(np.array([0.0, 0.5, 2.5, 3.0])), [0.5, 2.0, 0.5, 0.5])
    assert line_seconds(np.array([4.0])).tolist() == [1.0]


@pytest.mark.parametrize("inrush_a", [2.0, 6.0])
def test_an_inrush_does_not_set_it(inrush_a):
    amps = np.r_[np.zeros(20), np.full(3, inrush_a), np.full(100, 0.3)]
    assert on_level(amps, 0.1 * np.arange(len(amps))) == pytest.approx(0.3)


def test_a_leakage_does_not_set_it():
    amps = np.r_[np.full(270, 0.002), np.full(30, 0.4), np.full(300, 0.002)]
    assert on_level(amps, 0.2 * np.arange(len(amps))) == pytest.approx(0.4)


def test_lines_close_together_do_not_count_more():
    times = np.r_[0.02 * np.arange(25), 0.5 + 2.0 * np.arange(1, 30)]
    assert on_level(np.r_[np.full(25, 3.0), np.full(29, 0.3)], times) == pytest.approx(0.3)


def test_nothing_flows():
    assert on_level(np.zeros(5), np.arange(5.0)) == 0.0
