"""Temperature of a surface, and difference of two readings of it, with their uncertainty budgets.

The inputs of both stand in one list. What both readings share (the camera's offset, the reflected temperature) cancels
in the difference, and the budget shows how much of it is left.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from thermscan.measure.radiometry import View, true_temperature
from thermscan.measure.radiometry_camera import camera_quantities
from thermscan.model.budget import Budget, BudgetTerm, Quantity
from thermscan.model.camera_profile import CameraProfile
from thermscan.model.settings import RadiometrySettings
from thermscan.model.surface import Surface
from thermscan.physics.radiation import LONG_WAVE, Band, band_radiance, radiance_temperature
from thermscan.physics.uncertainty import NORMAL_95, monte_carlo, propagate

# The other usual band of uncooled cameras; the two span what a camera whose band is not stated may have.
OTHER_BAND = Band(7.5, 13.0)
CONTRADICTION = (
    "emissivity and reflected temperature contradict the reading: the surroundings alone would send more than was seen"
)


@dataclass(frozen=True)
class Conditions:
    """How surfaces were looked at.

    Attributes
    ----------
    reflected_c : Quantity
        Reflected apparent temperature.
    camera_k : Quantity
        Offset of the camera, value 0: the same for every reading of a recording.
    camera_scale : Quantity
        Error of its scale as a share of the distance from the reflected temperature, value 0.
    transmission : Quantity
        Of a window or the air; exactly 1 without one.
    band : Band
    is_band_known : bool
        False where the band is the usual one rather than the camera's own.
    """

    reflected_c: Quantity
    camera_k: Quantity
    camera_scale: Quantity
    transmission: Quantity
    band: Band = LONG_WAVE
    is_band_known: bool = False


def usual_conditions(
    reflected_c: Quantity, *, profile: CameraProfile | None = None, settings: RadiometrySettings
) -> Conditions:
    """Return the conditions of a camera in the open: by its profile, else those of one that nothing is known of."""
    source = "common practice, no source: ±2 C or ±2 % for uncooled cameras"
    root = math.sqrt(3.0)
    offset, scale = camera_quantities(
        profile,
        (
            Quantity("camera offset", 0.0, settings.camera_half_width_k / root, "rectangular", unit="K", source=source),
            Quantity("camera scale", 0.0, settings.camera_scale_half_width / root, "rectangular", source=source),
        ),
    )
    known = None if profile is None else profile.band
    band = LONG_WAVE if known is None else Band(known.low_um, known.high_um, known.response)
    open_air = Quantity("transmission", 1.0, 0.0, source="no window")
    return Conditions(reflected_c, offset, scale, open_air, band, known is not None)


def emissivity_of(surface: Surface) -> Quantity:
    """Return a surface's emissivity; its range counts as a 95 % interval."""
    spread = (surface.high - surface.low) / (2 * NORMAL_95)
    return Quantity("emissivity", surface.emissivity, spread, source=f"{surface.name}: {surface.source}")


@dataclass(frozen=True)
class SurfaceTemperature:
    """Temperature (degrees Celsius) and difference (K) of a surface; None with ``why`` where there is none."""

    temperature: Budget | None
    difference: Budget | None
    terms: tuple[BudgetTerm, ...] = ()
    why: str = ""


def solve(conditions: Conditions, *, band: Band | None = None) -> Callable[..., np.ndarray]:
    """Return the temperature as a function of reading, emissivity, reflection, offset, scale and transmission."""
    used = band or conditions.band

    def temperature(
        reading: np.ndarray,
        emissivity: np.ndarray,
        reflected: np.ndarray,
        offset: np.ndarray,
        scale: np.ndarray,
        transmission: np.ndarray,
    ) -> np.ndarray:
        shown = reading - offset - scale * (reading - reflected)
        if np.ndim(emissivity) == 0:
            return true_temperature(shown, View(emissivity, reflected, transmission), band=used)
        return _many(shown, emissivity, reflected, transmission, used)

    return temperature


