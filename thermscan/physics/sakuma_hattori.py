"""The Sakuma-Hattori equation, Planckian form: a camera's signal against the temperature of a black body.

S(T) = C / (exp(c2 / (A T + B)) - 1), with T in kelvin, c2 in um K, A in um, B in um K. Form, inverse and derivative
as printed in the public encyclopedia article on the equation, which says that CCT-WG5 recommended it in 2008.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from thermscan.physics.radiation import LONG_WAVE, SECOND_RADIATION_M_K, ZERO_C_K, Band

C2_UM_K = SECOND_RADIATION_M_K * 1e6


@dataclass(frozen=True)
class SakumaHattori:
    """Constants A (um), B (um K) and C (unit of the signal)."""

    a_um: float
    b_um_k: float
    c: float

    def signal(self, temperature_c: np.ndarray) -> np.ndarray:
        """Return the signal at a temperature, ndarray of the same shape."""
        kelvin = np.asarray(temperature_c, float) + ZERO_C_K
        return self.c / np.expm1(C2_UM_K / (self.a_um * kelvin + self.b_um_k))

    def temperature_c(self, signal: np.ndarray) -> np.ndarray:
        """Return the temperature of a signal, degrees Celsius; NaN for signals of zero or less."""
        known = np.asarray(signal, float)
        with np.errstate(divide="ignore", invalid="ignore"):
            kelvin = C2_UM_K / (self.a_um * np.log1p(self.c / known)) - self.b_um_k / self.a_um
        return np.where(known > 0, kelvin, np.nan) - ZERO_C_K

    def slope(self, temperature_c: np.ndarray) -> np.ndarray:
        """Return dS/dT, unit of the signal per kelvin."""
        kelvin = np.asarray(temperature_c, float) + ZERO_C_K
        effective = self.a_um * kelvin + self.b_um_k
        signal = self.signal(temperature_c)
        return signal**2 * self.a_um * C2_UM_K / (self.c * effective**2) * np.exp(C2_UM_K / effective)


def start_values(band: Band) -> tuple[float, float]:
    """Return A (um) and B (um K) of a band with flat response, a start and not a calibration.

    A = l0 (1 - 6 s^2 / l0^2), B = c2 s^2 / (2 l0^2), s^2 = width^2 / 12, l0 the middle (from memory; with A and B
    fixed to them and only C fitted, 8 to 14 um over -20 to 150 C is off by up to 0.2 K).
    """
    middle = (band.low_um + band.high_um) / 2
    variance = (band.high_um - band.low_um) ** 2 / 12
    return middle * (1 - 6 * variance / middle**2), C2_UM_K * variance / (2 * middle**2)


def fit_sakuma_hattori(
    temperature_c: np.ndarray, signal: np.ndarray, *, band: Band = LONG_WAVE, error_c: np.ndarray | None = None
) -> tuple[SakumaHattori, np.ndarray]:
    """Fit the constants to references.

    Parameters
    ----------
    temperature_c : ndarray of shape (n,), degrees Celsius
    signal : ndarray of shape (n,)
        Positive, growing with temperature.
    band : Band
        For the start values; with one reference only C is fitted, with two C and B, with three or more all.
    error_c : ndarray of shape (n,), optional
        Standard uncertainty of the references, for the weights.

    Returns
    -------
    SakumaHattori, ndarray of shape (n,)
        Constants, and residuals in K: fitted minus true temperature.
    """
    truth, values = np.asarray(temperature_c, float), np.asarray(signal, float)
    a, b = start_values(band)
    weight = 1.0 if error_c is None else 1 / np.maximum(np.asarray(error_c, float), 1e-6)
    start = SakumaHattori(a, b, 1.0)
    scale = float(np.exp(np.mean(np.log(values / start.signal(truth)))))
    free = min(truth.size, 3)

    def model(p: np.ndarray) -> SakumaHattori:
        return SakumaHattori(
            a * np.exp(p[2]) if free > 2 else a, b + 100 * p[1] if free > 1 else b, scale * float(np.exp(p[0]))
        )

    def misfit(p: np.ndarray) -> np.ndarray:
        return (model(p).temperature_c(values) - truth) * weight

    found = least_squares(misfit, np.zeros(free), x_scale=1.0, xtol=1e-14, ftol=1e-14, gtol=1e-14, max_nfev=500)
    fitted = model(found.x)
    return fitted, fitted.temperature_c(values) - truth


# How far A and B of a real camera lie from those of its nominal band with a flat response, as shares, one standard
# deviation: bands of 7 to 8.5 up to 12.5 to 14.5 um with sloped responses spread this much about 8 to 14 um (computed).
SHAPE_SHARES = (0.06, 0.35)


def fit_with_zero(
    temperature_c: np.ndarray,
    signal: np.ndarray,
    *,
    band: Band = LONG_WAVE,
    error_c: np.ndarray,
    shift: tuple[float, float] = (0.0, 0.0),
) -> tuple[SakumaHattori, float, np.ndarray]:
    """Fit the constants and the signal at zero radiance (dark offset, electronics) to references.

    Parameters
    ----------
    temperature_c : ndarray of shape (n,), degrees Celsius, three or more
    signal : ndarray of shape (n,)
        Growing with temperature; any sign.
    band : Band
        Nominal band of the camera: A and B are held near its own, which few references cannot tell from the zero.
    error_c : ndarray of shape (n,)
        Standard uncertainty of the references.
    shift : tuple of float
        Standard deviations by which the expectation of A and B is moved, to see what hangs on it.

    Returns
    -------
    SakumaHattori, float, ndarray of shape (n,)
        Constants, signal at zero radiance, and residuals in K: fitted minus true temperature.

    Notes
    -----
    Good between the outermost references; the zero itself is an extrapolation and may be far off.
    """
    truth, values = np.asarray(temperature_c, float), np.asarray(signal, float)
    weight = 1 / np.maximum(np.asarray(error_c, float), 1e-6)
    a, b = start_values(band)
    slope, level = np.polyfit(SakumaHattori(a, b, 1.0).signal(truth), values, 1)
    span = float(np.ptp(values))

    def model(p: np.ndarray) -> tuple[SakumaHattori, float]:
        own_a = a * np.exp(SHAPE_SHARES[0] * (p[2] + shift[0]))
        own_b = b * (1 + SHAPE_SHARES[1] * (p[3] + shift[1]))
        return SakumaHattori(own_a, own_b, abs(slope) * float(np.exp(p[0]))), level + span * p[1]

    def misfit(p: np.ndarray) -> np.ndarray:
        curve, zero = model(p)
        known = np.maximum(values - zero, 1e-9 * span)
        return np.concatenate([(curve.temperature_c(known) - truth) * weight, p[2:]])

    found = least_squares(misfit, np.zeros(4), xtol=1e-12, ftol=1e-12, gtol=1e-12, max_nfev=500)
    curve, zero = model(found.x)
    return curve, float(zero), curve.temperature_c(values - zero) - truth
