"""Budgets of temperatures: against a worked value, against Monte Carlo, and what cancels in a difference."""

import math

import numpy as np
import pytest

from thermscan.measure.radiometry import View, reading_of, true_temperature
from thermscan.measure.radiometry_budget import (
    CONTRADICTION,
    Conditions,
    Resolution,
    check_by_draws,
    check_difference_by_draws,
    temperature_of,
    usual_conditions,
)
from thermscan.model.budget import Quantity
from thermscan.model.settings import RadiometrySettings
from thermscan.model.surface import Surface

HALF = 1.959963984540054


def surface(emissivity, spread):
    return Surface("made", emissivity, emissivity - HALF * spread, emissivity + HALF * spread, readable=True)


def exact(name, value=0.0):
    return Quantity(name, value, 0.0)


def quiet_conditions(reflected):
    return Conditions(
        reflected, exact("camera offset"), exact("camera scale"), exact("transmission", 1.0), is_band_known=True
    )


def test_emissivity_and_reflection_by_the_law_of_propagation():
    # Apparent 60 C, emissivity 0.90 +- 0.02, surroundings 22 +- 1 C: 0.79629 K by another library (uncertainties)
    # on an independent series for the band radiance.
    answer = temperature_of(
        exact("reading", 60.0), surface(0.9, 0.02), quiet_conditions(Quantity("reflected", 22.0, 1.0))
    )
    assert answer.temperature.standard_uncertainty == pytest.approx(0.7962939903403817, rel=2e-3)
    assert answer.temperature.value == pytest.approx(63.6103, abs=1e-3)


def test_monte_carlo_agrees_for_a_readable_surface():
    conditions = usual_conditions(Quantity("reflected", 23.0, 2.0), settings=RadiometrySettings())
    reading = Quantity("reading", 60.0, 0.1)
    linear = temperature_of(reading, surface(0.9, 0.02), conditions).temperature
    _, spread, low, high = check_by_draws(reading, surface(0.9, 0.02), conditions, random=np.random.default_rng(5))
    assert spread == pytest.approx(linear.standard_uncertainty, rel=0.05)
    assert (low, high) == pytest.approx((linear.measured.low, linear.measured.high), abs=0.25)


def test_what_both_boards_share_cancels_in_the_difference():
    conditions = usual_conditions(Quantity("reflected", 23.0, 2.0), settings=RadiometrySettings())
    answer = temperature_of(
        Quantity("reading", 45.0, 0.02),
        surface(0.9, 0.02),
        conditions,
        difference=Quantity("excess", 5.0, 0.05),
    )
    terms = {term.name: term for term in answer.terms}
    offset = terms["camera offset"]
    assert abs(offset.contribution_k) > 1.0
    assert abs(offset.difference_k) < 0.01
    assert abs(terms["reflected"].difference_k) < 0.1 * abs(terms["reflected"].contribution_k)
    # what does not cancel is nearly proportional to the difference: the difference at emissivity 0.88 and at 0.92
    low, high = (np.diff(true_temperature(np.array([40.0, 45.0]), View(e, 23.0)))[0] for e in (0.88, 0.92))
    assert abs(terms["emissivity"].difference_k) == pytest.approx((low - high) / 2, rel=0.02)
    squares = math.sqrt(sum(term.difference_k**2 for term in answer.terms))
    assert answer.difference.standard_uncertainty == pytest.approx(squares, rel=1e-6)


def test_a_difference_is_that_of_the_two_temperatures():
    view = View(0.88, 23.0)
    shown = reading_of(np.array([60.0, 41.0]), view)
    answer = temperature_of(
        exact("reading", float(shown[0])),
        surface(0.88, 0.01),
        quiet_conditions(exact("reflected", 23.0)),
        difference=exact("excess", float(shown[0] - shown[1])),
    )
    assert answer.difference.value == pytest.approx(19.0, abs=2e-3)


