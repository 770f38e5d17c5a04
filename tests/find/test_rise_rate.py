"""Rise rates against certified data, closed forms and simulated noise."""

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from thermscan.find.rise_rate import fit_slope, sample_noise, steepest_slope, without_steps
from thermscan.model.settings import RateSettings

SETTINGS = RateSettings()
DATA = Path(__file__).parent.parent / "data"


def test_slope_equals_the_certified_value():
    # NIST Statistical Reference Datasets, linear regression, data set "Norris" (public domain): certified slope
    # 1.00211681802045 with standard deviation 0.000429796848199937, residual standard deviation 0.884796396144373.
    y, x = np.loadtxt(DATA / "nist_norris.txt").T
    slope, error = fit_slope(x, y, noise_k=0.884796396144373)
    assert slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert error == pytest.approx(4.29796848199937e-4, rel=1e-9)


def test_slope_error_of_uniform_samples_is_the_exact_identity():
    # std = sigma sqrt(12 / (dt^2 n (n^2 - 1))): textbook identity for uniformly sampled lines.
    t = 0.1 * np.arange(50)
    assert fit_slope(t, t, noise_k=0.05)[1] == pytest.approx(0.05 * np.sqrt(12 / (0.01 * 50 * (2500 - 1))), rel=1e-12)


def test_slope_agrees_with_theil_sen_on_clean_data_and_with_linregress():
    rng = np.random.default_rng(0)
    t = np.linspace(0, 1, 40)
    y = 3 * t + rng.normal(0, 0.01, 40)
    slope, _ = fit_slope(t, y, noise_k=0.01)
    assert slope == pytest.approx(stats.linregress(t, y).slope, rel=1e-12)
    assert slope == pytest.approx(stats.theilslopes(y, t).slope, abs=0.02)


def test_sample_noise_sees_noise_not_the_curve():
    rng = np.random.default_rng(1)
    t = np.linspace(0, 10, 400)
    found = sample_noise(5 * (1 - np.exp(-t / 2)) + rng.normal(0, 0.05, t.size))
    assert found == pytest.approx(0.05, rel=0.12)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_interval_covers_the_true_steepest_slope(sign):
    # Lumped warm-up A (1 - exp(-t/tau)): mean slope over the first 0.5 s is A (1 - exp(-0.5/tau)) / 0.5.
    rng = np.random.default_rng(2)
    t = np.arange(0, 10, 1 / 9)
    hits = 0
    for _ in range(80):
        a, tau = rng.uniform(2, 10), rng.uniform(1, 4)
        curve = sign * a * (1 - np.exp(-t / tau)) + rng.normal(0, 0.06, t.size)
        rate = steepest_slope(t, curve, settings=SETTINGS)
        truth = sign * a * (np.exp(-rate.from_s / tau) - np.exp(-(rate.from_s + rate.window_s) / tau)) / rate.window_s
        hits += rate.k_per_s.low <= truth <= rate.k_per_s.high
        assert rate.window_s <= 0.51
    assert 70 <= hits <= 80


def test_flat_noise_gives_an_interval_around_zero():
    rng = np.random.default_rng(3)
    t = np.arange(0, 10, 1 / 9)
    around = 0
    for _ in range(40):
        rate = steepest_slope(t, rng.normal(0, 0.06, t.size), settings=SETTINGS)
        around += rate.k_per_s.low <= 0 <= rate.k_per_s.high
    assert around >= 33


def test_shutter_step_is_taken_out_but_a_power_on_kink_is_not():
    t = np.arange(0, 5, 0.1)
    rng = np.random.default_rng(4)
    curve = 0.4 * t + rng.normal(0, 0.01, t.size)
    stepped = curve + 2.0 * (t > 2.55)
    assert np.abs(without_steps(stepped, noise_k=0.01, settings=SETTINGS) - curve).max() < 0.1
    kinked = np.where(t > 2, 3 * (t - 2), 0.0)
    np.testing.assert_array_equal(without_steps(kinked, noise_k=0.01, settings=SETTINGS), kinked)


def test_slow_frames_use_the_shortest_window_they_allow():
    t = np.arange(0, 12, 2.0)
    rate = steepest_slope(t, 0.3 * t, noise_k=0.01, settings=SETTINGS)
    assert rate.window_s == pytest.approx(2.0)
    assert rate.k_per_s.value == pytest.approx(0.3)


def test_too_few_samples_give_none():
    assert steepest_slope(np.arange(4.0), np.arange(4.0), settings=SETTINGS) is None
    assert steepest_slope(np.arange(9.0), np.full(9, np.nan), settings=SETTINGS) is None
