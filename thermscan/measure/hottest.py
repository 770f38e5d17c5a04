"""The warmest places of a picture, without any board: what a first look shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from skimage.feature import peak_local_max

from thermscan.model.camera_events import CameraState
from thermscan.model.look_report import HotPlace
from thermscan.model.recording import Recording
from thermscan.model.timing import Timing


@dataclass(frozen=True)
class PixelMeans:
    """Mean of the frames before power-on (None without any), of the last second with power on, and the extremes.

    Arrays are (rows, columns) in the unit of the recording; ``lowest`` and ``highest`` are over all good pixels.
    """

    cold: np.ndarray | None
    late: np.ndarray
    lowest: float
    highest: float


def pixel_means(recording: Recording, camera: CameraState, timing: Timing) -> PixelMeans:
    """Average a recording in its own pixels, streaming; frames that are not usable are left out."""
    times = np.arange(recording.frames, dtype=float) if recording.times_s is None else recording.times_s
    on = timing.on_s.low if timing.on_s is not None else -np.inf
    off = timing.off_s.low if timing.off_s is not None else times[-1]
    cold = camera.usable & (times < on)
    late = camera.usable & (times <= off) & (times > off - 1.0)
    if not late.any():
        late = camera.usable.copy()
    shape = (recording.rows, recording.columns)
    sums = {True: np.zeros(shape), False: np.zeros(shape)}
    counts = {True: 0, False: 0}
    lowest, highest = np.inf, -np.inf
    for start, frames in recording.chunks():
        good = np.isfinite(frames) & ~camera.bad
        if good.any():
            lowest, highest = min(lowest, float(frames[good].min())), max(highest, float(frames[good].max()))
        for number, frame in enumerate(frames, start):
            for chosen, is_cold in ((cold, True), (late, False)):
                if chosen[number]:
                    sums[is_cold] += np.nan_to_num(frame) - camera.offset[number]
                    counts[is_cold] += 1
    cold_mean = sums[True] / counts[True] if counts[True] else None
    return PixelMeans(cold_mean, sums[False] / max(counts[False], 1), lowest, highest)


def hottest_places(means: PixelMeans, camera: CameraState, *, most: int = 5) -> tuple[HotPlace, ...]:
    """Return the warmest places, by rise where there are frames before power-on, else by temperature.

    Local maxima of the picture smoothed by one pixel, at least three pixels apart. Not significance: a warm place
    is not yet a fault.
    """
    value = means.late if means.cold is None else means.late - means.cold
    smooth = ndimage.gaussian_filter(np.where(camera.bad, np.median(value[~camera.bad]), value), 1.0)
    peaks = peak_local_max(smooth, min_distance=3, num_peaks=most, exclude_border=False)
    return tuple(
        HotPlace(
            float(c),
            float(r),
            float(means.late[r, c]),
            None if means.cold is None else float(means.late[r, c] - means.cold[r, c]),
        )
        for r, c in peaks
    )
