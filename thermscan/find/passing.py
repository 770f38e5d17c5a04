"""What passed before the camera: a difference that comes and is gone again at once is not heat of the board."""

from __future__ import annotations

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
    behind within ``passing_s``, is blanked with its neighbours in place and time. Not done on another clock than
    power-on's, in counts, or where fewer than five bins are known. Not valid for a supply that restarts: the caller
    leaves it out.
    """
    film = excess.film
    on = len(excess.excess)
    if film.on_for_s is not None:  # what cools after power-off is heat
        on = int(np.searchsorted(film.edges_s[1:], film.on_for_s + 1e-9, side="right"))
    if film.clock != "power_on" or film.unit != "celsius" or on < 5:
        return excess
    width = float(np.median(np.diff(film.edges_s)))
    longest = max(1, min(int(np.ceil(settings.passing_s / max(width, 1e-6))), on - 2))
    noise = np.broadcast_to(excess.noise, excess.excess.shape)
    passed = np.zeros(excess.excess.shape, bool)
    passed[:on] = _passing(excess.excess[:on], noise[:on], longest, settings) & film.inside
    if not passed.any():
        return excess
    reach = max(1, int(np.ceil(settings.passing_reach_px * film.pixel_mm / film.grid.step_mm)))
    around = ndimage.generate_binary_structure(2, 1)[None]
    passed = ndimage.binary_dilation(passed, around, iterations=reach)
    passed = ndimage.binary_dilation(passed, np.ones((3, 1, 1), bool))
    out = np.where(passed, np.nan, excess.excess).astype(excess.excess.dtype)
    share = 100.0 * float((passed & film.inside).sum()) / max(float(film.inside.sum()) * len(passed), 1.0)
    part = f"{share:.1f} %" if share >= 0.1 else "under 0.1 %"
    what = "something passed before the camera (a hand, a cable, a reflection)"
    text = f"{what}: {part} of the places and times are left out"
    return replace(excess, excess=out, warnings=(*excess.warnings, text))


def _passing(values: np.ndarray, noise: np.ndarray, longest: int, settings: DetectionSettings) -> np.ndarray:
    """Tell where a difference comes and is gone again, bool ndarray of the shape of ``values`` (bins, rows, columns).

    Before the first bin the difference is 0: the board was cold.
    """
    known = np.isfinite(values)
    padded = np.concatenate([np.zeros((1, *values.shape[1:])), np.where(known, values, 0.0)])
    there = np.concatenate([np.ones((1, *values.shape[1:]), bool), known])
    limit = np.maximum(settings.passing_sigma * np.nan_to_num(noise), settings.passing_k)
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
