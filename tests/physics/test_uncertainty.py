"""Uncertainty against the worked examples of JCGM 100 and JCGM 101."""

import math

import numpy as np
import pytest

from thermscan.model.budget import Quantity
from thermscan.physics.sakuma_hattori import SakumaHattori
from thermscan.physics.straight_line import fit_line
from thermscan.physics.uncertainty import monte_carlo, propagate, propagate_covariance

# JCGM 100:2008, H.1, end gauge, as reproduced in the documentation of the GTC library; nm, K, 1/K.
END_GAUGE = [
    Quantity("length of the standard", 5.0000623e7, 25.0, degrees_of_freedom=18),
    Quantity("difference", 215.0, 5.8, degrees_of_freedom=24),
    Quantity("random effects", 0.0, 3.9, degrees_of_freedom=5),
    Quantity("systematic effects", 0.0, 6.7, degrees_of_freedom=8),
    Quantity("mean temperature", -0.1, 0.2),
    Quantity("cyclic variation", 0.0, 0.5 / math.sqrt(2), "arcsine"),
    Quantity("expansion", 11.5e-6, 2e-6 / math.sqrt(3), "rectangular"),
    Quantity("difference of expansion", 0.0, 1e-6 / math.sqrt(3), "rectangular", 50),
    Quantity("difference of temperature", 0.0, 0.05 / math.sqrt(3), "rectangular", 2),
]


def end_gauge(standard, d0, d1, d2, mean, cyclic, expansion, expansion_difference, temperature_difference):
    own = standard + d0 + d1 + d2
    return own - standard * (expansion_difference * (mean + cyclic) + expansion * temperature_difference)


def test_the_end_gauge_of_the_guide():
    budget = propagate(end_gauge, END_GAUGE)
    assert budget.value == pytest.approx(50000838, abs=0.5)
    assert budget.standard_uncertainty == pytest.approx(31.663879, abs=0.05)  # printed 32
    assert budget.degrees_of_freedom == pytest.approx(16.7519, abs=0.05)  # printed 16, cut off


def test_resistance_and_reactance_with_correlation():
    # JCGM 100:2008, H.2, table H.2: five simultaneous readings of volts, amperes and phase.
    volts = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    amps = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    readings = np.vstack([volts, amps, phase])

    def impedance(v, i, p):
        return np.array([v / i * np.cos(p), v / i * np.sin(p), v / i])

    values, covariance = propagate_covariance(impedance, readings.mean(axis=1), np.cov(readings) / 5)
    spread = np.sqrt(np.diag(covariance))
    assert values == pytest.approx([127.732, 219.847, 254.260], abs=1e-3)
    assert spread == pytest.approx([0.071, 0.2956, 0.2363], abs=1e-3)
    correlation = covariance / np.outer(spread, spread)
    assert correlation[0, 1] == pytest.approx(-0.588, abs=2e-3)
    assert correlation[0, 2] == pytest.approx(-0.485, abs=2e-3)
    assert correlation[1, 2] == pytest.approx(0.993, abs=2e-3)


def test_the_thermometer_line_of_the_guide():
    # JCGM 100:2008, H.3: corrections of a thermometer at eleven readings; data and results as in the GTC examples.
    reading = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    correction = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    line = fit_line(reading, correction, x0=20.0)
    spread = np.sqrt(np.diag(line.covariance))
    assert line.intercept == pytest.approx(-0.1712, abs=1e-4)
    assert line.slope == pytest.approx(0.00218, abs=1e-5)
    assert spread == pytest.approx([0.0029, 0.00067], abs=5e-5)
    assert line.covariance[0, 1] / np.prod(spread) == pytest.approx(-0.930, abs=1e-3)
    assert line.scatter == pytest.approx(0.0035, abs=5e-5)
    assert line.at(30.0) == pytest.approx(-0.1494, abs=1e-4)
    assert line.error_at(30.0) == pytest.approx(0.0041, abs=1e-4)


def total(*terms):
    return sum(terms)


def test_monte_carlo_of_four_normal_quantities():
    # JCGM 101:2008, 9.2.2: u = 2.00, interval -3.92 to 3.92.
    _, spread, low, high = monte_carlo(
        total, [Quantity(str(i), 0.0, 1.0) for i in range(4)], random=np.random.default_rng(1), draws=200_000
    )
    assert spread == pytest.approx(2.0, abs=0.01)
    assert (low, high) == pytest.approx((-3.92, 3.92), abs=0.04)


