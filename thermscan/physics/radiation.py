"""Thermal radiation inside a wavelength band: Planck's law, its band integral, slope and inverse.

Symbols: wavelength lambda, absolute temperature T, c2 = h c / k_B (second radiation constant), x = c2 / (lambda T).
The band integral uses the series of the black-body fraction F(0 -> lambda T) (Chang and Rhee 1984, from memory;
checked in the tests against printed tables and direct quadrature).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import constants

ZERO_C_K = 273.15
SECOND_RADIATION_M_K = constants.value("second radiation constant")
# The table of each band. With 0.1 K steps linear interpolation is wrong by at most h^2/8 (n - 1)/T, n being the
# effective exponent: 0.7 mK at 50 K and under 0.02 mK from 250 K up (8 to 14 um).
TABLE_FROM_K = 50.0
TABLE_TO_K = 2000.0
TABLE_STEP_K = 0.1


@dataclass(frozen=True)
class Band:
    """A wavelength band between ``low_um`` and ``high_um``, micrometres.

    ``response`` holds pairs (micrometres, relative response), wavelengths growing, joined by straight lines and zero
    beyond their ends; empty for a flat response of one over the whole band.
    """

    low_um: float = 8.0
    high_um: float = 14.0
    response: tuple[tuple[float, float], ...] = ()


LONG_WAVE = Band()


def spectral_radiance(wavelength_um: np.ndarray, temperature_k: np.ndarray) -> np.ndarray:
    """Evaluate Planck's law.

    Parameters
    ----------
    wavelength_um : ndarray, micrometres
    temperature_k : ndarray, kelvin
        Broadcasts with the wavelength.

    Returns
    -------
    ndarray
        Spectral radiance of a black body, W m-2 sr-1 um-1.
    """
    wavelength_m = np.asarray(wavelength_um, float) * 1e-6
    factor = 2.0 * constants.h * constants.c**2 / wavelength_m**5
    return 1e-6 * factor / np.expm1(SECOND_RADIATION_M_K / (wavelength_m * np.asarray(temperature_k, float)))


def fraction_below(wavelength_temperature_um_k: np.ndarray, *, c2_um_k: float | None = None) -> np.ndarray:
    """Sum the share of black-body radiation at wavelengths below lambda, F(0 -> lambda T).

    Parameters
    ----------
    wavelength_temperature_um_k : ndarray
        Product lambda T, micrometre kelvin, 50 or more.
    c2_um_k : float, optional
        Second radiation constant, um K; the CODATA value by default (older tables used 14388).

    Returns
    -------
    ndarray
        Fraction from 0 to 1, error under 1e-12 below 50000 um K.
    """
    c2 = SECOND_RADIATION_M_K * 1e6 if c2_um_k is None else c2_um_k
    product = np.atleast_1d(np.asarray(wavelength_temperature_um_k, float))
    x = c2 / product
    terms = int(np.ceil(45.0 / max(float(x.min()), 0.05))) + 1
    total = np.zeros_like(x)
    for n in range(1, terms + 1):
        total += np.exp(-n * x) / n * (x**3 + 3 * x**2 / n + 6 * x / n**2 + 6 / n**3)
    return (15.0 / np.pi**4 * total).reshape(np.shape(wavelength_temperature_um_k))


def exact_band_radiance(temperature_k: np.ndarray, *, band: Band = LONG_WAVE) -> np.ndarray:
    """Sum the radiance of a black body inside a band by the series, without the table.

    A band with a response curve is integrated by the trapezium rule on 1200 wavelengths.

    Parameters
    ----------
    temperature_k : ndarray, kelvin, above zero
    band : Band

    Returns
    -------
    ndarray
        W m-2 sr-1.
    """
    temperature = np.asarray(temperature_k, float)
    if band.response:
        return _weighted_radiance(temperature, band)
    share = fraction_below(band.high_um * temperature) - fraction_below(band.low_um * temperature)
    return constants.sigma * temperature**4 / np.pi * share


def _weighted_radiance(temperature_k: np.ndarray, band: Band) -> np.ndarray:
    """Integrate Planck's law times the response curve over the band, one wavelength after the other."""
    curve = np.array(band.response, float)
    wavelengths = np.union1d(np.linspace(band.low_um, band.high_um, 1200), curve[:, 0])
    wavelengths = wavelengths[(wavelengths >= band.low_um) & (wavelengths <= band.high_um)]
    weights = np.interp(wavelengths, curve[:, 0], curve[:, 1], left=0.0, right=0.0)
    steps = np.diff(wavelengths)
    weights = weights * (np.r_[steps, 0.0] + np.r_[0.0, steps]) / 2
    total = np.zeros_like(temperature_k)
    for wavelength, weight in zip(wavelengths, weights, strict=True):
        if weight > 0:
            total += weight * spectral_radiance(wavelength, temperature_k)
    return total


@lru_cache(maxsize=16)
def _table(band: Band) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Temperatures (degrees Celsius), radiances and slopes of a band on an even grid."""
    count = round((TABLE_TO_K - TABLE_FROM_K) / TABLE_STEP_K) + 1
    kelvin = np.linspace(TABLE_FROM_K, TABLE_TO_K, count)
    radiance = exact_band_radiance(kelvin, band=band)
    slope = np.gradient(radiance, kelvin, edge_order=2)
    table = (kelvin - ZERO_C_K, radiance, slope)
    for column in table:
        column.setflags(write=False)
    return table


def band_radiance(temperature_c: np.ndarray, *, band: Band = LONG_WAVE) -> np.ndarray:
    """Look up the radiance of a black body inside a band.

    Parameters
    ----------
    temperature_c : ndarray, degrees Celsius
        From -223.15 to 1726.85; held at these ends outside.
    band : Band

    Returns
    -------
    ndarray of the same shape, W m-2 sr-1
        Off by less than what 1 mK makes over the whole range.
    """
    celsius, radiance, _ = _table(band)
    return np.interp(temperature_c, celsius, radiance)


def radiance_slope(temperature_c: np.ndarray, *, band: Band = LONG_WAVE) -> np.ndarray:
    """Differentiate the band radiance by temperature: W m-2 sr-1 K-1, arguments as in :func:`band_radiance`."""
    celsius, _, slope = _table(band)
    return np.interp(temperature_c, celsius, slope)


def radiance_temperature(radiance: np.ndarray, *, band: Band = LONG_WAVE) -> np.ndarray:
    """Find the temperature of the black body that has this radiance inside the band.

    Parameters
    ----------
    radiance : ndarray, W m-2 sr-1
        Held at the ends of the table (-223.15 and 1726.85 degrees Celsius) outside of it: a radiance of zero or
        less, which no black body has, gives -223.15.
    band : Band

    Returns
    -------
    ndarray of the same shape, degrees Celsius
        Off by less than 1 mK.
    """
    celsius, table, _ = _table(band)
    return np.interp(radiance, table, celsius)
