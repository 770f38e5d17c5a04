"""Planck radiation against printed tables, CODATA and direct quadrature."""

import numpy as np
import pytest
from scipy.integrate import quad

from thermscan.physics.radiation import (
    LONG_WAVE,
    SECOND_RADIATION_M_K,
    Band,
    band_radiance,
    exact_band_radiance,
    fraction_below,
    radiance_slope,
    radiance_temperature,
    spectral_radiance,
)

# Mechanical Engineers' Handbook, volume 4, "Radiation Heat Transfer", table of F(0-lambda T), four digits.
HANDBOOK_FRACTIONS = {
    1000: 0.3207e-3,
    1500: 0.1285e-1,
    2000: 0.6673e-1,
    2400: 0.1402,
    3000: 0.2732,
    4000: 0.4809,
    5000: 0.6337,
    6000: 0.7378,
    8000: 0.8562,
    10000: 0.9142,
    20000: 0.9856,
    50000: 0.9989,
}


def test_second_radiation_constant_is_codata_2022():
    assert pytest.approx(1.438776877e-2, rel=1e-9) == SECOND_RADIATION_M_K


# astropy 8.0.2, BlackBody(T) at a wavelength, W m-2 sr-1 um-1: kelvin to (micrometres, radiance).
ASTROPY = {
    250: ((3.5, 0.01638368969289429), (8, 2.732370279060728), (14, 3.6912423061393325)),
    300: ((3.5, 0.2538680749174842), (8, 9.078357422885384), (10, 9.924033330070703), (14, 7.445671481007287)),
    350: ((3.5, 1.7978397993651785), (8, 21.449415209496856), (14, 12.409553471739265)),
    600: ((3.5, 240.1912372037862), (8, 190.95798909112673), (14, 48.72915356210259)),
}


@pytest.mark.parametrize("kelvin", ASTROPY)
def test_spectral_radiance_of_another_library(kelvin):
    for wavelength, radiance in ASTROPY[kelvin]:
        assert spectral_radiance(float(wavelength), float(kelvin)) == pytest.approx(radiance, rel=1e-9)


def test_the_whole_spectrum_adds_up_to_stefan_and_boltzmann():
    # CODATA 2022: sigma = 5.670374419e-8 W m-2 K-4, exact, shown rounded.
    total = quad(lambda x: np.exp(x) * spectral_radiance(np.exp(x), 300.0), np.log(1.0), np.log(1e5), epsrel=1e-11)[0]
    assert total == pytest.approx(5.670374419e-8 * 300.0**4 / np.pi, rel=1e-7)


@pytest.mark.parametrize(("product", "printed"), HANDBOOK_FRACTIONS.items())
def test_black_body_fraction_rounds_to_the_handbook(product, printed):
    # The table was made with c2 = 14388 um K; with it every digit rounds exactly.
    tolerance = 0.5e-7 if product == 1000 else 0.51e-4
    assert fraction_below(float(product), c2_um_k=14388.0) == pytest.approx(printed, abs=tolerance)


def test_half_of_the_energy_lies_below_4107_um_k():
    assert fraction_below(4107.248487711) == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize(
    ("band", "value"),
    [((8, 14), 54.93346), ((7.5, 13), 51.47698), ((7.5, 14), 59.31170), ((8, 12), 38.50042), ((3, 5), 1.865956)],
)
def test_band_radiance_at_300_k(band, value):
    # Computed twice elsewhere: astropy's BlackBody with the trapezoid rule, and adaptive quadrature.
    made = band_radiance(26.85, band=Band(*band))
    assert made == pytest.approx(value, rel=2e-6)
    integral = quad(lambda um: spectral_radiance(um, 300.0), *band, epsrel=1e-11)[0]
    assert exact_band_radiance(300.0, band=Band(*band)) == pytest.approx(integral, rel=1e-9)


def test_slope_and_effective_exponent():
    # dL/dT of 8 to 14 um at 300 K is 0.83782 W m-2 sr-1 K-1 and n = d ln L / d ln T = 4.5755.
    slope = radiance_slope(26.85)
    assert slope == pytest.approx(0.83782, abs=2e-5)
    assert 300.0 * slope / band_radiance(26.85) == pytest.approx(4.5755, abs=1e-3)


def test_table_is_good_to_a_millikelvin():
    random = np.random.default_rng(5)
    kelvin = random.uniform(60.0, 1900.0, 4000)
    exact = exact_band_radiance(kelvin)
    assert np.abs(radiance_temperature(exact) + 273.15 - kelvin).max() < 1e-3
    error_k = (band_radiance(kelvin - 273.15) - exact) / radiance_slope(kelvin - 273.15)
    assert np.abs(error_k).max() < 1e-3


def test_two_term_balance_of_a_painted_target():
    # Apparent 60 C, emissivity 0.90, surroundings 22 C, 8 to 14 um: 63.6103 C (two-term radiance balance).
    radiance = (band_radiance(60.0) - 0.1 * band_radiance(22.0)) / 0.9
    assert radiance_temperature(radiance) == pytest.approx(63.6103, abs=1e-3)


def test_shapes_are_kept_and_ends_are_held():
    grid = np.full((2, 3), 25.0)
    grid.setflags(write=False)
    assert band_radiance(grid).shape == (2, 3)
    assert radiance_temperature(0.0) == pytest.approx(-223.15)
    assert Band(8.0, 14.0) == LONG_WAVE


def test_wien_maximum_at_300_k():
    # CODATA 2022: b = 2.897771955e-3 m K; a quarter of the radiance lies below it.
    wavelengths = np.linspace(9.5, 9.8, 30001)
    assert wavelengths[np.argmax(spectral_radiance(wavelengths, 300.0))] == pytest.approx(9.659240, abs=1e-4)
    assert fraction_below(2897.771955) == pytest.approx(0.250055, abs=1e-6)


def test_a_flat_response_curve_equals_the_flat_band():
    kelvin = np.array([250.0, 300.0, 400.0])
    curved = Band(8.0, 14.0, ((8.0, 1.0), (14.0, 1.0)))
    assert exact_band_radiance(kelvin, band=curved) == pytest.approx(exact_band_radiance(kelvin), rel=1e-6)


def test_a_response_curve_is_integrated():
    # A triangle from 8 to 14 um with its peak at 11 um, by adaptive quadrature of the product.
    curve = ((8.0, 0.0), (11.0, 1.0), (14.0, 0.0))
    weight = lambda w: float(np.interp(w, [8, 11, 14], [0, 1, 0]) * spectral_radiance(w, 300.0))  # noqa: E731
    expected = quad(weight, 8, 11)[0] + quad(weight, 11, 14)[0]
    assert exact_band_radiance(np.array([300.0]), band=Band(8, 14, curve))[0] == pytest.approx(expected, rel=1e-5)
