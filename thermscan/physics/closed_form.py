"""Closed forms of heat conduction, for checks and for quick estimates."""

from __future__ import annotations

import numpy as np
from scipy import integrate, special


def point_source_steady(
    r_mm: np.ndarray, power_w: float, *, conductance_w_per_k: float, loss_w_per_mm2_k: float
) -> np.ndarray:
    """Return the steady rise around a point source on a wide thin plate with losses, K.

    Parameters
    ----------
    r_mm : ndarray, mm
        Distance, above zero (the rise has no limit at the point itself).
    power_w : float
    conductance_w_per_k : float
        ``k t``.
    loss_w_per_mm2_k : float
        Both faces together.

    Notes
    -----
    ``P / (2 pi k t) K0(r / L)``, ``L = sqrt(k t / h)``: Carslaw and Jaeger, Conduction of Heat in Solids (from memory).
    """
    length = np.sqrt(conductance_w_per_k / loss_w_per_mm2_k)
    return power_w / (2 * np.pi * conductance_w_per_k) * special.k0(np.asarray(r_mm) / length)


def well_function(u: float, ratio: float) -> float:
    """Return the leaky-aquifer well function W(u, r/B), the same equation as a thin plate with losses.

    ``integral from u of exp(-y - (r/B)^2 / (4 y)) / y dy`` (Hantush and Jacob 1955, from memory), ``u`` above zero.
    """
    value, _ = integrate.quad(lambda y: np.exp(-y - ratio**2 / (4 * y)) / y, u, np.inf, limit=400)
    return float(value)


def point_source_step(
    r_mm: float,
    time_s: float,
    power_w: float,
    *,
    conductance_w_per_k: float,
    capacity_j_per_mm2_k: float,
    loss_w_per_mm2_k: float,
) -> float:
    """Return the rise ``time_s`` after a point source was switched on, K.

    ``P / (4 pi k t) W(r^2 / (4 a time), r / L)`` with the well function W; same source as there.
    """
    diffusivity = conductance_w_per_k / capacity_j_per_mm2_k
    length = np.sqrt(conductance_w_per_k / loss_w_per_mm2_k)
    return (
        power_w / (4 * np.pi * conductance_w_per_k) * well_function(r_mm**2 / (4 * diffusivity * time_s), r_mm / length)
    )


def point_pulse(
    r_mm: np.ndarray, time_s: float, energy_j: float, *, conductance_w_per_k: float, capacity_j_per_mm2_k: float
) -> np.ndarray:
    """Return the rise after an instantaneous point pulse in a wide thin plate without losses, K.

    ``Q / (4 pi k t time) exp(-r^2 / (4 a time))``: Carslaw and Jaeger (from memory).
    """
    diffusivity = conductance_w_per_k / capacity_j_per_mm2_k
    spread = 4 * diffusivity * time_s
    return energy_j / (np.pi * spread * capacity_j_per_mm2_k) * np.exp(-(np.asarray(r_mm) ** 2) / spread)


def thick_body_surface(time_s: np.ndarray, flux: float, *, conductivity: float, capacity: float) -> np.ndarray:
    """Return the surface rise of a semi-infinite body under constant flux, K: ``2 q sqrt(a t / pi) / k``.

    Any one consistent set of units; ``capacity`` is per volume. (Incropera and DeWitt, semi-infinite solid, case 2,
    from memory.)
    """
    return 2 * flux / conductivity * np.sqrt(conductivity / capacity * np.asarray(time_s) / np.pi)


def lumped_rise(time_s: np.ndarray, *, final_k: float, time_constant_s: float) -> np.ndarray:
    """Return the rise of a lump that warms towards ``final_k``: ``final (1 - exp(-t / tau))``."""
    return -final_k * np.expm1(-np.asarray(time_s) / time_constant_s)


def lumped_time(*, start_k: float, end_k: float, surroundings_k: float, time_constant_s: float) -> float:
    """Return the time in which a lump gets from one temperature to another in constant surroundings, s."""
    return float(time_constant_s * np.log((start_k - surroundings_k) / (end_k - surroundings_k)))


def long_fin_heat(*, loss: float, perimeter: float, conductivity: float, section: float, excess_k: float) -> float:
    """Return the heat into a very long fin: ``sqrt(h P k A) theta`` in one consistent set of units."""
    return float(np.sqrt(loss * perimeter * conductivity * section) * excess_k)
