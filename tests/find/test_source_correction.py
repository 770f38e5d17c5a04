"""What a bare, linear plate leaves out: losses that grow with the rise, by hand for an evenly warm board."""

from types import SimpleNamespace

import numpy as np
import pytest

from thermscan.find.source_correction import corrected_power, loss_share, widened
from thermscan.find.source_report import with_shared_heat
from thermscan.model.board import Board
from thermscan.model.film import BoardGrid
from thermscan.model.quantity import Measured
from thermscan.model.result import HeatSource
from thermscan.model.settings import SourceSettings
from thermscan.physics.material import board_loss
from thermscan.physics.plate import default_plate

SETTINGS = SourceSettings()
PLATE = default_plate(1.6)
BOARD = Board.rectangle(30, 20)


def evenly_warm(rise_k, own_k=0.0, *, seconds=8.0):
    """A search and a source of one watt that warms the whole board evenly from the first moment on."""
    grid = BoardGrid(0.5, 0.5, 1.0, 30, 20)
    shape = (4, *grid.shape)
    data = SimpleNamespace(
        edges_s=np.linspace(0, seconds, 5), own=np.full(shape, own_k), grid=grid, gain=1.0,
        picture=lambda samples: samples.reshape(shape),
    )  # fmt: skip
    maker = SimpleNamespace(plate=PLATE, board=BOARD)
    search = SimpleNamespace(data=data, maker=maker, settings=SETTINGS, runs_s=((0.0, None),))
    return search, SimpleNamespace(template=np.full(shape, rise_k).ravel())


def loss(rise_k):
    """Loss of the plate at a rise, W/mm2: its own at the rise where it holds, growing as the correlations do."""
    growth = board_loss(30, 20, rise_k=rise_k).value / board_loss(30, 20, rise_k=SETTINGS.loss_at_k).value
    return PLATE.loss_w_per_mm2_k.value * growth * rise_k


@pytest.mark.parametrize(("rise", "own"), [(40.0, 0.0), (80.0, 0.0), (40.0, 30.0), (3.0, 0.0)])
def test_the_share_is_what_an_evenly_warm_board_loses_more(rise, own):
    linear = PLATE.loss_w_per_mm2_k.value * rise
    by_hand = 600 * (loss(rise + own) - (loss(own) if own else 0.0) - linear)
    assert loss_share(*evenly_warm(rise, own), 1.0) == pytest.approx(
        np.clip(by_hand, -SETTINGS.most_loss_share, SETTINGS.most_loss_share), rel=0.02, abs=1e-4
    )


def test_a_hot_place_loses_more_and_one_at_the_rise_of_the_plates_loss_does_not():
    assert loss_share(*evenly_warm(SETTINGS.loss_at_k), 1.0) == pytest.approx(0.0, abs=0.002)
    assert loss_share(*evenly_warm(30.0), 1.0) > 0.05
    assert loss_share(*evenly_warm(30.0), 0.0) == 0.0


def test_the_corrected_power_is_higher_and_less_certain(monkeypatch):
    search, found = evenly_warm(30.0)
    monkeypatch.setattr("thermscan.find.source_correction.parts_share", lambda *_: 0.2)
    share = loss_share(search, found, 1.0)
    power = corrected_power(search, found, Measured(1.0, 0.9, 1.1))
    assert power.value == pytest.approx(1.2 + share)
    assert (power.high - power.low) / power.value > 0.2


def test_widening_adds_in_squares_on_each_side():
    wide = widened(Measured(2.0, 1.7, 2.4), 0.1)
    assert wide.value == 2.0
    assert 2.0 - wide.low == pytest.approx(np.hypot(0.3, 0.392))
    assert wide.high - 2.0 == pytest.approx(np.hypot(0.4, 0.392))


def test_the_interval_of_one_of_two_sources_at_one_place_reaches_to_what_both_make():
    def heat(x_mm, watts):
        return HeatSource(None, x_mm, 5.0, 1.5, Measured(watts, 0.5 * watts, 1.6 * watts), None, 1.0)

    near, beside, far = with_shared_heat([heat(5.0, 0.3), heat(6.0, 0.4), heat(12.0, 0.4)])
    assert near.power_w.high == pytest.approx(0.7 + np.hypot(0.18, 0.24))
    assert beside.power_w.high == pytest.approx(near.power_w.high)
    assert (near.power_w.value, near.power_w.low) == (0.3, 0.15)
    assert far.power_w.high == pytest.approx(0.64)
