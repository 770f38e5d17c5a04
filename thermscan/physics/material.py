"""Materials of boards, layered conduction, and the heat that a warm board gives to still air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.model.errors import InputError, check_keys, check_number
from thermscan.model.quantity import Measured

GRAVITY = 9.80665
STEFAN_BOLTZMANN = 5.670374419e-8  # CODATA 2018, W m-2 K-4
OUNCE_KG, FOOT_M, COPPER_KG_PER_M3 = 0.028349523125, 0.3048, 8890.0  # NIST SP 811; IEC 60028
# Heat capacity of wound parts, J/(cm3 K): ferrite 4.8 g/cm3 times 0.75 J/(g K), copper 3.44; from memory.
WOUND_KINDS, WOUND_J_PER_CM3_K = ("inductor", "transformer"), 3.5
FIELDS = ("along_w_per_m_k", "through_w_per_m_k", "j_per_cm3_k")


@dataclass(frozen=True)
class Material:
    """A plate material: conductivities along and through, heat capacity per volume, each with a 95 % interval."""

    name: str
    along_w_per_m_k: Measured
    through_w_per_m_k: Measured
    j_per_cm3_k: Measured
    source: str


def body_j_per_cm3_k(kind: str, usual: float) -> float:
    """Return the heat capacity of a part's body, J/(cm3 K): the usual one, or that of wound parts."""
    return WOUND_J_PER_CM3_K if kind in WOUND_KINDS else usual


def material_from(name: str, entry: dict[str, object], *, path: str) -> Material:
    """Make a material from an entry of the plate materials' file.

    Raises
    ------
    InputError
        For an unknown or missing key, or an interval that does not hold its value.
    """
    check_keys(entry, (*FIELDS, *(f"{f}_95" for f in FIELDS), "source"), path=path, place=f"material {name}")
    values = []
    for key in FIELDS:
        where = f"material {name}: {key}"
        if key not in entry or f"{key}_95" not in entry:
            raise InputError(
                path, where, "is missing, or its 95 % interval is", f"give {key} and {key}_95: [low, high]"
            )
        value = check_number(entry[key], (1e-3, 5000), path=path, place=where)
        low, high = (check_number(v, (1e-3, 5000), path=path, place=where) for v in entry[f"{key}_95"])  # type: ignore[attr-defined]
        if not low <= value <= high:
            raise InputError(
                path, where, f"{value:g} is outside its own interval {low:g} to {high:g}", "check the three"
            )
        values.append(Measured(value, low, high))
    return Material(name, *values, source=str(entry.get("source", "not given")))


def parallel_conductivity(thickness: np.ndarray, conductivity: np.ndarray) -> float:
    """Return the in-plane conductivity of a stack: the mean over thickness (heat flows side by side)."""
    d, k = np.asarray(thickness, float), np.asarray(conductivity, float)
    return float((d * k).sum() / d.sum())


def series_conductivity(thickness: np.ndarray, conductivity: np.ndarray) -> float:
    """Return the conductivity across a stack: thickness over the sum of resistances (heat flows one after another)."""
    d, k = np.asarray(thickness, float), np.asarray(conductivity, float)
    return float(d.sum() / (d / k).sum())


def foil_thickness_um(ounces: float) -> float:
    """Return the thickness of copper foil sold by weight per square foot, um (one ounce: 34.3 um)."""
    return ounces * OUNCE_KG / FOOT_M**2 / COPPER_KG_PER_M3 * 1e6


@dataclass(frozen=True)
class Air:
    """Dry air at one atmosphere: density kg/m3, conductivity W/(m K), kinematic viscosity m2/s, Prandtl number."""

    density: float
    conductivity: float
    viscosity: float
    prandtl: float


def air_at(celsius: float) -> Air:
    """Return the properties of air by Sutherland's law (White, Viscous Fluid Flow, constants from memory).

    Within 1 % of reference data from -20 to 150 C; heat capacity 1006.5 J/(kg K).
    """
    t = celsius + 273.15
    density = 101325.0 / (287.055 * t)
    viscosity = 1.716e-5 * (t / 273.15) ** 1.5 * (273.15 + 110.4) / (t + 110.4)
    conductivity = 0.0241 * (t / 273.0) ** 1.5 * (273.0 + 194.0) / (t + 194.0)
    return Air(density, conductivity, viscosity / density, viscosity * 1006.5 / conductivity)


def vertical_plate_nusselt(rayleigh: float, prandtl: float) -> float:
    """Return the mean Nusselt number of a vertical plate in free convection.

    Churchill and Chu, Int. J. Heat Mass Transfer 18 (1975) 1323-1329, all Rayleigh numbers.
    """
    shape = (1 + (0.492 / prandtl) ** (9 / 16)) ** (8 / 27)
    return (0.825 + 0.387 * rayleigh ** (1 / 6) / shape) ** 2


def horizontal_plate_nusselt(rayleigh: float, *, facing: str) -> float:
    """Return the mean Nusselt number of a warm horizontal plate, length = area over perimeter.

    ``facing`` is ``'up'`` (0.54 Ra^1/4, above 1e7 0.15 Ra^1/3) or ``'down'`` (0.27 Ra^1/4): McAdams' coefficients as
    in Incropera and DeWitt (from memory). Below Ra = 1e4 they read low: the value 1 (pure conduction) is the floor.
    """
    if facing == "down":
        return max(1.0, 0.27 * rayleigh**0.25)
    return max(1.0, 0.54 * rayleigh**0.25 if rayleigh < 1e7 else 0.15 * rayleigh ** (1 / 3))


def rayleigh_number(rise_k: float, length_m: float, *, ambient_c: float) -> tuple[float, Air]:
    """Return the Rayleigh number of a plate ``rise_k`` above still air, and the air at the film temperature."""
    film_c = ambient_c + rise_k / 2
    air = air_at(film_c)
    diffusivity = air.viscosity / air.prandtl
    return GRAVITY * abs(rise_k) / (film_c + 273.15) * length_m**3 / (air.viscosity * diffusivity), air


def radiation_coefficient(rise_k: float, *, ambient_c: float, emissivity: float) -> float:
    """Return radiated heat over rise, W/(m2 K), towards surroundings at ambient."""
    if rise_k == 0:
        return 4 * emissivity * STEFAN_BOLTZMANN * (ambient_c + 273.15) ** 3
    hot, cold = ambient_c + rise_k + 273.15, ambient_c + 273.15
    return emissivity * STEFAN_BOLTZMANN * (hot**4 - cold**4) / rise_k


def board_loss(
    width_mm: float, height_mm: float, *, rise_k: float, ambient_c: float = 23.0, emissivity: float = 0.9
) -> Measured:
    """Return the loss of a board that lies flat in still air, both faces together, W/(m2 K).

    The interval spans what the correlations leave open (20 % either way) and a lower face that touches something.
    Not valid with a fan, in a housing or on a metal plate.
    """
    length = width_mm * height_mm / (2 * (width_mm + height_mm)) * 1e-3
    rayleigh, air = rayleigh_number(max(rise_k, 0.1), length, ambient_c=ambient_c)
    up, down = (horizontal_plate_nusselt(rayleigh, facing=f) * air.conductivity / length for f in ("up", "down"))
    radiated = radiation_coefficient(rise_k, ambient_c=ambient_c, emissivity=emissivity)
    both = up + down + 2 * radiated
    return Measured(both, 0.8 * (up + radiated), 1.2 * both)
