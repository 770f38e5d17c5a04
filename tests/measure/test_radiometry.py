"""Radiometry against worked values of other implementations, the standards' procedures and its own inverse."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermscan.measure.radiometry import (
    BARE,
    View,
    check_view,
    emissivity_from,
    gain,
    reading_of,
    received_radiance,
    sensitivities_of,
    surface_temperature,
    transmission_from,
    true_picture,
    true_temperature,
)
from thermscan.model.errors import InputError
from thermscan.physics.radiation import Band, exact_band_radiance

# Apparent 60.00 C, surroundings 22.00 C; computed with an independent series for the band radiance and Brent's
# method on it: (band, emissivity, true temperature).
WORKED = [
    ((8, 14), 0.95, 61.7215),
    ((8, 14), 0.90, 63.6103),
    ((8, 14), 0.60, 80.4647),
    ((8, 14), 0.10, 245.1255),
    ((7.5, 13), 0.95, 61.6962),
    ((7.5, 13), 0.90, 63.5553),
    ((7.5, 13), 0.60, 80.0574),
    ((7.5, 13), 0.10, 236.1265),
    ((3, 5), 0.95, 61.2492),
    ((3, 5), 0.90, 62.5945),
    ((3, 5), 0.60, 73.6233),
    ((3, 5), 0.10, 142.925),
]


@pytest.mark.parametrize(("band", "emissivity", "true_c"), WORKED)
def test_emissivity_and_reflection_match_an_independent_inversion(band, emissivity, true_c):
    found = true_temperature(60.0, View(emissivity, 22.0), band=Band(*band))
    assert found == pytest.approx(true_c, abs=1e-3)


def test_the_fourth_power_law_is_no_substitute():
    # The total-radiation law at emissivity 0.1: (T^4 - 0.9 Tr^4) / 0.1, which is 34 K off in a long-wave band.
    wrong = ((333.15**4 - 0.9 * 295.15**4) / 0.1) ** 0.25 - 273.15
    assert abs(true_temperature(60.0, View(0.1, 22.0)) - wrong) > 30


def test_a_window_is_taken_off():
    # Transmission 0.85, window at 25 C, emissivity 0.90, surroundings 22 C: 69.3624 C by the same independent series.
    assert true_temperature(60.0, View(0.9, 22.0, 0.85, 25.0)) == pytest.approx(69.36244858873664, abs=1e-3)


def test_sensitivities_match_finite_differences_of_the_independent_series():
    found = sensitivities_of(60.0, View(0.9, 22.0))
    assert found.by_emissivity == pytest.approx(-39.61635168565181, rel=1e-3)
    assert found.by_reflected == pytest.approx(-0.07938507857090826, rel=1e-3)


@pytest.mark.parametrize("index", range(5))
def test_every_sensitivity_is_the_slope_of_the_function(index):
    start = np.array([60.0, 0.83, 21.0, 0.9, 27.0])
    step = np.array([0.2, 1e-3, 0.2, 1e-3, 0.2])
    applied = View(0.97, 25.0, 0.98, 24.0)

    def solve(x):
        return true_temperature(x[0], View(*x[1:]), applied=applied)

    up, down = start.copy(), start.copy()
    up[index] += step[index]
    down[index] -= step[index]
    slope = (solve(up) - solve(down)) / (2 * step[index])
    found = sensitivities_of(60.0, View(*start[1:]), applied=applied)
    values = (found.by_reading, found.by_emissivity, found.by_reflected, found.by_transmission, found.by_window)
    assert values[index] == pytest.approx(slope, rel=2e-3)


@settings(max_examples=60, deadline=None)
@given(
    true_c=st.floats(-20, 400),
    emissivity=st.floats(0.1, 1.0),
    reflected_c=st.floats(-20, 60),
    transmission=st.floats(0.3, 1.0),
    told=st.floats(0.3, 1.0),
)
def test_reading_then_correcting_returns_the_surface(true_c, emissivity, reflected_c, transmission, told):
    view, applied = View(emissivity, reflected_c, transmission, 23.0), View(told, 23.0)
    shown = reading_of(true_c, view, applied=applied)
    if np.isfinite(shown):  # a camera told a wrong emissivity may find no temperature at all
        assert true_temperature(shown, view, applied=applied) == pytest.approx(true_c, abs=0.05)


def test_nothing_is_applied_twice():
    view = View(0.93, 22.0)
    assert true_temperature(58.3, view, applied=view) == pytest.approx(58.3, abs=1e-3)


def test_received_radiance_matches_the_series():
    # 0.62 of a black body at 60 C and 0.38 of one at 22 C, by the series without the table.
    own, reflected = exact_band_radiance(np.array([333.15, 295.15]))
    assert received_radiance(60.0, View(0.62, 22.0)) == pytest.approx(0.62 * own + 0.38 * reflected, rel=1e-6)
    assert surface_temperature(0.62 * own + 0.38 * reflected, BARE) == pytest.approx(46.88830869129657, abs=1e-3)


def test_contradicting_values_give_no_temperature():
    assert np.isnan(true_temperature(20.0, View(0.1, 100.0)))


def test_a_rise_grows_by_one_over_the_emissivity_times_the_slopes():
    view = View(0.9, 22.0)
    steps = true_temperature(np.array([59.99, 60.01]), view)
    assert gain(60.0, view) == pytest.approx(np.diff(steps)[0] / 0.02, rel=1e-3)
    assert gain(60.0, view) < 1 / 0.9


def test_emissivity_and_transmission_from_references():
    # 60 C, emissivity 0.62, 22 C reads 46.8883 C; 60 C through 0.85 of a window at 22 C reads 54.9749 C.
    assert emissivity_from(46.88830869129657, 60.0, 22.0) == pytest.approx(0.62, abs=1e-5)
    assert transmission_from(54.97488458864319, 60.0, 22.0) == pytest.approx(0.85, abs=1e-5)


def test_pictures_equal_the_single_values_within_a_millikelvin():
    frames = np.random.default_rng(3).uniform(-15, 180, (40, 50))
    frames[3, 4] = np.nan
    for view, applied in ((View(0.9, 22.0), BARE), (View(0.6, 30.0, 0.8, 25.0), View(0.95, 23.0)), (BARE, View(0.9))):
        exact = true_temperature(frames, view, applied=applied)
        known = exact > -40
        assert np.abs(true_picture(frames, view, applied=applied) - exact)[known].max() < 1e-3
    assert np.isnan(true_picture(frames, BARE)[3, 4])


@pytest.mark.parametrize(
    ("view", "line"),
    [
        (
            View(0.0, 22.0),
            "--emissivity: emissivity 0 is impossible; emissivity lies above 0 and goes up to 1; for what cannot be "
            "read use tape",
        ),
        (
            View(1.2, 22.0),
            "--emissivity: emissivity 1.2 is impossible; emissivity lies above 0 and goes up to 1; for what cannot be "
            "read use tape",
        ),
        (
            View(0.9, -400.0),
            "--emissivity: -400 C is no reflected temperature; give degrees Celsius",
        ),
    ],
)
def test_impossible_views_are_refused_in_one_line(view, line):
    with pytest.raises(InputError) as caught:
        check_view(view, path="--emissivity", place="")
    assert str(caught.value) == line
