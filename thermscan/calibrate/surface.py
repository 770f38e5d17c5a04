"""Emissivity of a surface beside tape, reflected temperature on foil, and a board's map from two even temperatures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.calibrate.region import mean_picture
from thermscan.measure.radiometry import View, emissivity_from, surface_temperature
from thermscan.measure.radiometry_camera import band_of
from thermscan.model.budget import Budget, Quantity
from thermscan.model.errors import InputError
from thermscan.model.recording import Recording
from thermscan.model.settings import CalibrationSettings
from thermscan.physics.radiation import LONG_WAVE, Band, band_radiance
from thermscan.physics.uncertainty import propagate


@dataclass(frozen=True)
class SurfaceCalibration:
    """Emissivity with its budget, and the true and the reflected temperature it rests on, C."""

    emissivity: Budget
    inputs: tuple[Quantity, ...]
    true_c: float
    reflected_c: float


def reflected_from_foil(foil: Quantity) -> Quantity:
    """Return the reflected apparent temperature: what a crumpled foil shows with emissivity 1 (ASTM E1862, reflector).

    The foil's own emissivity of 0.03 to 0.07 (handbook values, from memory) is left in: foil and room are equally
    warm.
    """
    return Quantity(
        "reflected temperature", foil.value, foil.standard_uncertainty, unit="C", source="read on crumpled foil"
    )


def temperature_from_tape(
    tape: Quantity, tape_emissivity: Quantity, reflected: Quantity, *, band: Band = LONG_WAVE
) -> Quantity:
    """Return the true temperature under tape of known emissivity, from what the camera shows of it (emissivity 1)."""

    def solve(shown: float, emissivity: float, around: float) -> float:
        return float(surface_temperature(band_radiance(shown, band=band), View(emissivity, around), band=band))

    budget = propagate(solve, (tape, tape_emissivity, reflected))
    return Quantity("true temperature", budget.value, budget.standard_uncertainty, unit="C", source="read on tape")


def calibrate_surface(
    shown: Quantity,
    true: Quantity,
    reflected: Quantity,
    *,
    path: str = "",
    band: Band = LONG_WAVE,
    settings: CalibrationSettings,
) -> SurfaceCalibration:
    """Return the emissivity of a surface of known temperature (ASTM E1933).

    Parameters
    ----------
    shown : Quantity
        What the camera shows of it with emissivity 1, C.
    true, reflected : Quantity
        True temperature (contact thermometer, or tape) and reflected apparent temperature, C.
    path : str
        For messages.
    band : Band
    settings : CalibrationSettings

    Raises
    ------
    InputError
        Where the surroundings are hotter than the surface, too close to it, or the answer is no emissivity.
    """
    if reflected.value > true.value:
        problem = f"the surroundings ({reflected.value:.1f} C) are hotter than the surface ({true.value:.1f} C)"
        raise InputError(
            path, "reflected", problem, "the sign turns and the error grows; warm the surface well above them"
        )
    apart = true.value - reflected.value
    if apart < settings.least_contrast_k:
        problem = f"surface and surroundings are only {apart:.1f} K apart"
        raise InputError(path, "", problem, f"warm the surface to {settings.least_contrast_k:g} K above them or more")
    inputs = (shown, true, reflected)
    budget = propagate(lambda s, t, r: float(emissivity_from(s, t, r, band=band)), inputs)
    if not 0 < budget.value <= 1 + 2 * budget.standard_uncertainty:
        problem = f"the emissivity would be {budget.value:.3f}, which cannot be"
        raise InputError(path, "", problem, "check which box is which, and that the camera was set to emissivity 1")
    return SurfaceCalibration(budget, inputs, true.value, reflected.value)


@dataclass(frozen=True)
class EmissivityMap:
    """Emissivity of each pixel, ndarray (rows, columns), NaN where not known; standard error of the same shape."""

    emissivity: np.ndarray
    error: np.ndarray


def emissivity_map(
    cold_c: np.ndarray,
    warm_c: np.ndarray,
    truths: tuple[Quantity, Quantity],
    *,
    noise_k: float | np.ndarray,
    camera_error_k: float = 0.0,
    path: str = "",
    band: Band = LONG_WAVE,
    settings: CalibrationSettings,
) -> EmissivityMap:
    """Learn each pixel's emissivity from one board at two even temperatures, unpowered.

    Parameters
    ----------
    cold_c, warm_c : ndarray of shape (rows, columns), degrees Celsius
        Shown with emissivity 1, board, camera and surroundings unmoved in between.
    truths : (Quantity, Quantity)
        True temperature of the board in each, C.
    noise_k : float or ndarray of shape (rows, columns)
        Standard error of a pixel of either picture.
    camera_error_k : float
        Standard error of the camera's difference between the two pictures, which all pixels share (drift, scale).
    path, band, settings

    Returns
    -------
    EmissivityMap

    Raises
    ------
    InputError
        Where the two temperatures are too close together.

    Notes
    -----
    ``e = (L(warm) - L(cold)) / (B(true warm) - B(true cold))``: what is reflected is the same in both and drops out.
    Not valid when the surroundings changed, or the board was not even: then cool places read too low an emissivity.
    """
    true_cold, true_warm = truths
    apart = true_warm.value - true_cold.value
    if apart < settings.least_contrast_k:
        problem = f"the two temperatures are only {apart:.1f} K apart"
        raise InputError(path, "", problem, f"warm the whole board evenly by {settings.least_contrast_k:g} K or more")
    shown = band_radiance(warm_c, band=band) - band_radiance(cold_c, band=band)
    true = float(band_radiance(true_warm.value, band=band) - band_radiance(true_cold.value, band=band))
    emissivity = shown / true
    slope = float(band_radiance(true_warm.value + 0.5, band=band) - band_radiance(true_warm.value - 0.5, band=band))
    of_pixels = np.hypot(np.sqrt(2.0) * noise_k, camera_error_k) * slope / true
    of_truth = slope * np.hypot(true_cold.standard_uncertainty, true_warm.standard_uncertainty) / true
    error = np.hypot(of_pixels, np.abs(emissivity) * of_truth)
    known = np.isfinite(emissivity) & (emissivity > -3 * error) & (emissivity < 1 + 4 * error)
    return EmissivityMap(np.where(known, np.clip(emissivity, 0.0, 1.0), np.nan), np.where(known, error, np.nan))


def picture_map(
    cold: Recording,
    warm: Recording,
    truths: tuple[Quantity, Quantity],
    *,
    camera_error_k: float,
    settings: CalibrationSettings,
) -> EmissivityMap:
    """Learn a map in the pixels of two recordings, degrees Celsius: see :func:`emissivity_map`.

    Raises
    ------
    InputError
        Where the two have different pixels, or the temperatures lie too close together.
    """
    if (cold.rows, cold.columns) != (warm.rows, warm.columns):
        raise InputError(warm.path, "", "has other pixels than the cold recording", "leave the camera as it is")
    pictures = [mean_picture(recording) for recording in (cold, warm)]
    noise = np.sqrt(sum(float(np.nanmean(p.variance)) / p.frames for p in pictures) / 2)
    return emissivity_map(
        pictures[0].mean,
        pictures[1].mean,
        truths,
        noise_k=float(noise),
        camera_error_k=camera_error_k,
        path=warm.path,
        band=band_of(warm),
        settings=settings,
    )
