"""Noise of a camera by its parts: the three-dimensional decomposition into time, rows and columns.

D'Agostino and Webb, "Three-dimensional analysis framework and measurement methodology for imaging system noise",
1991 (from memory): averaging over time (t), rows (v) and columns (h) splits the noise of a cube of frames into seven
parts that add in squares. The temporal noise of a pixel over dS/dT = 1 is the NETD behind ASTM E1543.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.calibrate.fitness import STRETCHES, check_length, check_range
from thermscan.calibrate.region import Box
from thermscan.measure.noise import measure_camera
from thermscan.model.camera_events import CameraEvent
from thermscan.model.camera_profile import NoiseSection, ShutterSection
from thermscan.model.errors import InputError
from thermscan.model.recording import Recording
from thermscan.model.settings import CalibrationSettings
from thermscan.physics.uncertainty import NORMAL_95

MOST_FRAMES = 200
WANTED_FRAMES = 100  # from which whole frames' noise is known to 14 %


@dataclass(frozen=True)
class NoiseParts:
    """Variances of the seven parts, unit of the frames squared.

    Random in all (tvh), rows in a frame (tv), columns in a frame (th), fixed in pixels (vh), whole frames (t), fixed
    rows (v), fixed columns (h).
    """

    tvh: float
    tv: float
    th: float
    vh: float
    t: float
    v: float
    h: float


def noise_parts(frames: np.ndarray) -> NoiseParts:
    """Split the noise of an even scene.

    Parameters
    ----------
    frames : ndarray of shape (frames, rows, columns), each axis of two or more

    Returns
    -------
    NoiseParts
        Unbiased for independent parts (the variance that finer parts leave in coarser means is taken off), never
        below zero.
    """
    cube = np.asarray(frames, float)
    nt, nv, nh = cube.shape
    cube = cube - cube.mean()
    mean_t, mean_v, mean_h = (cube.mean(axis=i) for i in range(3))  # (v,h), (t,h), (t,v)
    t, v, h = cube.mean(axis=(1, 2)), cube.mean(axis=(0, 2)), cube.mean(axis=(0, 1))
    tv, th, vh = mean_h - t[:, None] - v, mean_v - t[:, None] - h, mean_t - v[:, None] - h
    tvh = cube - tv[:, :, None] - th[:, None, :] - vh[None] - t[:, None, None] - v[:, None] - h
    s_tvh = np.sum(tvh**2) / ((nt - 1) * (nv - 1) * (nh - 1))
    s_tv = np.sum(tv**2) / ((nt - 1) * (nv - 1)) - s_tvh / nh
    s_th = np.sum(th**2) / ((nt - 1) * (nh - 1)) - s_tvh / nv
    s_vh = np.sum(vh**2) / ((nv - 1) * (nh - 1)) - s_tvh / nt
    s_t = np.sum(t**2) / (nt - 1) - s_tv / nv - s_th / nh - s_tvh / (nv * nh)
    s_v = np.sum(v**2) / (nv - 1) - s_tv / nt - s_vh / nh - s_tvh / (nt * nh)
    s_h = np.sum(h**2) / (nh - 1) - s_th / nt - s_vh / nv - s_tvh / (nt * nv)
    return NoiseParts(*(max(float(s), 0.0) for s in (s_tvh, s_tv, s_th, s_vh, s_t, s_v, s_h)))


def calibrate_noise(
    recording: Recording,
    *,
    most_frames: int = MOST_FRAMES,
    date: str,
    method: str,
    settings: CalibrationSettings | None = None,
) -> NoiseSection:
    """Measure the noise of a camera from a recording of an even, steady scene.

    Parameters
    ----------
    recording : Recording
        Degrees Celsius; the first ``most_frames`` are used for the parts, all for the drift.
    date, method : str
    settings : CalibrationSettings, optional

    Raises
    ------
    InputError
        For counts, too few frames, pixels at an end of the range, or a scene that is plainly not even or not steady.
    """
    if recording.unit != "celsius":
        raise InputError(recording.path, "", "holds counts, so millikelvin are not known", "give --scale and --offset")
    check_length(recording, settings=settings or CalibrationSettings())
    check_range(recording, Box(0, 0, recording.columns, recording.rows))
    frames = recording.store.read(0, min(recording.frames, most_frames)).astype(np.float64)
    frames = np.where(np.isfinite(frames), frames, np.nanmean(frames))
    parts = noise_parts(frames)
    spread = float(np.quantile(frames[0], 0.99) - np.quantile(frames[0], 0.01))
    temporal = np.sqrt(parts.tvh)
    if spread > max(3.0, 60 * temporal):
        problem = f"the scene is not even: {spread:.1f} K from its coolest to its warmest hundredth"
        raise InputError(recording.path, "", problem, "film a plate of one temperature that fills the picture")
    course = np.median(frames.reshape(len(frames), -1), axis=1)
    change = float(np.ptp([np.median(part) for part in np.array_split(course, STRETCHES)]))
    if change > max(3.0, 60 * temporal):
        problem = f"the scene is not steady: it changes by {change:.1f} K while it is filmed"
        raise InputError(
            recording.path, "", problem, "wait until plate and camera are steady, then record for a minute"
        )
    milli = {name: 1000 * float(np.sqrt(getattr(parts, name))) for name in NoiseParts.__dataclass_fields__}
    freedom = 2 * (len(frames) - 1) * (frames.shape[1] - 1) * (frames.shape[2] - 1)
    return NoiseSection(
        date,
        method,
        netd_mk=milli["tvh"],
        netd_error_mk=milli["tvh"] / np.sqrt(freedom),
        rows_mk=milli["tv"],
        columns_mk=milli["th"],
        frames_mk=milli["t"],
        fixed_mk=milli["vh"],
        fixed_rows_mk=milli["v"],
        fixed_columns_mk=milli["h"],
        drift_k_per_min=drift_per_minute(recording),
    )


def noise_notes(recording: Recording, section: NoiseSection) -> tuple[str, ...]:
    """Say what makes the parts of the noise less sure than they look: few frames, or a drift."""
    notes = []
    frames, times = min(recording.frames, MOST_FRAMES), recording.times_s
    if frames < WANTED_FRAMES:
        percent = 100 * NORMAL_95 / np.sqrt(2 * (frames - 1))
        notes.append(
            f"{frames} frames only: the noise of whole frames is known to ± {percent:.0f} %; record a hundred or more"
        )
    if section.drift_k_per_min is not None and times is not None:
        seconds = float(times[frames - 1] - times[0])
        drifted = 1000 * abs(section.drift_k_per_min) * seconds / 60 / np.sqrt(12.0)  # deviation of an even slope, mK
        if drifted > max(section.netd_mk, section.frames_mk / np.sqrt(2.0)):
            notes.append(
                "What whole frames share is mostly drift: wait until plate and camera are steady, and record again."
            )
    return tuple(notes)


def drift_per_minute(recording: Recording) -> float | None:
    """Return the slope of the frames' means between shutter corrections, K/min; None without times or within 2 s.

    One slope and, after each correction, a level of its own: what a correction takes back is drift all the same.
    """
    times = recording.times_s
    if times is None or times[-1] - times[0] < 2.0:
        return None
    means = np.concatenate([np.nanmean(frames, axis=(1, 2)) for _, frames in recording.chunks()])
    starts = [step.frame for step in shutter_steps(recording) if step.frame is not None]
    levels = np.searchsorted(np.array([0, *starts]), np.arange(means.size), side="right") - 1
    design = np.column_stack([times - times[0], levels[:, None] == np.arange(len(starts) + 1)]).astype(float)
    kept = np.isfinite(means)
    return float(60 * np.linalg.lstsq(design[kept], means[kept], rcond=None)[0][0])


def shutter_steps(recording: Recording) -> tuple[CameraEvent, ...]:
    """Return the offset steps of a recording that the whole picture shares."""
    if recording.frames < 8:
        return ()
    return tuple(e for e in measure_camera(recording).events if e.kind == "offset_step" and e.size is not None)


def calibrate_shutter(recording: Recording, *, date: str) -> ShutterSection | None:
    """Measure how often the shutter corrects and by how much; None where fewer than two corrections were seen."""
    steps, times = shutter_steps(recording), recording.times_s
    if times is None or len(steps) < 2:
        return None
    at = np.array([times[e.frame] for e in steps if e.frame is not None])
    size = float(np.median([abs(e.size) for e in steps if e.size is not None]))
    method = f"{len(steps)} corrections in {times[-1] - times[0]:.0f} s"
    return ShutterSection(date, method, float(np.median(np.diff(at))), size)