def test_intervals_cover_the_truth_of_drawn_scenes():
    # 400 made scenes: emissivity, surroundings, camera offset and scale unknown as the budget says they are.
    random = np.random.default_rng(11)
    settings = RadiometrySettings()
    hits = 0
    for _ in range(400):
        true_c, room = random.uniform(25, 90), random.uniform(15, 30)
        e = min(random.normal(0.9, 0.02), 1.0)
        shown = float(reading_of(true_c, View(e, room + random.normal(0, 2.0))))
        offset = random.uniform(-1, 1) * settings.camera_half_width_k
        scale = random.uniform(-1, 1) * settings.camera_scale_half_width
        shown += offset + scale * (shown - room) + random.normal(0, 0.05)
        conditions = usual_conditions(Quantity("reflected", room, 2.0), settings=settings)
        found = temperature_of(Quantity("reading", shown, 0.05), surface(0.9, 0.02), conditions).temperature.measured
        hits += found.low <= true_c <= found.high
    # binomial 95 % range of 400 draws is 93 to 97 %; rectangular parts make the interval a little wide
    assert 0.93 <= hits / 400 <= 0.995


def test_differences_by_monte_carlo_agree_and_cancel():
    reading, between = Quantity("reading", 60.0, 0.1), Quantity("excess", 15.0, 0.3)
    conditions = usual_conditions(Quantity("reflected", 23.0, 2.0), settings=RadiometrySettings())
    linear = temperature_of(reading, surface(0.9, 0.02), conditions, difference=between).difference
    random = np.random.default_rng(8)
    _, spread, low, high = check_difference_by_draws(reading, surface(0.9, 0.02), conditions, between, random=random)
    assert spread == pytest.approx(linear.standard_uncertainty, rel=0.03)
    assert (low, high) == pytest.approx((linear.measured.low, linear.measured.high), abs=0.06)
    # an offset of 1.2 K that both readings share, and nothing else unknown: the draws themselves cancel it
    offset = Quantity("camera offset", 0.0, 1.2)
    shared = Conditions(
        exact("reflected", 23.0), offset, exact("scale"), exact("transmission", 1.0), is_band_known=True
    )
    known = exact("reading", 60.0)
    absolute = check_by_draws(known, surface(0.9, 1e-9), shared, random=random)[1]
    apart = check_difference_by_draws(known, surface(0.9, 1e-9), shared, exact("excess", 15.0), random=random)[1]
    assert absolute > 1.2
    assert apart < 0.01


def test_contradicting_values_have_no_temperature_but_a_reason():
    answer = temperature_of(exact("reading", 20.0), surface(0.1, 0.01), quiet_conditions(exact("reflected", 120.0)))
    assert answer.temperature is None
    assert answer.why == CONTRADICTION


def test_what_blur_took_is_put_back_and_less_sure():
    # 28 % of a contrast of 10 K is lost: 10 / 0.72 was there, known to between none and twice of what is put back.
    conditions = usual_conditions(Quantity("reflected", 23.0, 2.0), settings=RadiometrySettings())
    known = {"difference": Quantity("excess", 10.0, 0.05)}
    large, small = (
        temperature_of(Quantity("reading", 45.0, 0.02), surface(0.9, 0.02), conditions, resolution=r, **known)
        for r in (Resolution(), Resolution(0.28, 12.0, 10.0))
    )
    lost, gain = 10.0 * 0.28 / 0.72, large.difference.value / 10.0
    assert small.difference.value == pytest.approx(large.difference.value + gain * lost, rel=0.02)
    assert small.temperature.value - large.temperature.value == pytest.approx(gain * lost * 1.2, rel=0.02)
    terms = {t.name: t for t in small.terms}
    assert abs(terms["resolution"].difference_k) == pytest.approx(gain * lost / math.sqrt(3), rel=0.03)
    assert "resolution" not in {t.name for t in large.terms}