def _many(
    shown: np.ndarray, emissivity: np.ndarray, reflected: np.ndarray, transmission: np.ndarray, band: Band
) -> np.ndarray:
    """Solve the balance where every value has its own view; impossible draws (above 1) give NaN."""
    around = band_radiance(reflected, band=band)
    own = (
        (band_radiance(shown, band=band) - (1 - transmission) * around) / transmission - (1 - emissivity) * around
    ) / emissivity
    # a window that was taken off already leaves a relative transmission of about 1, above it or below
    possible = (own > 0) & (emissivity > 0) & (emissivity <= 1) & (transmission > 0)
    return np.where(possible, radiance_temperature(own, band=band), np.nan)


def _inputs(reading: Quantity, surface: Surface, conditions: Conditions) -> list[Quantity]:
    return [
        reading,
        emissivity_of(surface),
        conditions.reflected_c,
        conditions.camera_k,
        conditions.camera_scale,
        conditions.transmission,
    ]


def _band_term(reading: Quantity, inputs: Sequence[Quantity], conditions: Conditions, step_k: float | None) -> Quantity:
    """Return what another usual band would change, as a half width: K of the temperature or of the difference."""
    if conditions.is_band_known:
        return Quantity("band", 0.0, 0.0, unit="K", source="given")
    rest = [q.value for q in inputs[1:]]
    changes = []
    for band in (conditions.band, OTHER_BAND):
        function = solve(conditions, band=band)
        value = float(function(reading.value, *rest))
        if step_k is not None:
            value -= float(function(reading.value - step_k, *rest))
        changes.append(value)
    width = abs(changes[1] - changes[0]) / math.sqrt(3.0)
    return Quantity("band", 0.0, width, "rectangular", unit="K", source="8 to 14 um taken, may be 7.5 to 13 um")


@dataclass(frozen=True)
class Resolution:
    """What blur of optics and pixels takes from a small part.

    ``share`` of its contrast is lost, 0 to 1; ``contrast_k`` is how far the reading stands above what is around the
    part, ``difference_contrast_k`` the same of the difference, both as shown. The scatters are the standard deviations
    of what is around it: where they are as large as the contrast, the contrast is not known.
    """

    share: float = 0.0
    contrast_k: float = 0.0
    difference_contrast_k: float = 0.0
    scatter_k: float = 0.0
    difference_scatter_k: float = 0.0


SHARP = Resolution()
MOST_LOST = 0.6  # a part that loses more is not resolved, and what it lost cannot be told from its picture


def _lost_term(resolution: Resolution, *, of_difference: bool = False) -> Quantity:
    """Return what blur took from a small part, K: put back, and known to between none and twice of it.

    What is put back shrinks by ``c^2 / (c^2 + s^2)`` for a contrast c among surroundings that scatter by s; the half
    width keeps both.
    """
    contrast, scatter = resolution.contrast_k, resolution.scatter_k
    if of_difference:
        contrast, scatter = resolution.difference_contrast_k, resolution.difference_scatter_k
    taken = min(resolution.share, MOST_LOST)
    ratio, size = taken / (1 - taken), math.hypot(contrast, scatter)
    lost = ratio * contrast * (contrast / size) ** 2 if size > 0 else 0.0
    source = f"blur takes about {resolution.share:.0%} of the contrast of a part of this size; put back"
    return Quantity("resolution", lost, ratio * size / math.sqrt(3.0), "rectangular", unit="K", source=source)


