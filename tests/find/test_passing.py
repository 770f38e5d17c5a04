"""A hand before the camera is left out; heat that stays, or cools as heat does, is not."""

from dataclasses import replace

import numpy as np
import pytest
from made_film import GRID, NOISE_K, film_of, noisy

from thermscan.find.passing import without_passing
from thermscan.model.film import Excess
from thermscan.model.settings import DetectionSettings

SETTINGS = DetectionSettings()
BINS, WIDTH_S = 20, 0.3


def made(change, *, seed=0):
    """An excess of ``change`` (bins, rows, columns) with camera noise."""
    values = noisy(change, seed=seed)
    film = film_of(values, width_s=WIDTH_S)
    noise = np.full(values.shape, NOISE_K, np.float32)
    return Excess(film, values, noise, 0 * noise, "good_boards", 2, 0 * noise, "cold_frames")


def still():
    return np.zeros((BINS, *GRID.shape))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_hand_is_left_out_and_said(sign):
    change = still()
    change[8:12, 5:12, 10:18] = sign * 6.0  # in the other sign it passed before a good board's camera
    out = without_passing(made(change), settings=SETTINGS)
    assert np.isnan(out.excess[8:12, 5:12, 10:18]).all()
    assert np.isfinite(out.excess[:, 18:, :5]).all()
    assert any("passed before the camera" in w for w in out.warnings)


@pytest.mark.parametrize("seed", range(5))
def test_heat_that_stays_is_kept(seed):
    change = still()
    seconds = (np.arange(BINS) + 0.5) * WIDTH_S
    change[:, 5:8, 5:8] = 8.0 * (1 - np.exp(-seconds / 1.5))[:, None, None]
    change[:, 12:15, 20:25] = -3.0 * np.clip(seconds - 2.0, 0, None)[:, None, None]
    excess = made(change, seed=seed)
    assert without_passing(excess, settings=SETTINGS) is excess


def test_a_plate_that_cools_after_a_burst_is_kept():
    # one second of heat in a plate, then none: around a source of 2 mm radius the rise falls as 1 / (1 + 4 a t / r2)
    # (instantaneous Gaussian source in two dimensions, Carslaw and Jaeger, 10.3), far slower than a hand leaves
    seconds = (np.arange(BINS) + 0.5) * WIDTH_S
    rise = np.where(seconds < 2.4, seconds / 2.4, 1 / (1 + 4 * 0.5 * (seconds - 2.4) / 4.0))
    change = still()
    change[:, 8:12, 8:12] = 6.0 * rise[:, None, None]
    excess = made(change)
    assert without_passing(excess, settings=SETTINGS) is excess


def test_cooling_after_power_off_is_kept():
    change = still()
    change[:8, 5:12, 10:18] = 1.5
    change[8:12, 5:12, 10:18] = 6.0
    excess = made(change)
    assert without_passing(excess, settings=SETTINGS) is not excess
    excess = replace(excess, film=replace(excess.film, on_for_s=8 * WIDTH_S))
    assert without_passing(excess, settings=SETTINGS) is excess


def test_counts_and_other_clocks_are_left_alone():
    change = still()
    change[8:12, 5:12, 10:18] = 6.0
    excess = made(change)
    for film in (replace(excess.film, unit="count"), replace(excess.film, clock="recording")):
        other = replace(excess, film=film)
        assert without_passing(other, settings=SETTINGS) is other


@pytest.mark.parametrize("seed", range(5))
def test_a_small_hot_spot_that_an_unsteady_hand_moves_is_kept(seed):
    """A shorted part of two pixels, 100 K warm, drawn a tenth of a pixel beside itself from bin to bin."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[: GRID.rows, : GRID.columns]
    drift = np.cumsum(random.normal(0, 0.25, (BINS, 2)), axis=0)
    drift -= drift.mean(axis=0)
    seconds = (np.arange(BINS) + 0.5) * WIDTH_S
    spot = [
        100.0 * (1 - np.exp(-t / 0.8)) * np.exp(-((x - 14 - dx) ** 2 + (y - 9 - dy) ** 2) / 4.0)
        for t, (dx, dy) in zip(seconds, drift, strict=True)
    ]
    excess = made(np.array(spot), seed=seed)
    step = float(np.sqrt(np.mean(drift**2))) * GRID.step_mm
    shaky = replace(excess, film=replace(excess.film, motion_error_mm=step))
    kept = without_passing(shaky, settings=SETTINGS)
    assert np.isfinite(kept.excess[:, 8:11, 13:16]).all()


def test_what_passes_beside_a_hot_spot_does_not_take_it_along():
    change = still()
    change[:, 8:11, 13:16] = 60.0
    change[8:12, 12:18, 10:20] = 4.0
    out = without_passing(made(change), settings=SETTINGS)
    assert np.isnan(out.excess[8:12, 13:17, 11:19]).all()
    assert np.isfinite(out.excess[:, 8:11, 13:16]).all()
