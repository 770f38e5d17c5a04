"""Bayes' rule and scores against published examples and independent sums."""

import numpy as np
import pytest
from scipy.stats import entropy

from thermscan.explain.next_capture import expected_bits
from thermscan.explain.posterior import brier_score, posterior


def test_bayes_rule_on_the_cab_problem():
    # Tversky and Kahneman, "Evidential impact of base rates" (1982): 15 % blue cabs, a witness right 80 % of the
    # time says blue; the published answer is 0.41.
    p = posterior(np.log([0.15, 0.85]), np.log([0.80, 0.20]))
    assert p[0] == pytest.approx(12 / 29, abs=1e-12)
    assert round(p[0], 2) == 0.41
    assert p.sum() == pytest.approx(1.0)


def test_bayes_rule_on_the_screening_example():
    # Casscells, Schoenberger and Graboys (1978): prevalence 1 in 1000, 5 % false positives; answer about 2 %.
    p = posterior(np.log([0.001, 0.999]), np.log([1.0, 0.05]))
    assert p[0] == pytest.approx(0.0196, abs=1e-4)


def test_posterior_does_not_overflow():
    p = posterior(np.log([0.5, 0.5]), np.array([-5000.0, -5003.0]))
    assert p[0] == pytest.approx(1 / (1 + np.exp(-3)))


def test_brier_score_equals_its_decomposition():
    # Murphy (1973): reliability - resolution + uncertainty, exact where forecasts take few values.
    random = np.random.default_rng(3)
    forecast = random.choice([0.1, 0.4, 0.7, 0.9], 500)
    outcome = (random.random(500) < forecast).astype(float)
    base = outcome.mean()
    reliability = resolution = 0.0
    for value in np.unique(forecast):
        rows = forecast == value
        share, seen = rows.mean(), outcome[rows].mean()
        reliability += share * (value - seen) ** 2
        resolution += share * (seen - base) ** 2
    assert brier_score(forecast, outcome) == pytest.approx(reliability - resolution + base * (1 - base), abs=1e-12)


def test_expected_information_of_a_symmetric_channel():
    # Shannon (1948): a binary symmetric channel that errs with probability p carries 1 - H(p) bits.
    p = 0.11
    bits = expected_bits(np.array([0.5, 0.5]), np.array([[1 - p, p], [p, 1 - p]]))
    assert bits == pytest.approx(1 - entropy([p, 1 - p], base=2), abs=1e-12)
    assert bits == pytest.approx(0.5, abs=1e-3)


def test_a_measurement_that_cannot_tell_is_worth_nothing():
    assert expected_bits(np.array([0.2, 0.8]), np.array([[0.3, 0.7], [0.3, 0.7]])) == pytest.approx(0.0, abs=1e-12)
