"""Rise, baseline and excess on small arrays made by hand."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from thermscan.find.excess import (
    bench_drift,
    combine,
    excess_over,
    only_while_alike,
    onto,
    rise_of,
)
from thermscan.model.film import BoardGrid, Film
from thermscan.model.settings import ExcessSettings

SETTINGS = ExcessSettings()
GRID = BoardGrid(0.0, 0.0, 1.0, 24, 20)


def make_film(frames, *, cold=None, noise=0.1, on_for_s=None, edges=None):
    """A film with the outer four cells showing the bench."""
    frames = np.asarray(frames, np.float32)
    bins = len(frames)
    inside = np.zeros(GRID.shape, bool)
    inside[4:-4, 4:-4] = True
    return Film(
        grid=GRID,
        edges_s=np.arange(bins + 1.0) if edges is None else edges,
        clock="power_on",
        mean=frames,
        frames=np.full(bins, 9),
        cold=cold,
        cold_frames=0 if cold is None else 18,
        noise=np.full(GRID.shape, noise),
        correlation_mm=0.3,
        position_error_mm=0.0,
        inside=inside,
        readable=np.ones(GRID.shape, bool),
        pixel_mm=1.0,
        on_for_s=on_for_s,
    )


def board_heat(bins=4):
    """A hot part of growing rise, K, (bins, rows, columns)."""
    rise = np.zeros((bins, *GRID.shape))
    rise[:, 8:11, 10:13] = np.arange(1, bins + 1)[:, None, None]
    return rise


def rises(count, *, heat=1.0, noise=0.0, seed=0):
    rng = np.random.default_rng(seed)
    cold = np.full(GRID.shape, 23.0, np.float32)
    out = []
    for _ in range(count):
        factor = 1 + 0.1 * rng.normal() if count > 1 else 1.0
        frames = cold + heat * factor * board_heat() + noise * rng.normal(size=(4, *GRID.shape))
        out.append(rise_of(make_film(frames, cold=cold), settings=SETTINGS))
    return out


def test_rise_is_over_the_cold_frames_with_the_error_of_both_means():
    rise = rises(1)[0]
    np.testing.assert_allclose(rise.rise, board_heat(), atol=1e-5)
    np.testing.assert_allclose(rise.error, 0.1 * np.sqrt(1 / 9 + 1 / 18), rtol=1e-6)
    assert rise.reference == "cold_frames"


def test_drift_of_camera_and_room_is_taken_off_the_bench():
    cold = np.full(GRID.shape, 23.0, np.float32)
    drift = np.array([0.2, 0.4, 0.6, 0.8])
    film = make_film(cold + board_heat() + drift[:, None, None], cold=cold)
    np.testing.assert_allclose(bench_drift(film, settings=SETTINGS), drift, atol=1e-5)
    np.testing.assert_allclose(rise_of(film, settings=SETTINGS).rise, board_heat(), atol=1e-5)


def test_without_cold_frames_the_coolest_regions_stand_in():
    film = make_film(23.0 + board_heat(), cold=None)
    rise = rise_of(film, settings=SETTINGS)
    assert rise.reference == "unheated_regions"
    np.testing.assert_allclose(rise.rise, board_heat(), atol=1e-5)


def test_a_good_board_switched_off_earlier_says_nothing_about_later_seconds():
    cold = np.full(GRID.shape, 23.0, np.float32)
    faulty = make_film(cold + board_heat(), cold=cold, on_for_s=4.0)
    good = rise_of(make_film(cold + board_heat(), cold=cold, on_for_s=2.0), settings=SETTINGS)
    kept = np.isfinite(only_while_alike(good, faulty).rise).all(axis=(1, 2))
    assert kept.tolist() == [True, True, False, False]
    same = replace(good, film=replace(good.film, on_for_s=4.0))
    assert np.isfinite(only_while_alike(same, faulty).rise).all()


def test_combining_does_not_depend_on_the_order():
    boards = rises(3)
    one = combine(boards, outline_hash="", side="top", sources=(), settings=SETTINGS)
    two = combine(boards[::-1], outline_hash="", side="top", sources=(), settings=SETTINGS)
    np.testing.assert_allclose(one.mean, two.mean, atol=1e-5)
    np.testing.assert_allclose(one.spread, two.spread, atol=1e-5)


def test_spread_tends_to_the_sample_deviation_with_many_boards():
    boards = rises(60)
    base = combine(boards, outline_hash="", side="top", sources=(), settings=SETTINGS)
    sample = np.std(np.stack([b.rise for b in boards]), axis=0, ddof=1)[3, 9, 11]
    assert base.spread[3, 9, 11] == pytest.approx(sample, rel=0.12)
    # where nothing warms, the floor remains from the prior and shrinks as boards agree
    assert base.spread[3, 5, 5] < SETTINGS.spread_floor_k


def test_one_good_board_is_given_a_wider_spread_than_two():
    one = combine(rises(1), outline_hash="", side="top", sources=(), settings=SETTINGS)
    assert one.spread[3, 9, 11] == pytest.approx(np.hypot(0.03, 0.2 * 4.0), rel=0.01)


def test_excess_of_an_equal_board_is_within_its_error():
    base = combine(rises(4, seed=1), outline_hash="", side="top", sources=(), settings=SETTINGS)
    z = []
    for seed in range(40):
        faulty = rises(2, seed=100 + seed)[0]
        e = excess_over(faulty, base, position_error_mm=0.0, settings=SETTINGS)
        z.append(float(e.excess[3, 9, 11] / np.hypot(e.noise[3, 9, 11], e.spread[3, 9, 11])))
    # the spread of these boards is 10 %, the prior expects 12 %: z is a little narrower than a unit normal
    assert 0.4 < np.std(z) < 1.5


def test_position_error_makes_noise_where_the_good_boards_have_edges():
    base = combine(rises(2), outline_hash="", side="top", sources=(), settings=SETTINGS)
    e = excess_over(rises(1)[0], base, position_error_mm=0.5, settings=SETTINGS)
    assert e.position[3, 9, 9] > 0.5
    assert e.position[3, 5, 5] == 0.0


def test_alone_the_excess_is_the_rise():
    e = excess_over(rises(1)[0], None, position_error_mm=0.0, settings=SETTINGS)
    assert (e.basis, e.count) == ("itself_only", 0)
    np.testing.assert_allclose(e.excess, board_heat(), atol=1e-5)


def test_what_a_hand_shakes_counts_on_every_side():
    cold = np.full(GRID.shape, 23.0, np.float32)
    cold[:, 12:] += 10.0  # an edge of 10 K
    still = rise_of(make_film(cold + board_heat(), cold=cold), settings=SETTINGS)
    shaken = replace(still, film=replace(still.film, motion_error_mm=0.1))

    def error(faulty, goods):
        base = goods and combine(goods, outline_hash="", side="top", sources=(), settings=SETTINGS)
        return float(excess_over(faulty, base, position_error_mm=0.0, settings=SETTINGS).noise[0, 10, 12])

    assert error(shaken, None) > 2 * error(still, None)
    assert error(shaken, [still, still]) > 2 * error(still, [still, still])
    assert error(still, [shaken, shaken]) > 2 * error(still, [still, still])
    assert error(still, [shaken, still]) < error(shaken, [still, still])


def test_baseline_resamples_to_another_grid_and_clock():
    base = combine(rises(2), outline_hash="", side="top", sources=(), settings=SETTINGS)
    finer = BoardGrid(0.0, 0.0, 0.5, 47, 39)
    moved = onto(base, finer, np.array([0.0, 2.0, 4.0, 6.0]))
    assert moved.mean.shape == (3, 39, 47)
    np.testing.assert_allclose(moved.mean[0, 18, 22], (base.mean[0] + base.mean[1])[9, 11] / 2, rtol=1e-5)
    assert np.isnan(moved.mean[2]).all()


def test_robust_deviation_constant():
    # 1 / Phi^-1(3/4) = 1.4826022185, the constant of every text on robust statistics; scipy computes it too.
    assert pytest.approx(1 / stats.norm.ppf(0.75), rel=1e-12) == 1.482602218505602
    assert stats.median_abs_deviation([1, 2, 3, 4, 100], scale="normal") == pytest.approx(1.482602218505602)