def test_monte_carlo_of_four_rectangular_quantities():
    # JCGM 101:2008, 9.2.3: u = 2.00, interval -3.88 to 3.88 (exact by the Irwin-Hall distribution: 3.8794).
    _, spread, low, high = monte_carlo(
        total,
        [Quantity(str(i), 0.0, 1.0, "rectangular") for i in range(4)],
        random=np.random.default_rng(2),
        draws=200_000,
    )
    assert spread == pytest.approx(2.0, abs=0.01)
    assert (low, high) == pytest.approx((-3.8794, 3.8794), abs=0.03)


def test_one_wide_rectangle_makes_the_law_of_propagation_too_wide():
    # JCGM 101:2008, 9.2.4: u = 10.1, interval -17.0 to 17.0, where the law of propagation says 19.9.
    inputs = [Quantity(str(i), 0.0, 10.0 if i == 3 else 1.0, "rectangular") for i in range(4)]
    _, spread, low, high = monte_carlo(total, inputs, random=np.random.default_rng(3), draws=200_000)
    assert spread == pytest.approx(10.1, abs=0.1)
    assert (low, high) == pytest.approx((-17.0, 17.0), abs=0.1)
    assert propagate(total, inputs).measured.high == pytest.approx(19.9, abs=0.05)


def test_both_ways_agree_on_the_end_gauge():
    _, spread, low, high = monte_carlo(end_gauge, END_GAUGE, random=np.random.default_rng(4), draws=100_000)
    # JCGM 101:2008, 9.5 (from memory): u 36 nm where the linear law says 32 nm, because a product of two uncertain
    # quantities has no first-order part.
    assert 33 < spread < 38
    assert low < 50000838 < high


# A surface of emissivity 0.90 that reads 60 C: a Sakuma-Hattori radiance, so that libraries which differentiate plain
# arithmetic can follow. Uncertain: reading, emissivity, reflected temperature, camera offset and scale.
SURFACE = [
    Quantity("reading", 60.0, 0.1),
    Quantity("emissivity", 0.9, 0.02),
    Quantity("reflected", 23.0, 2.0),
    Quantity("offset", 0.0, 2 / math.sqrt(3), "rectangular"),
    Quantity("scale", 0.0, 0.02 / math.sqrt(3), "rectangular"),
]
APART = Quantity("difference", 15.0, 0.3)


def own_temperature(reading, emissivity, reflected, offset, scale):
    curve = SakumaHattori(9.3339, 179.07, 6818.6)
    shown = reading - offset - scale * (reading - reflected)
    return curve.temperature_c((curve.signal(shown) - (1 - emissivity) * curve.signal(reflected)) / emissivity)


def own_difference(*x):
    return own_temperature(*x[:5]) - own_temperature(x[0] - x[5], *x[1:5])


def test_a_surface_temperature_matches_two_libraries_by_propagation():
    # uncertainties 3.2.3 and GTC 1.5.1, the same balance typed into each; both differentiate exactly and agree to
    # fifteen digits.
    budget = propagate(own_temperature, SURFACE)
    assert budget.value == pytest.approx(63.53052006179439, abs=1e-9)
    assert budget.standard_uncertainty == pytest.approx(1.55555710389143, rel=1e-3)
    expected = [0.10841175, -0.77503210, -0.16036089, -1.25183107, -0.46317750]
    assert budget.contributions == pytest.approx(expected, rel=2e-3)


def test_what_two_readings_share_cancels_as_in_two_libraries():
    # The same two libraries, the difference to a reading 15 K lower of the same surface with the same camera.
    budget = propagate(own_difference, [*SURFACE, APART])
    assert budget.value == pytest.approx(16.317124226904753, abs=1e-9)
    assert budget.standard_uncertainty == pytest.approx(0.47426376049227514, rel=2e-3)
    expected = [-0.00078927, -0.28739446, 0.02031586, 0.00911365, -0.18576966]
    assert budget.contributions[:5] == pytest.approx(expected, rel=0.02)
    # offset: 1.25 K in the temperature, 0.009 K in the difference
    assert abs(budget.contributions[3]) < 0.01 < 1.2 < abs(propagate(own_temperature, SURFACE).contributions[3])


def test_a_surface_temperature_matches_another_library_by_monte_carlo():
    # metrolopy 1.1.1, a million draws: mean 63.546, u 1.5571, 95 % from 60.672 to 66.524; difference 16.323, 0.4745,
    # 15.414 to 17.271.
    found = monte_carlo(own_temperature, SURFACE, random=np.random.default_rng(6), draws=200_000)
    assert found == pytest.approx((63.546, 1.5571, 60.672, 66.524), abs=0.03)
    found = monte_carlo(own_difference, [*SURFACE, APART], random=np.random.default_rng(7), draws=200_000)
    assert found == pytest.approx((16.323, 0.4745, 15.414, 17.271), abs=0.015)
