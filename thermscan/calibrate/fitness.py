"""Whether a recording is fit to calibrate by: long enough, inside the camera's range, one temperature, steady."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from thermscan.calibrate.region import Box, mean_picture
from thermscan.measure.picture_quality import clipped, smallest_step
from thermscan.measure.radiometry_camera import band_of
from thermscan.measure.radiometry_recording import as_received
from thermscan.model.errors import InputError
from thermscan.model.recording import Recording
from thermscan.model.settings import CalibrationSettings

TILES = 3  # a box is cut into so many tiles each way: a pattern of pixels averages out in them, a slope does not
STRETCHES = 8  # a recording is cut into so many stretches, likewise against the noise of single frames


@dataclass(frozen=True)
class Steadiness:
    """How far a box is from one temperature, unit of the frames.

    ``uneven`` is the standard deviation over its tiles, ``wander`` over the stretches of the recording: what an
    unknown place and an unknown moment of the thermometer leave open. ``*_range`` is from lowest to highest.
    """

    uneven: float
    wander: float
    uneven_range: float
    wander_range: float

    @property
    def error(self) -> float:
        """Standard uncertainty of the temperature of the box that both bring."""
        return math.hypot(self.uneven, self.wander)


def check_length(recording: Recording, *, settings: CalibrationSettings) -> None:
    """Refuse a recording of too few frames to tell noise and drift; raises InputError."""
    count = recording.frames
    if count < settings.fewest_frames:
        held = f"holds {count} frame{'' if count == 1 else 's'}"
        problem = f"{held}: fewer than {settings.fewest_frames} tell neither noise nor drift"
        raise InputError(recording.path, "", problem, "record ten seconds")


def frames_of(recording: Recording, box: Box, *, most: int) -> np.ndarray:
    """Return up to ``most`` frames spread over a recording, cut to a box, ndarray (frames, rows, columns)."""
    picked = np.unique(np.linspace(0, recording.frames - 1, min(most, recording.frames)).round().astype(int))
    received = as_received(recording, band=band_of(recording))
    return np.stack([received.store.read(i, i + 1)[0][box.slices] for i in picked.tolist()]).astype(np.float64)


def check_range(recording: Recording, box: Box) -> None:
    """Refuse a box in which pixels are stuck at an end of the camera's range; raises InputError."""
    for frame in frames_of(recording, box, most=STRETCHES):
        if not np.isfinite(frame).any():
            continue
        noise = float(np.nanstd(np.diff(frame, axis=-1))) / math.sqrt(2.0) if frame.shape[-1] > 1 else 0.0
        high, low = clipped(frame, noise, smallest_step(frame)) if np.nanmax(frame) > np.nanmin(frame) else (0, 0)
        top = recording.saturated_at
        if top is not None and np.isfinite(top):
            high = max(high, int(np.sum(frame >= top * (1 - 1e-9))))
        if high or low:
            end, value = ("highest", np.nanmax(frame)) if high else ("lowest", np.nanmin(frame))
            unit = "C" if recording.unit == "celsius" else "counts"
            problem = f"{max(high, low)} pixels of the box are stuck at the {end} value, {value:.6g} {unit}"
            remedy = f"choose a {'hotter' if high else 'colder'} range of the camera, and record again"
            raise InputError(recording.path, "", problem, remedy)


def measure_steadiness(recording: Recording, box: Box, *, settings: CalibrationSettings) -> Steadiness:
    """Measure how even and how steady a box is.

    Raises
    ------
    InputError
        Where the recording is too short, or the box touches an end of the camera's range.
    """
    check_length(recording, settings=settings)
    check_range(recording, box)
    tiles = tiles_of(mean_picture(recording).mean[box.slices])
    if not tiles.size:
        problem = "no pixel of the box holds a number in every frame"
        raise InputError(recording.path, "", problem, "choose another box, or leave frames out with --frames A:B")
    return Steadiness(*_spread(tiles, _course(recording, box)))


def tiles_of(picture: np.ndarray) -> np.ndarray:
    """Return the median of each tile of a picture, ndarray (TILES * TILES,) or fewer."""
    rows = [r for r in np.array_split(picture, TILES, axis=0) if r.size]
    tiles = [t for r in rows for t in np.array_split(r, TILES, axis=1) if np.isfinite(t).any()]
    return np.array([np.nanmedian(t) for t in tiles])


def _course(recording: Recording, box: Box) -> np.ndarray:
    """Return the median of a box in each stretch of a recording, ndarray (STRETCHES,)."""
    received = as_received(recording, band=band_of(recording))
    boxes = np.concatenate([frames[(slice(None), *box.slices)] for _, frames in received.chunks()])
    course = np.array([np.nanmedian(b) for b in boxes if np.isfinite(b).any()])
    return np.array([np.median(s) for s in np.array_split(course, STRETCHES) if s.size])


def _spread(tiles: np.ndarray, course: np.ndarray) -> tuple[float, float, float, float]:
    return float(np.std(tiles)), float(np.std(course)), float(np.ptp(tiles)), float(np.ptp(course))


def measure_drift(recording: Recording, *, settings: CalibrationSettings) -> float:
    """Return how far the middle of the whole picture wandered while it was filmed, standard deviation.

    Raises
    ------
    InputError
        Where the recording is too short, touches an end of the camera's range, or drifts as far as two references are
        apart.
    """
    found = measure_steadiness(recording, Box(0, 0, recording.columns, recording.rows), settings=settings)
    check_one_temperature(replace(found, uneven_range=0.0), 1.0, "the picture", path=recording.path, settings=settings)
    return found.wander


def check_one_temperature(
    found: Steadiness, k_per_unit: float, what: str, *, path: str, settings: CalibrationSettings
) -> float:
    """Return the standard uncertainty, K, that unevenness and drift bring to a box.

    Raises
    ------
    InputError
        Where the box is as uneven, or drifts as far, as two references are apart: that is not one temperature.
    """
    uneven, wander = found.uneven_range * k_per_unit, found.wander_range * k_per_unit
    if uneven >= settings.least_gap_k:
        problem = f"{what} is not even: {uneven:.1f} K from its coolest to its warmest part"
        raise InputError(path, "", problem, "choose a box on one even temperature")
    if wander >= settings.least_gap_k:
        problem = f"{what} drifts: it changes by {wander:.1f} K while it is filmed"
        raise InputError(path, "", problem, "wait until it is steady, then record ten seconds")
    return found.error * k_per_unit
