"""Cooling seen before power-on is carried on after it, each board by itself; boards that stood cold stay as they are.

The left heat is a Gaussian on a plate: it spreads by the heat kernel (Carslaw and Jaeger, Conduction of Heat in Solids,
2nd ed., section 10.3) and is lost to the air with one time constant.
"""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.find.excess import combine, excess_over, rise_of
from thermscan.model.film import BoardGrid, ColdTrend, Film
from thermscan.model.settings import ExcessSettings

GRID = BoardGrid(0.0, 0.0, 1.0, 40, 30)
EDGES = np.linspace(0.0, 10.0, 11)
TIMES = (EDGES[1:] + EDGES[:-1]) / 2
SETTINGS = ExcessSettings()
NOISE_K = 0.05
FRAMES = 12  # in each half of the seconds before power-on


def left_at(t, *, peak_k, air_s=30.0):
    """Heat of a run that ended 10 s before power-on, K, ndarray (times, rows, columns)."""
    since = np.atleast_1d(t)[:, None, None] + 10.0
    r2 = ((GRID.points_mm() - [20.0, 15.0]) ** 2).sum(axis=-1)
    wide = 5.0**2 + 2 * 2.0 * since
    return peak_k * 5.0**2 / wide * np.exp(-r2 / (2 * wide)) * np.exp(-since / air_s)


def film_of(*, peak_k, seed, air_s=30.0, drift_k_s=0.0):
    random, shape = np.random.default_rng(seed), (30, 40)

    def noise(frames, count):
        return random.normal(0, NOISE_K / np.sqrt(frames), (count, *shape))

    early, late = (
        23.0 + drift_k_s * t + left_at(t, peak_k=peak_k, air_s=air_s)[0] + noise(FRAMES, 1)[0] for t in (-2.25, -0.75)
    )
    mean = 23.0 + left_at(TIMES, peak_k=peak_k, air_s=air_s) + noise(8, len(TIMES))
    full = np.ones(shape, bool)
    film = Film(GRID, EDGES, "power_on", mean, np.full(len(TIMES), 8), (early + late) / 2, 2 * FRAMES,
                np.full(shape, NOISE_K), 0.28, 0.0, full, full, 1.0)  # fmt: skip
    return replace(film, before=ColdTrend((late - early) / 1.5, 1.5, (FRAMES, FRAMES), -1.5))


@pytest.mark.parametrize("air_s", [15.0, 30.0, 60.0])
def test_a_board_that_starts_warm_shows_no_rise_of_its_own(air_s):
    film = film_of(peak_k=30.0, seed=1, air_s=air_s)
    lost = (left_at(-1.5, peak_k=30.0, air_s=air_s) - left_at(TIMES[-1], peak_k=30.0, air_s=air_s))[0]
    found = rise_of(film, settings=SETTINGS)
    near = ((GRID.points_mm() - [20.0, 15.0]) ** 2).sum(axis=-1) < 15.0**2
    assert lost.max() > 4.0
    assert np.abs(found.rise[-1]).max() < 0.4 * lost.max()
    error = np.sqrt(found.error**2 + found.left_doubt**2 + found.left_error**2)[-1]
    assert np.mean(np.abs(found.rise[-1] / error)[near] < 1.96) > 0.85


def test_doubt_of_left_heat_is_in_the_spread_and_cancels_between_boards_that_are_equally_warm():
    warm, again, cold = (
        rise_of(film_of(peak_k=k, seed=seed), settings=SETTINGS) for k, seed in ((30.0, 6), (30.0, 7), (0.0, 8))
    )
    at = (-1, 15, 20)

    def spread(faulty, good):
        base = combine([good], outline_hash="", side="top", sources=(), settings=SETTINGS)
        return excess_over(faulty, base, position_error_mm=0.0, settings=SETTINGS).spread[at]

    assert spread(warm, cold) > warm.left_doubt[at] > 3 * spread(cold, cold)
    assert spread(warm, again) < 0.5 * spread(warm, cold)
    alone = excess_over(warm, None, position_error_mm=0.0, settings=SETTINGS)
    assert alone.spread[at] == pytest.approx(np.hypot(warm.left_doubt[at], warm.left_error[at]))