def temperature_of(
    reading: Quantity,
    surface: Surface,
    conditions: Conditions,
    *,
    difference: Quantity | None = None,
    resolution: Resolution = SHARP,
) -> SurfaceTemperature:
    """Return the temperature of a surface with its budget.

    Parameters
    ----------
    reading : Quantity
        Apparent temperature (emissivity 1), degrees Celsius, with the standard error of its noise.
    surface : Surface
    conditions : Conditions
    difference : Quantity, optional
        Apparent difference to another reading of the same surface (excess or rise), K, positive where this one is
        warmer, with its own standard error.
    resolution : Resolution
        What blur took from a small part: put back into reading and difference before they are corrected.

    Returns
    -------
    SurfaceTemperature
        By the law of propagation (JCGM 100); :func:`check_by_draws` does the same by Monte Carlo. Not valid for
        mirrors: where the range of the emissivity is as large as itself the law of propagation is too optimistic.
    """
    inputs = _inputs(reading, surface, conditions)
    values = [q.value for q in inputs]
    function = solve(conditions)
    if not math.isfinite(float(function(*values))):
        return SurfaceTemperature(None, None, why=CONTRADICTION)
    band = _band_term(reading, inputs, conditions, None)
    lines = [*inputs, band, _lost_term(resolution)]
    absolute = propagate(lambda *x: function(x[0] + x[7], *x[1:6]) + x[6], lines)
    between, shares = None, [None] * len(lines)
    if difference is not None:
        if not math.isfinite(float(function(reading.value - difference.value, *values[1:]))):
            return SurfaceTemperature(absolute, None, _terms(lines, absolute.contributions, shares), CONTRADICTION)
        between = propagate(*_difference(reading, inputs, conditions, difference, resolution))
        parts = between.contributions
        shares = [parts[6], *parts[1:6], parts[7], parts[8]]
    return SurfaceTemperature(absolute, between, _terms(lines, absolute.contributions, shares))


def _difference(
    reading: Quantity, inputs: Sequence[Quantity], conditions: Conditions, difference: Quantity, resolution: Resolution
) -> tuple[Callable[..., np.ndarray], list[Quantity]]:
    """Return the difference of two readings of one surface as a function, and its inputs; both share all but noise."""
    function = solve(conditions)
    sharp = reading.value + _lost_term(resolution).value
    # the noise of the reading is part of the difference's own error
    lines = [
        Quantity(reading.name, sharp, 0.0),
        *inputs[1:],
        difference,
        _band_term(reading, inputs, conditions, difference.value),
        _lost_term(resolution, of_difference=True),
    ]
    return (lambda *x: function(*x[:6]) - function(x[0] - x[6] - x[8], *x[1:6]) + x[7]), lines


def _terms(
    inputs: Sequence[Quantity], absolute: Sequence[float], shares: Sequence[float | None]
) -> tuple[BudgetTerm, ...]:
    """Return the lines of the budget; inputs that are known exactly are left out."""
    return tuple(
        BudgetTerm(q.name, q.value, q.standard_uncertainty, q.unit, float(part), share, q.source)
        for q, part, share in zip(inputs, absolute, shares, strict=True)
        if q.standard_uncertainty > 0 or share
    )


def check_by_draws(
    reading: Quantity,
    surface: Surface,
    conditions: Conditions,
    *,
    random: np.random.Generator,
    draws: int = 20000,
    resolution: Resolution = SHARP,
) -> tuple[float, float, float, float]:
    """Return mean, standard uncertainty and 95 % interval of the temperature by Monte Carlo (JCGM 101), C and K."""
    inputs = _inputs(reading, surface, conditions)
    band = _band_term(reading, inputs, conditions, None)
    function = solve(conditions)
    lines = [*inputs, band, _lost_term(resolution)]
    return monte_carlo(lambda *x: function(x[0] + x[7], *x[1:6]) + x[6], lines, random=random, draws=draws)


def check_difference_by_draws(
    reading: Quantity,
    surface: Surface,
    conditions: Conditions,
    difference: Quantity,
    *,
    random: np.random.Generator,
    draws: int = 20000,
    resolution: Resolution = SHARP,
) -> tuple[float, float, float, float]:
    """Return mean, standard uncertainty and 95 % interval of the difference by Monte Carlo (JCGM 101), K.

    Each draw takes one camera offset, scale, emissivity and reflected temperature for BOTH readings: what they share
    cancels here by itself, not by a rule.
    """
    function, lines = _difference(reading, _inputs(reading, surface, conditions), conditions, difference, resolution)
    return monte_carlo(function, lines, random=random, draws=draws)
