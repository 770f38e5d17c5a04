import dataclasses

import numpy as np
import pytest
from skimage.color import rgb2lab

from thermscan.show.colour import BOARD, Scale, excess_colours, excess_scale, rise_scale, table_of_colours


def _over_board():
    table = np.array(table_of_colours()) / 255
    board = np.array([int(BOARD[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return table[:, 3:] * table[:, :3] + (1 - table[:, 3:]) * board


def test_colours_darken_evenly_from_the_middle_to_both_ends():
    # CIE L* by scikit-image; a map that only darkens away from zero can be read by the colour-blind and in print.
    lightness = rgb2lab(_over_board()[None])[0, :, 0]
    middle = len(lightness) // 2
    assert np.all(np.diff(lightness[middle:]) < 0.6)
    assert np.all(np.diff(lightness[: middle + 1]) > -0.6)
    assert lightness[middle] - max(lightness[0], lightness[-1]) > 50


@pytest.mark.parametrize(
    "matrix",
    [
        # Full loss of the red or the green cone, linear RGB: Machado, Oliveira, Fernandes 2009, values from memory.
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    ],
)
def test_hot_and_cold_stay_apart_without_red_or_green_cones(matrix):
    colours = _over_board()
    linear = np.where(colours <= 0.04045, colours / 12.92, ((colours + 0.055) / 1.055) ** 2.4)
    seen = np.clip(linear @ np.array(matrix).T, 0, 1)
    srgb = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    lab = rgb2lab(srgb[None])[0]
    strong = len(lab) // 5
    distance = np.linalg.norm(lab[:strong] - lab[::-1][:strong], axis=1)
    assert distance.min() > 25


def test_middle_is_clear_and_ends_are_laid_on():
    opacity = excess_colours()(np.arange(255))[:, 3]
    assert opacity[127] == 0
    assert opacity[0] == opacity[-1] == pytest.approx(0.9)


def test_quiet_board_stays_pale(maps):
    still = np.random.default_rng(2).normal(0, 0.05, maps.excess.shape)
    quiet = dataclasses.replace(maps, excess=still, spread=np.zeros(()), faulty=still, good=None)
    use = quiet.inside & quiet.readable
    shown = np.abs(still[quiet.shown][use])
    assert np.mean(shown < 0.5 * excess_scale(quiet).limit) > 0.99
    assert np.mean(np.abs(excess_scale(quiet).place(shown)) < 0.6) > 0.99


def test_scale_reaches_the_largest_readable_excess(maps):
    use = maps.inside & maps.readable
    assert excess_scale(maps).limit == pytest.approx(np.nanmax(np.abs(maps.excess[maps.shown][use])))
    assert rise_scale(maps).limit >= np.nanmax(np.abs(maps.faulty[maps.shown][use])) - 1e-9
    loud = maps.excess.copy()
    loud[:, ~maps.readable] = 1e3
    assert excess_scale(dataclasses.replace(maps, excess=loud)).limit == pytest.approx(excess_scale(maps).limit)


@pytest.mark.parametrize("scale", [Scale(24.0, 4.0), Scale(0.3, 0.3), Scale(1800.0, 300.0), Scale(7.0, 2.0)])
def test_scale_is_symmetric_ordered_and_undone_by_its_norm(scale):
    values = np.linspace(-scale.limit, scale.limit, 101)
    places = scale.place(values)
    np.testing.assert_allclose(places, -places[::-1], atol=1e-12)
    assert np.all(np.diff(places) > 0)
    assert places[0] == pytest.approx(-1)
    norm = scale.norm()
    np.testing.assert_allclose(np.asarray(norm(values)), (places + 1) / 2, atol=1e-9)
    np.testing.assert_allclose(np.asarray(norm.inverse(norm(values))), values, rtol=1e-6, atol=1e-9 * scale.limit)
    ticks = scale.ticks()
    assert ticks == sorted(ticks)
    assert 0.0 in ticks
    assert len(ticks) >= 5
    assert np.diff(scale.place(np.array(ticks))).min() > 0.15


def test_weak_places_show_beside_a_strong_one():
    # A tenth of the end takes more than a quarter of the scale's half; on an even scale it would be a tenth.
    assert Scale(24.0, 4.0).place(2.4) > 0.22
