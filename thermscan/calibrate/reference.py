"""True temperature of a reference from what its thermometer said."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from thermscan.model.errors import InputError
from thermscan.physics.reference_thermometer import (
    boiling_point_c,
    pt_temperature,
    pt_tolerance_k,
    type_k_temperature,
)

SENSORS = ("celsius", "pt100", "pt1000", "k")
# IEC 60584 class 1, from memory: 1.5 K or 0.4 % of the reading.
TYPE_K_TOLERANCE = (1.5, 0.004)
ICE_ERROR_K = 0.05  # crushed ice and water, stirred: common practice, no source


@dataclass(frozen=True)
class TrueTemperature:
    """Temperature, degrees Celsius, with standard uncertainty, K, and how it was come by."""

    value_c: float
    error_k: float
    method: str


def of_readings(
    values: np.ndarray, sensor: str, *, path: str, error_k: float | None = None, cold_end_c: float = 0.0
) -> TrueTemperature:
    """Return the mean temperature of a thermometer's readings.

    Parameters
    ----------
    values : ndarray of shape (n,)
        Degrees Celsius, ohm (Pt100, Pt1000) or millivolt (type K).
    sensor : {'celsius', 'pt100', 'pt1000', 'k'}
    path : str
        For messages.
    error_k : float, optional
        Standard uncertainty of the calibrated thermometer; else its class tolerance (B for platinum, 1 for type K)
        as a rectangle, and 0.5 K for one that shows degrees itself (judgement).
    cold_end_c : float
        Temperature of a thermocouple's copper ends.

    Raises
    ------
    InputError
        For readings that no such thermometer gives.
    """
    readings = np.asarray(values, float)
    if sensor == "celsius":
        celsius, own = readings, np.full(readings.shape, 0.5)
    elif sensor == "k":
        celsius = type_k_temperature(readings, cold_end_c=cold_end_c)
        own = np.maximum(TYPE_K_TOLERANCE[0], TYPE_K_TOLERANCE[1] * np.abs(celsius)) / math.sqrt(3)
    else:
        celsius = pt_temperature(readings, ohm_at_0_c=1000.0 if sensor == "pt1000" else 100.0)
        own = pt_tolerance_k(celsius) / math.sqrt(3)
    if not np.isfinite(celsius).all():
        odd = float(readings[~np.isfinite(celsius)][0])
        unit = {"k": "mV", "pt100": "ohm", "pt1000": "ohm"}.get(sensor, "C")
        raise InputError(path, "", f"{odd:g} {unit} is no reading of sensor {sensor}", "check --sensor and the unit")
    scatter = float(np.std(celsius, ddof=1) / math.sqrt(celsius.size)) if celsius.size > 1 else 0.0
    known = float(own.mean()) if error_k is None else error_k
    return TrueTemperature(float(celsius.mean()), math.hypot(known, scatter), f"{celsius.size} readings, {sensor}")


def of_ice() -> TrueTemperature:
    """Return the ice point: crushed ice of clean water with just enough water to fill its gaps."""
    return TrueTemperature(0.0, ICE_ERROR_K, "ice point")


def of_boiling(pressure_kpa: float, *, path: str = "") -> TrueTemperature:
    """Return the boiling point of water at the pressure of the place; raises InputError for no pressure of air."""
    if not 45.0 <= pressure_kpa <= 110.0:
        problem = f"{pressure_kpa:g} kPa is no pressure of air"
        raise InputError(path, "", problem, "give the pressure at the place, not reduced to sea level, in kPa")
    return TrueTemperature(boiling_point_c(pressure_kpa), 0.15, f"water boiling at {pressure_kpa:g} kPa")