def test_a_cold_board_is_left_as_it_is():
    film = film_of(peak_k=0.0, seed=3)
    assert np.array_equal(
        rise_of(film, settings=SETTINGS).rise, rise_of(replace(film, before=None), settings=SETTINGS).rise
    )


def test_a_drifting_camera_is_no_cooling_board():
    film = film_of(peak_k=0.0, seed=4, drift_k_s=-0.2)
    assert np.array_equal(
        rise_of(film, settings=SETTINGS).rise, rise_of(replace(film, before=None), settings=SETTINGS).rise
    )


def shining(film, *, from_k_s, seed):
    """Let bare metal, a tenth of the board, mirror somebody who walks by: some of it warms, some of it cools."""
    random = np.random.default_rng(seed)
    slope = film.before.slope.copy()
    for i, (r, c) in enumerate(zip(random.integers(0, 24, 12), random.integers(0, 34, 12), strict=True)):
        slope[r : r + 3, c : c + 3] += (-1) ** i * from_k_s * random.uniform(0.7, 1.3)
    return replace(film, before=replace(film.before, slope=slope))


@pytest.mark.parametrize("seed", range(20, 26))
def test_what_shines_on_the_board_and_moves_is_not_put_back_but_makes_it_doubtful(seed):
    plain = film_of(peak_k=0.0, seed=seed)
    film = shining(plain, from_k_s=0.3, seed=seed)
    found, without = (rise_of(f, settings=SETTINGS) for f in (film, plain))
    moved = np.abs(film.before.slope - plain.before.slope) > 0.1
    assert "warm_start" not in found.film.flags
    assert np.array_equal(found.rise, without.rise)
    assert np.median(found.left_error[-1][moved]) > 0.5
    assert np.median(found.left_error[-1][~moved]) < 0.2


@pytest.mark.parametrize("seed", range(30, 36))
def test_a_mirror_that_shows_less_and_less_before_power_on_is_not_put_back(seed):
    """One bare patch mirrors somebody who goes and comes back: it cools before power-on, and nothing else does."""
    plain = film_of(peak_k=0.0, seed=seed)
    slope, mean = plain.before.slope.copy(), plain.mean.copy()
    patch = (slice(6, 13), slice(8, 15))
    slope[patch] -= 0.6
    mean[(slice(None), *patch)] += 0.4 * np.sin(TIMES)[:, None, None] - 0.4
    mean[:, 18:24, 25:32] += 1.5 * TIMES[:, None, None]  # a part that warms with the power
    cold = plain.cold.copy()
    cold[patch] += 0.3
    film = replace(plain, mean=mean, cold=cold, before=replace(plain.before, slope=slope))
    found = rise_of(film, settings=SETTINGS)
    seen = mean - cold
    assert np.abs(found.rise - seen)[(slice(None), *patch)].max() < 0.15
    error = np.hypot(found.error, found.left_error)[(-1, *patch)]
    assert np.median(np.abs(seen[(-1, *patch)]) / error) < 1.5


def test_a_camera_that_settles_is_carried_on_as_far_as_it_is_smooth():
    plain = film_of(peak_k=0.0, seed=40)
    away = np.hypot(*(np.moveaxis(GRID.points_mm() - [20.0, 15.0], -1, 0) / 20.0))
    shading = -0.25 * away**2  # K/s: the corners settle, the middle has
    settled = 8.0 * (1 - np.exp(-(TIMES + 1.5) / 8.0))[:, None, None] * shading
    mean = plain.mean + settled
    mean[:, 12:18, 16:24] += 1.5 * TIMES[:, None, None]  # a part that warms with the power
    film = replace(plain, mean=mean, before=replace(plain.before, slope=plain.before.slope + shading))
    found = rise_of(film, settings=SETTINGS)
    corner = (-1, slice(0, 3), slice(0, 3))
    assert abs(settled[corner].mean()) > 2.0
    assert abs(found.rise[corner].mean()) < 0.5 * abs(settled[corner].mean())


def test_the_flag_says_that_the_board_started_warm():
    assert "warm_start" in rise_of(film_of(peak_k=30.0, seed=5), settings=SETTINGS).film.flags
    assert "warm_start" not in rise_of(film_of(peak_k=0.0, seed=5), settings=SETTINGS).film.flags
