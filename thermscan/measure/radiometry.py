"""From what a camera shows to the temperature of a surface, and back: emissivity, reflection, window.

The radiance that reaches the camera is
``tau (e L(T) + (1 - e) L(T_refl)) + (1 - tau) L(T_window)``
with L the band radiance of a black body, e the emissivity, T_refl the reflected apparent temperature, tau and T_window
transmission and temperature of a window, tape or the air. This is the balance behind the compensation of emissivity,
reflected temperature and transmittance in ASTM E1933, E1862, E1897 and ISO 18434-1 (the standards' wording was not
read; the balance is from heat-transfer textbooks). A camera that has been told an emissivity has solved the same
balance once already: it is undone first, with the camera's own values, then solved again with the surface's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.model.errors import InputError
from thermscan.physics.radiation import LONG_WAVE, Band, band_radiance, radiance_slope, radiance_temperature

PICTURE_STEP_K = 0.05  # nodes of the table behind whole pictures; see true_picture for the error


@dataclass(frozen=True)
class View:
    """What stands between a surface and the camera, or what a camera has been told of it.

    ``window_c`` None means as warm as the reflected surroundings. ``View()`` is a black body seen in the open, or a
    camera that has applied nothing.
    """

    emissivity: float = 1.0
    reflected_c: float = 23.0
    transmission: float = 1.0
    window_c: float | None = None

    @property
    def behind_c(self) -> float:
        """Temperature of the window, degrees Celsius."""
        return self.reflected_c if self.window_c is None else self.window_c


BARE = View()


def check_view(view: View, *, path: str = "", place: str = "") -> View:
    """Return the view if it is possible, else raise InputError."""
    for name, value in (("emissivity", view.emissivity), ("transmission", view.transmission)):
        if not 0 < value <= 1:
            hint = f"{name} lies above 0 and goes up to 1"
            hint += "; for what cannot be read use tape" if name == "emissivity" else ""
            raise InputError(path, place, f"{name} {value:g} is impossible", hint)
    for name, value in (("reflected temperature", view.reflected_c), ("window temperature", view.behind_c)):
        if not -200 <= value <= 1500:
            raise InputError(path, place, f"{value:g} C is no {name}", "give degrees Celsius")
    return view


def received_radiance(temperature_c: np.ndarray, view: View = BARE, *, band: Band = LONG_WAVE) -> np.ndarray:
    """Return the radiance that reaches the camera from a surface.

    Parameters
    ----------
    temperature_c : ndarray, degrees Celsius
        Of the surface.
    view : View
    band : Band

    Returns
    -------
    ndarray of the same shape, W m-2 sr-1
    """
    own = band_radiance(temperature_c, band=band)
    if view == BARE:
        return own
    reflected, window = band_radiance(np.array([view.reflected_c, view.behind_c]), band=band)
    e, tau = view.emissivity, view.transmission
    return tau * (e * own + (1 - e) * reflected) + (1 - tau) * window


def surface_temperature(radiance: np.ndarray, view: View = BARE, *, band: Band = LONG_WAVE) -> np.ndarray:
    """Return the temperature of a surface from the radiance that reaches the camera.

    Parameters
    ----------
    radiance : ndarray, W m-2 sr-1
    view : View
    band : Band

    Returns
    -------
    ndarray of the same shape, degrees Celsius
        NaN where the surroundings alone would send more than was received: there the values contradict each other.
    """
    reflected, window = band_radiance(np.array([view.reflected_c, view.behind_c]), band=band)
    e, tau = view.emissivity, view.transmission
    own = ((np.asarray(radiance, float) - (1 - tau) * window) / tau - (1 - e) * reflected) / e
    return np.where(own > 0, radiance_temperature(own, band=band), np.nan)


def true_temperature(reading_c: np.ndarray, view: View, *, applied: View = BARE, band: Band = LONG_WAVE) -> np.ndarray:
    """Return the temperature of a surface from what the camera shows.

    Parameters
    ----------
    reading_c : ndarray, degrees Celsius
        As the camera shows it.
    view : View
        What really stands between surface and camera.
    applied : View
        What the camera has already applied to its numbers; ``View()`` for nothing.
    band : Band

    Returns
    -------
    ndarray of the same shape, degrees Celsius
        NaN where the values contradict each other. Equal to the reading where view and applied are the same.
    """
    return surface_temperature(received_radiance(reading_c, applied, band=band), view, band=band)


def reading_of(true_c: np.ndarray, view: View, *, applied: View = BARE, band: Band = LONG_WAVE) -> np.ndarray:
    """Return what the camera shows for a surface: the inverse of :func:`true_temperature`, same arguments."""
    return true_temperature(true_c, applied, applied=view, band=band)


def gain(reading_c: np.ndarray, view: View, *, applied: View = BARE, band: Band = LONG_WAVE) -> np.ndarray:
    """Return how many kelvin the surface changes for one kelvin that the camera shows.

    Parameters
    ----------
    reading_c : ndarray, degrees Celsius
    view, applied : View
    band : Band

    Returns
    -------
    ndarray of the same shape, K/K

    Notes
    -----
    ``(tau_a e_a / (tau e)) L'(reading) / L'(true)``: the camera's offset and drift do not occur in it, and the
    reflected temperature only through the slope at the true temperature.
    """
    true_c = true_temperature(reading_c, view, applied=applied, band=band)
    scale = applied.transmission * applied.emissivity / (view.transmission * view.emissivity)
    return scale * radiance_slope(reading_c, band=band) / radiance_slope(true_c, band=band)


@dataclass(frozen=True)
class Sensitivities:
    """Derivatives of the true temperature, each ndarray of the shape of the readings.

    By the reading (K/K), emissivity (K), reflected temperature (K/K), transmission (K), window temperature (K/K).
    """

    by_reading: np.ndarray
    by_emissivity: np.ndarray
    by_reflected: np.ndarray
    by_transmission: np.ndarray
    by_window: np.ndarray


def sensitivities_of(
    reading_c: np.ndarray, view: View, *, applied: View = BARE, band: Band = LONG_WAVE
) -> Sensitivities:
    """Differentiate the true temperature by all that it depends on (implicit differentiation of the balance).

    Parameters
    ----------
    reading_c : ndarray, degrees Celsius
    view, applied : View
        A window without a temperature of its own counts as one at the reflected temperature, held fixed.
    band : Band
    """
    true_c = true_temperature(reading_c, view, applied=applied, band=band)
    e, tau = view.emissivity, view.transmission
    own, slope = band_radiance(true_c, band=band), radiance_slope(true_c, band=band)
    reflected, window = band_radiance(np.array([view.reflected_c, view.behind_c]), band=band)
    by_reflected, by_window = radiance_slope(np.array([view.reflected_c, view.behind_c]), band=band)
    leaving = e * own + (1 - e) * reflected
    return Sensitivities(
        by_reading=gain(reading_c, view, applied=applied, band=band),
        by_emissivity=-(own - reflected) / (e * slope),
        by_reflected=-(1 - e) / e * by_reflected / slope,
        by_transmission=-(leaving - window) / (tau * e * slope),
        by_window=-(1 - tau) / (tau * e) * by_window / slope,
    )


def true_picture(frames_c: np.ndarray, view: View, *, applied: View = BARE, band: Band = LONG_WAVE) -> np.ndarray:
    """Correct whole pictures through one table for their range, for speed.

    Parameters
    ----------
    frames_c : ndarray of any shape, degrees Celsius
        NaN stays NaN.
    view, applied : View
    band : Band

    Returns
    -------
    float32 ndarray of the same shape, degrees Celsius

    Notes
    -----
    Equals :func:`true_temperature` to 1 mK where the surface is above -40 C and its emissivity 0.1 or more. The
    nodes lie 0.05 K apart; a straight line between them is off by h^2/8 times the second derivative of the map.
    """
    frames = np.asarray(frames_c)
    known = np.isfinite(frames)
    is_whole = bool(known.all())
    if not known.any():
        return np.full(frames.shape, np.nan, np.float32)
    low = float(frames.min() if is_whole else frames[known].min())
    high = float(frames.max() if is_whole else frames[known].max())
    count = max(2, int(np.ceil((high - low) / PICTURE_STEP_K)) + 2)
    nodes = low + PICTURE_STEP_K * np.arange(count)
    table = true_temperature(nodes, view, applied=applied, band=band)
    place = np.asarray(frames if is_whole else np.where(known, frames, low), np.float32) - np.float32(low)
    place *= np.float32(1 / PICTURE_STEP_K)
    cell = place.astype(np.int32)
    np.clip(cell, 0, count - 2, out=cell)
    place -= cell
    values = table.astype(np.float32)
    out = np.diff(values)[cell]
    out *= place
    out += values[cell]
    if not is_whole:
        out[~known] = np.nan
    return out


def emissivity_from(
    apparent_c: np.ndarray, true_c: np.ndarray, reflected_c: np.ndarray, *, band: Band = LONG_WAVE
) -> np.ndarray:
    """Return the emissivity of a surface whose true temperature is known: the procedure of ASTM E1933.

    Parameters
    ----------
    apparent_c : ndarray, degrees Celsius
        Read with emissivity 1.
    true_c : ndarray, degrees Celsius
        From a contact thermometer, or from tape or paint of known emissivity beside it.
    reflected_c : ndarray, degrees Celsius
    band : Band

    Returns
    -------
    ndarray, not held between 0 and 1; NaN where surface and surroundings are equally warm
    """
    apparent, true, reflected = (
        band_radiance(np.asarray(t, float), band=band) for t in (apparent_c, true_c, reflected_c)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(true == reflected, np.nan, (apparent - reflected) / (true - reflected))


def transmission_from(
    through_c: np.ndarray, open_c: np.ndarray, window_c: np.ndarray, *, band: Band = LONG_WAVE
) -> np.ndarray:
    """Return the transmission of a window from the same target read through it and without it (ASTM E1897).

    Parameters
    ----------
    through_c, open_c : ndarray, degrees Celsius
        Read with emissivity 1, through the window and without it.
    window_c : ndarray, degrees Celsius
        Temperature of the window, which is taken not to reflect.
    band : Band
    """
    return emissivity_from(through_c, open_c, window_c, band=band)
