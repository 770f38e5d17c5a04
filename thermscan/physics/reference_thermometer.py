"""Temperatures that a camera is checked against: platinum resistance, type K thermocouple, boiling water.

Coefficients: IEC 60751 for platinum (as quoted on public pages); NIST ITS-90 reference functions for type K (NIST
Monograph 175, typed from memory and checked in the tests against printed table values); IAPWS-IF97 region 4 for the
saturation line of water (from memory, checked against its published verification values).
"""

from __future__ import annotations

import numpy as np

PT_A, PT_B, PT_C = 3.9083e-3, -5.775e-7, -4.183e-12
K_ABOVE = (
    -0.176004136860e-01, 0.389212049750e-01, 0.185587700320e-04, -0.994575928740e-07, 0.318409457190e-09,
    -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22, -0.121047212750e-25,
)  # fmt: skip
K_HUMP = (0.118597600000, -0.118343200000e-03, 0.126968600000e03)
K_BELOW = (
    0.0, 0.394501280250e-01, 0.236223735980e-04, -0.328589067840e-06, -0.499048287770e-08, -0.675090591730e-10,
    -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16, -0.198892668780e-19, -0.163226974860e-22,
)  # fmt: skip
IF97 = (
    0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
    0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
)  # fmt: skip
_K_GRID_C = np.arange(-200.0, 1372.5, 0.5)


def pt_ohm(temperature_c: np.ndarray, *, ohm_at_0_c: float = 100.0) -> np.ndarray:
    """Return the resistance of a platinum thermometer, ohm, -200 to 850 degrees Celsius (IEC 60751)."""
    t = np.asarray(temperature_c, float)
    low = np.where(t < 0, PT_C * (t - 100) * t**3, 0.0)
    return ohm_at_0_c * (1 + PT_A * t + PT_B * t**2 + low)


def pt_temperature(ohm: np.ndarray, *, ohm_at_0_c: float = 100.0) -> np.ndarray:
    """Return the temperature of a platinum thermometer, degrees Celsius; NaN outside -200 to 850.

    From 0 C on by the closed form, below by Newton steps on it.
    """
    ratio = np.asarray(ohm, float) / ohm_at_0_c
    with np.errstate(invalid="ignore"):
        t = (-PT_A + np.sqrt(PT_A**2 - 4 * PT_B * (1 - ratio))) / (2 * PT_B)
    for _ in range(6):
        slope = PT_A + 2 * PT_B * t + np.where(t < 0, PT_C * (4 * t**3 - 300 * t**2), 0.0)
        t = t - (pt_ohm(t, ohm_at_0_c=1.0) - ratio) / slope
    return np.where((t >= -200.5) & (t <= 850.5), t, np.nan)


def pt_tolerance_k(temperature_c: np.ndarray, *, grade: str = "B") -> np.ndarray:
    """Return the tolerance of class A or B, K (half width): 0.15 + 0.002 |t| or 0.3 + 0.005 |t| (IEC 60751)."""
    constant, share = {"A": (0.15, 0.002), "B": (0.3, 0.005)}[grade]
    return constant + share * np.abs(np.asarray(temperature_c, float))


def type_k_mv(temperature_c: np.ndarray) -> np.ndarray:
    """Return the voltage of a type K thermocouple against 0 C, mV, -270 to 1372 degrees Celsius (ITS-90)."""
    t = np.asarray(temperature_c, float)
    above = np.polyval(K_ABOVE[::-1], t) + K_HUMP[0] * np.exp(K_HUMP[1] * (t - K_HUMP[2]) ** 2)
    return np.where(t >= 0, above, np.polyval(K_BELOW[::-1], t))


def type_k_temperature(millivolt: np.ndarray, *, cold_end_c: float = 0.0) -> np.ndarray:
    """Return the temperature of a type K thermocouple, degrees Celsius; NaN outside -200 to 1372.

    Parameters
    ----------
    millivolt : ndarray, mV
        Between the copper ends.
    cold_end_c : float, degrees Celsius
        Temperature of these ends; its voltage is added, not its degrees.

    Notes
    -----
    By table at 0.5 K with straight lines between, off by under 1 mK.
    """
    total = np.asarray(millivolt, float) + type_k_mv(cold_end_c)
    return np.interp(total, type_k_mv(_K_GRID_C), _K_GRID_C, left=np.nan, right=np.nan)


def boiling_point_c(pressure_kpa: float) -> float:
    """Return the boiling temperature of pure water, degrees Celsius (IAPWS-IF97, region 4), 0.7 to 22000 kPa.

    Pressure is that at the place, not reduced to sea level as weather services give it.
    """
    beta = (pressure_kpa / 1000.0) ** 0.25
    n = IF97
    e = beta**2 + n[2] * beta + n[5]
    f = n[0] * beta**2 + n[3] * beta + n[6]
    g = n[1] * beta**2 + n[4] * beta + n[7]
    d = 2 * g / (-f - np.sqrt(f**2 - 4 * e * g))
    return float((n[9] + d - np.sqrt((n[9] + d) ** 2 - 4 * (n[8] + n[9] * d))) / 2 - 273.15)
