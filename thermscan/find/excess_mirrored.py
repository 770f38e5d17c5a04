"""Places that get colder when the power comes: what they show is a reflection that moves, on whichever board it is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import ndimage

from thermscan.find.excess import shake_noise
from thermscan.model.film import Rise
from thermscan.model.settings import DetectionSettings


def without_mirrored(rise: Rise, *, settings: DetectionSettings) -> tuple[Rise, float]:
    """Blank (NaN) places whose rise falls below what they had before power-on, and tell their share of the board.

    Parameters
    ----------
    rise : Rise
    settings : DetectionSettings

    Returns
    -------
    (Rise, float)
        Unchanged, and 0, on another clock than power-on's, without cold frames, in counts, and where more than
        ``mirrored_most`` of the board is so: then it is the whole board that cools, or the camera that drifts.

    Notes
    -----
    Power warms; heat left from an earlier run has been put back into the rise, with its error. A place that lies below
    zero by ``mirrored_k`` and by ``passing_sigma`` of its noise for three bins on end mirrors somebody who moves: bare
    metal, a can, a ring about a hole. All its seconds are blanked, and its neighbours within ``passing_reach_px``:
    before and after the fall it mirrors as well. What gets warmer by a reflection is not told by this.
    """
    film = rise.film
    on = film.centres_s > 0
    if film.clock != "power_on" or film.unit != "celsius" or rise.reference != "cold_frames" or on.sum() < 3:
        return rise, 0.0
    shape = rise.rise.shape
    noise = np.hypot(np.broadcast_to(rise.error, shape), shake_noise(rise))
    limit = np.maximum(settings.mirrored_k, settings.passing_sigma * noise)
    for doubt in (rise.left_doubt, rise.left_error):
        if doubt is not None:
            limit = limit + 2.0 * np.abs(doubt)
    below = (np.nan_to_num(rise.rise) < -limit)[on]
    cold = ndimage.minimum_filter1d(below.astype(np.uint8), 3, axis=0, mode="constant").any(axis=0) & film.inside
    known = film.inside & np.isfinite(rise.rise).any(axis=0)
    share = float(cold.sum()) / max(int(known.sum()), 1)
    if not cold.any() or share > settings.mirrored_most:
        return rise, 0.0
    reach = max(1, int(np.ceil(settings.passing_reach_px * film.pixel_mm / film.grid.step_mm)))
    around = ndimage.binary_dilation(cold, np.ones((3, 3), bool), iterations=reach)
    out = rise.rise.copy()
    out[:, around & film.inside] = np.nan
    return replace(rise, rise=out), float((around & known).sum()) / max(int(known.sum()), 1)
