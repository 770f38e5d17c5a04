"""Blur of the optics where no profile of the camera knows it: from the sharpest edges of the recordings themselves."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import ndimage

from thermscan.measure.picture_quality import edge_width_px
from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Motion
from thermscan.model.recording import Recording
from thermscan.model.settings import OpticsSettings, PictureSettings
from thermscan.model.timing import Timing


def edge_blurs_px(
    recording: Recording,
    camera: CameraState,
    motion: Motion,
    timing: Timing,
    *,
    picture: PictureSettings,
    settings: OpticsSettings,
) -> tuple[float, ...]:
    """Return the blur of the sharpest edges of a recording, px, as often as it can be told; empty where it cannot.

    From a camera that stands still: the mean of the last frames with power, and what it is above the mean of frames
    before power-on (edges of warm bodies; surfaces that reflect drop out). From a camera that moves: single frames.

    Notes
    -----
    See ``edge_width_px``. Too large where heat in the board is all that has an edge, too small by noise.
    """
    times = np.arange(recording.frames, dtype=float) if recording.times_s is None else recording.times_s
    usable = np.flatnonzero(camera.usable)
    off = np.inf if timing.off_s is None else timing.off_s.low
    late = usable[times[usable] < off][-settings.frames :]
    if not late.size:
        return ()
    noise = camera.noise_median
    if not motion.is_tripod:
        single = late[: settings.single_frames, None]
        found = [edge_width_px(_mean(recording, camera, frame), noise, settings=picture) for frame in single]
    else:
        last = _mean(recording, camera, late)
        shown = [(last, noise / math.sqrt(late.size))]
        cold = usable[times[usable] < (-np.inf if timing.on_s is None else timing.on_s.low)][-settings.frames :]
        if cold.size:
            both = math.hypot(noise / math.sqrt(late.size), noise / math.sqrt(cold.size))
            shown.append((last - _mean(recording, camera, cold), both))
        found = [edge_width_px(each, error, settings=picture) for each, error in shown]
    return tuple(width for width in found if width is not None)


def optics_blur_px(widths_px: Sequence[float], *, settings: OpticsSettings) -> float | None:
    """Join the blurs of several pictures of one camera with what is usual, px; None without any.

    Parameters
    ----------
    widths_px : sequence of float, px
    settings : OpticsSettings

    Notes
    -----
    The median, then the mean on a logarithmic scale with the usual blur, each weighed by its precision (product of two
    normal densities). Pictures of one scene err alike, so that more of them do not count for more.
    """
    if not widths_px:
        return None
    seen = math.log(max(float(np.median(widths_px)), settings.least_px))
    weight = settings.usual_ratio**2 / (settings.usual_ratio**2 + settings.edge_error**2)
    return math.exp(weight * seen + (1 - weight) * math.log(settings.usual_px))


def _mean(recording: Recording, camera: CameraState, frames: np.ndarray) -> np.ndarray:
    """Return the mean of some frames with bad pixels filled from their surroundings, ndarray (rows, columns)."""
    total = np.zeros((recording.rows, recording.columns))
    for number in frames:
        total += recording.store.read(int(number), int(number) + 1)[0] - camera.offset[number]
    total /= len(frames)
    return np.where(camera.bad, ndimage.median_filter(total, size=5), total)
