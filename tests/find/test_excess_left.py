"""Cooling of heat left by an earlier run is taken off; heat of a fault, and boards that start alike, stay as they are.

The left heat is a Gaussian on a plate: it spreads by the heat kernel (Carslaw and Jaeger, Conduction of Heat in Solids,
2nd ed., section 10.3) and is lost to the air with one time constant.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from thermscan.find.excess import combine, excess_over, rise_of
from thermscan.find.excess_follow import follows
from thermscan.model.film import BoardGrid, ColdTrend, Film
from thermscan.model.settings import ExcessSettings

GRID = BoardGrid(0.0, 0.0, 1.0, 40, 30)
EDGES = np.linspace(0.0, 8.0, 9)
SETTINGS = ExcessSettings()
NOISE_K = 0.03


def left_at(t: np.ndarray, *, peak_k: float, size_mm: float = 4.0, spread_mm2_s: float = 3.0, air_s: float = 40.0):
    points = GRID.points_mm()
    r2 = ((points - [20.0, 15.0]) ** 2).sum(axis=-1)
    wide = size_mm**2 + 2 * spread_mm2_s * np.asarray(t)[:, None, None]
    return peak_k * size_mm**2 / wide * np.exp(-r2 / (2 * wide)) * np.exp(-np.asarray(t) / air_s)[:, None, None]


def film_of(*, left_k: float, seed: int, fault_k: float = 0.0):
    random, shape = np.random.default_rng(seed), (30, 40)
    times = (EDGES[1:] + EDGES[:-1]) / 2
    r2 = ((GRID.points_mm() - [10.0, 8.0]) ** 2).sum(axis=-1)
    heat = (
        2.0 * np.exp(-((GRID.points_mm() - [20.0, 15.0]) ** 2).sum(axis=-1) / 18.0)[None] * (times / 8)[:, None, None]
    )
    heat = heat + fault_k * np.exp(-r2 / 4.0)[None] * (times / 8)[:, None, None]
    mean = 23.0 + heat + left_at(times, peak_k=left_k) + random.normal(0, NOISE_K / 3, (8, *shape))
    cold = 23.0 + left_at(np.array([-0.5]), peak_k=left_k)[0] + random.normal(0, NOISE_K / 3, shape)
    full = np.ones(shape, bool)
    return Film(
        GRID, EDGES, "power_on", mean, np.full(8, 9), cold, 9, np.full(shape, NOISE_K), 0.5, 0.0, full, full, 1.0
    )


def difference(faulty: Film, good: Film):
    base = combine([rise_of(good, settings=SETTINGS)], outline_hash="", side="top", sources=(), settings=SETTINGS)
    return excess_over(rise_of(faulty, settings=SETTINGS), base, position_error_mm=0.0, settings=SETTINGS)


@pytest.mark.parametrize(("own_k", "good_k"), [(0.0, 6.0), (6.0, 0.0)])
def test_cooling_of_either_board_is_taken_off(own_k, good_k):
    found = difference(film_of(left_k=own_k, seed=1), film_of(left_k=good_k, seed=2))
    times = (EDGES[1:] + EDGES[:-1]) / 2
    true = np.abs(left_at(times, peak_k=6.0)[-1] - left_at(np.array([-0.5]), peak_k=6.0)[0]).max()
    assert true > 2.0
    assert np.abs(found.excess[-1]).max() < 0.35 * true
    assert np.all(np.abs(found.excess[-1]) < 3 * np.hypot(found.noise[-1], found.spread[-1]) + 4 * NOISE_K)
    assert any("not equally cold" in w for w in found.warnings)


def test_heat_of_a_fault_stays():
    found = difference(film_of(left_k=0.0, seed=1, fault_k=3.0), film_of(left_k=6.0, seed=2))
    assert found.excess[-1, 8, 10] == pytest.approx(3.0 * 7.5 / 8, abs=0.3)


def test_boards_that_start_alike_are_left_alone():
    found = difference(film_of(left_k=3.0, seed=1), film_of(left_k=3.0, seed=2))
    plain = film_of(left_k=3.0, seed=1)
    good = film_of(left_k=3.0, seed=2)
    wanted = (plain.mean - plain.cold) - (good.mean - good.cold)
    assert np.abs(found.excess - wanted).max() < 1e-4
    assert not found.warnings


def with_trend(film: Film, *, left_k: float, seed: int, reflected_k: float = 0.0) -> Film:
    """Add what the cold frames showed going, and a reflection that stays on the board from first to last."""
    random = np.random.default_rng(seed)
    apart_s = 1.5
    going = np.diff(left_at(np.array([-0.5 - apart_s, -0.5]), peak_k=left_k), axis=0)[0] / apart_s
    slope = going + random.normal(0, NOISE_K * np.sqrt(1 / 5 + 1 / 4) / apart_s, going.shape)
    x, y = np.moveaxis(GRID.points_mm(), -1, 0)
    shine = reflected_k * np.exp(-((x - 20.0) ** 2 + (y - 15.0) ** 2) / 128.0)
    trend = ColdTrend(slope, apart_s, (5, 4), -1.3)
    return replace(film, before=trend, mean=film.mean + shine, cold=film.cold + shine)


@pytest.mark.parametrize("left_k", [0.0, 6.0])
def test_what_stays_before_power_on_is_a_reflection_and_what_goes_is_heat(left_k):
    shine = 0.0 if left_k else 1.5
    film = film_of(left_k=left_k, seed=1, fault_k=-2.0)
    film = with_trend(film, left_k=left_k, seed=11, reflected_k=shine)
    good = with_trend(film_of(left_k=0.0, seed=2), left_k=0.0, seed=12)
    found = difference(film, good)
    assert any("not equally cold" in w for w in found.warnings) == (left_k > 0)
    assert found.excess[-1, 8, 10] == pytest.approx(-2.0 * 7.5 / 8, abs=max(0.2, 1.96 * float(found.spread[-1, 8, 10])))
    assert found.spread[-1, 8, 10] < 0.4
    if not left_k:
        assert np.abs(found.excess[-1, 15, 20]) < 0.15


def test_one_map_follows_another_with_an_honest_error_under_smooth_noise():
    inside, pulls = 0, []
    y, x = np.mgrid[:60, :80]
    by = np.exp(-((x - 30.0) ** 2 + (y - 25.0) ** 2) / 400.0) + 0.5 * np.exp(-((x - 65.0) ** 2 + (y - 45.0) ** 2) / 150)
    for seed in range(60):
        noise = ndimage.gaussian_filter(np.random.default_rng(seed).normal(0, 1, by.shape), 3.0)
        slope, error = follows(0.3 * by + noise, by, np.ones(by.shape, bool), tiles=SETTINGS.follow_tiles)
        pulls.append((slope - 0.3) / error)
        inside += abs(slope - 0.3) < 2 * error
    assert inside >= 48  # of 60: 95 % would be 57; fewer tiles than noise would need make the error a little short
    assert np.std(pulls) < 1.6


def test_nothing_follows_a_flat_map():
    slope, error = follows(np.ones((9, 9)), np.ones((9, 9)), np.ones((9, 9), bool), tiles=3)
    assert (slope, np.isinf(error)) == (0.0, True)
