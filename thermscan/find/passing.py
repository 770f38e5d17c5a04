"""What passed before the camera: a difference that comes and is gone again at once is not heat of the board."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy import ndimage

from thermscan.model.film import Excess
from thermscan.model.settings import DetectionSettings


def without_passing(excess: Excess, *, settings: DetectionSettings) -> Excess:
    """Blank (NaN) where a hand, a cable or a reflection passed for a moment, in this recording or in a good one.

    Notes
    -----
    A place that a source has warmed by several kelvin keeps most of it for seconds: the board beneath cools only as
    its heat spreads. A difference that stands out of the bins before and after it by ``passing_sigma`` of noise and by
    ``passing_k``, either way, by more than what was there already, and leaves less than ``passing_left`` of itself
    behind within ``passing_s``, is blanked with its neighbours in place and time. The noise is that of the place and
    what an unsteady hand makes of its slope: a small hot spot moves by part of a pixel from one bin to the next; and
    what comes and goes by less than ``passing_of_stay`` of what stays there is no passer-by, nor does it take its
    neighbours along. Not done on another clock than power-on's, in counts, or where fewer than five bins are known.
    Not valid for a supply that restarts: the caller leaves it out.
    """
    film = excess.film
    on = len(excess.excess)
    if film.on_for_s is not None:  # what cools after power-off is heat
        on = int(np.searchsorted(film.edges_s[1:], film.on_for_s + 1e-9, side="right"))
    if film.clock != "power_on" or film.unit != "celsius" or on < 5:
        return excess
    width = float(np.median(np.diff(film.edges_s)))
    longest = max(1, min(int(np.ceil(settings.passing_s / max(width, 1e-6))), on - 2))
    noise = np.hypot(np.broadcast_to(excess.noise, excess.excess.shape), _shaken(excess, on))
    passed = np.zeros(excess.excess.shape, bool)
    values = excess.excess[:on]
    stays = _over_time(np.nanmedian, np.abs(values))
    passed[:on] = _passing(values, noise[:on], stays, longest, settings) & film.inside
    if not passed.any():
        return excess
    reach = max(1, int(np.ceil(settings.passing_reach_px * film.pixel_mm / film.grid.step_mm)))
    size = np.nan_to_num(np.abs(excess.excess - _over_time(np.nanmedian, values))) * passed
    spoils = ndimage.grey_dilation(size, (3, 2 * reach + 1, 2 * reach + 1))
    passed |= (spoils > 0) & (spoils >= settings.passing_of_stay * stays)
    out = np.where(passed, np.nan, excess.excess).astype(excess.excess.dtype)
    share = 100.0 * float((passed & film.inside).sum()) / max(float(film.inside.sum()) * len(passed), 1.0)
    part = f"{share:.1f} %" if share >= 0.1 else "under 0.1 %"
    what = "something passed before the camera (a hand, a cable, a reflection)"
    text = f"{what}: {part} of the places and times are left out"
    return replace(excess, excess=out, warnings=(*excess.warnings, text))


def _shaken(excess: Excess, on: int) -> np.ndarray:
    """Return what the error of the motion makes of the slopes of the mean difference, K, ndarray (rows, columns)."""
    film = excess.film
    steep = film.grid.slope_per_mm(_over_time(np.nanmean, excess.excess[:on]))
    reach = int(np.ceil(1.96 * film.motion_error_mm / film.grid.step_mm))
    return ndimage.maximum_filter(steep, 2 * reach + 1) * film.motion_error_mm


def _over_time(summary: Callable[..., np.ndarray], values: np.ndarray) -> np.ndarray:
    """Return the mean or median of (bins, rows, columns) over the bins, 0 where none is known."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # places that no bin shows
        return np.nan_to_num(summary(values, axis=0))


def _passing(
    values: np.ndarray, noise: np.ndarray, stays: np.ndarray, longest: int, settings: DetectionSettings
) -> np.ndarray:
    """Tell where a difference comes and is gone again, bool ndarray of the shape of ``values`` (bins, rows, columns).

    ``stays`` is what each place usually differs by, K, ndarray (rows, columns). Before the first bin the difference is
    0: the board was cold.
    """
    known = np.isfinite(values)
    padded = np.concatenate([np.zeros((1, *values.shape[1:])), np.where(known, values, 0.0)])
    there = np.concatenate([np.ones((1, *values.shape[1:]), bool), known])
    limit = np.maximum(settings.passing_sigma * np.nan_to_num(noise), settings.passing_k)
    limit = np.maximum(limit, settings.passing_of_stay * stays)
    out = np.zeros(values.shape, bool)
    for dwell in range(1, longest + 1):
        for start in range(1, len(padded) - dwell):
            before, after = padded[start - 1], padded[start + dwell]
            usable = there[start - 1] & there[start + dwell]
            inner = padded[start : start + dwell]
            top = np.maximum(before, after), np.minimum(before, after)
            left = np.maximum(np.abs(after - before), settings.passing_left * np.maximum(np.abs(before), np.abs(after)))
            for sign, level in ((1.0, top[0]), (-1.0, top[1])):
                above = sign * (inner - level)
                size = above.max(axis=0)
                hit = (
                    usable & (above.min(axis=0) > 0) & (size > limit[start - 1]) & (left < settings.passing_left * size)
                )
                out[start - 1 : start - 1 + dwell] |= hit
    return out
