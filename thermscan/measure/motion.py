"""Motion of the picture over a recording: one model for all frames, scene and sensor pattern told apart."""

from __future__ import annotations

import cv2
import numpy as np

from thermscan.measure.motion_course import Evidence, estimate_wander, smooth
from thermscan.measure.motion_fit import Aligner, Tracker
from thermscan.measure.motion_pictures import Preparation, choose_keys, prepare
from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Motion
from thermscan.model.recording import Recording
from thermscan.model.settings import MotionSettings


def follow_motion(recording: Recording, camera: CameraState, *, settings: MotionSettings | None = None) -> Motion:
    """Follow the picture through a recording.

    Parameters
    ----------
    recording : Recording
    camera : CameraState
        Of the same recording: offsets, bad pixels and unusable frames.
    settings : MotionSettings, optional

    Returns
    -------
    Motion
        Matrices send pixels of the reference picture to pixels of each frame. Frames that are not usable are bridged
        between their neighbours, with the reason in ``why`` and a larger ``error_px``.

    Notes
    -----
    Each frame, binned, is aligned to the mean of the ten before it with weights under which heated places count
    little, and all fits are joined by one course in time (walk and jitter of each coefficient as large as the data ask
    for). Sensor pattern still drags the result: up to half of the motion is missing, and ``error_px`` carries that.
    Not valid when the picture moves by more than about a
    fifth of its width, or turns by more than about 10 degrees, within the recording.
    """
    settings = settings or MotionSettings()
    how = prepare(recording, camera, settings)
    times = recording.times_s if recording.times_s is not None else np.arange(recording.frames, dtype=float)
    if camera.usable.sum() < 2 or min(how.shape) < 8:
        return still_motion(recording, camera, "too few usable frames or pixels to tell motion")
    aligner = Aligner(how.shape, how.noise, how.good, settings)
    evidence = track_all(recording, camera, how, aligner)
    wander = estimate_wander(evidence, times, floor=settings.floor_px**2)
    course, covariance = smooth(evidence, times, wander)
    error = how.factor * np.sqrt(mean_error(covariance, aligner) ** 2 + drag_error(course, aligner, settings) ** 2)
    is_tripod = tells_no_motion(evidence, aligner, settings)
    there = how.to_frame
    matrices = there @ aligner.fields.to_matrix(course) @ np.linalg.inv(there)
    matrices = np.broadcast_to(np.eye(3), matrices.shape).copy() if is_tripod else matrices / matrices[:, 2:, 2:]
    reference, change, pattern = full_pictures(recording, camera, matrices, settings)
    why = {int(i): reason_of(camera, int(i)) for i in np.flatnonzero(~camera.usable)}
    return Motion(matrices, reference, change, error, is_tripod, why, pattern)


def still_motion(recording: Recording, camera: CameraState, reason: str) -> Motion:
    """Return no motion for a recording in which none can be told."""
    n = recording.frames
    usable = np.flatnonzero(camera.usable)
    total = np.zeros((recording.rows, recording.columns))
    count = np.zeros_like(total)
    for i in usable if len(usable) else range(n):
        frame = recording.store.read(int(i), int(i) + 1)[0] - camera.offset[i]
        total += np.nan_to_num(frame)
        count += np.isfinite(frame)
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    matrices = np.broadcast_to(np.eye(3), (n, 3, 3)).copy()
    empty = np.zeros((0, *mean.shape))
    why = dict.fromkeys(range(1, n), reason)
    return Motion(matrices, mean, empty, np.zeros(n), is_tripod=True, why=why, pattern=np.zeros(mean.shape))


def track_all(recording: Recording, camera: CameraState, how: Preparation, aligner: Aligner) -> Evidence:
    """Follow all usable frames, one after the other; the others carry no weight."""
    tracker = Tracker(aligner)
    values, weight = np.zeros((recording.frames, 8)), np.zeros((recording.frames, 8, 8))
    for first, frames in recording.chunks():
        for i, frame in enumerate(frames, start=first):
            if camera.usable[i]:
                values[i], weight[i] = tracker.add(how.picture(frame, i))
    return Evidence(values, weight)


def drag_error(course: np.ndarray, aligner: Aligner, settings: MotionSettings) -> np.ndarray:
    """Return what sensor pattern and heating may have dragged, ndarray (frames,), working px: a share of the motion."""
    return settings.drag_share * aligner.fields.distance(course - course.mean(axis=0)) + settings.drag_px


def mean_error(covariance: np.ndarray, aligner: Aligner) -> np.ndarray:
    """Return the standard error of a place, rms over the inner picture, ndarray (frames,), working px."""
    rows, columns = aligner.shape
    steps = np.linspace(-0.4, 0.4, 5)
    grid = np.stack(np.meshgrid(steps * columns, steps * rows), axis=-1).reshape(-1, 2) + aligner.fields.centre
    fields = aligner.fields.fields(grid)
    return np.sqrt(np.einsum("tij,kia,kja->t", covariance, fields, fields) / len(grid))


def tells_no_motion(evidence: Evidence, aligner: Aligner, settings: MotionSettings) -> bool:
    """Tell whether the picture stands still: no jitter between frames, and no more drift than heating can feign."""
    used = np.trace(evidence.weight, axis1=1, axis2=2) > 0
    values = evidence.values[used]
    if len(values) < 3:
        return True
    jitter = np.sqrt(np.mean(aligner.fields.distance(np.diff(values, axis=0)) ** 2))
    drift = np.sqrt(np.mean(aligner.fields.distance(values - values.mean(axis=0)) ** 2))
    return bool(jitter < settings.still_jitter_px and drift < settings.still_drift_px)


def full_pictures(
    recording: Recording,
    camera: CameraState,
    matrices: np.ndarray,
    settings: MotionSettings,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return reference (mean of the first stabilised frames), change components and sensor pattern, full size."""
    rows, columns = recording.rows, recording.columns

    def aligned(number: int) -> np.ndarray:
        frame = recording.store.read(number, number + 1)[0] - np.float32(camera.offset[number])
        return cv2.warpPerspective(
            frame,
            matrices[number],
            (columns, rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=float("nan"),
        )

    total, count = np.zeros((rows, columns)), np.zeros((rows, columns))
    for number in np.flatnonzero(camera.usable)[: settings.fewest_cold]:
        picture = aligned(int(number))
        total += np.nan_to_num(picture)
        count += np.isfinite(picture)
    reference = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    numbers = choose_keys(camera.usable, settings.change_frames)
    changes = np.stack([aligned(int(i)) - reference for i in numbers])
    changes = np.nan_to_num(changes).reshape(len(numbers), -1)
    left, strength, right = np.linalg.svd(changes @ changes.T)
    del right
    noise = camera.noise_median**2 * rows * columns * settings.change_sigmas
    keep = [j for j in range(min(settings.most_components, len(strength))) if strength[j] > noise]
    change = (left[:, keep].T @ changes / np.sqrt(len(numbers))).reshape(len(keep), rows, columns)
    return reference, change, np.zeros((rows, columns))


def reason_of(camera: CameraState, number: int) -> str:
    """Return why a frame is not usable, from the camera events."""
    for event in camera.events:
        if (
            event.frame is not None
            and event.kind in ("frozen", "blank")
            and event.frame <= number < event.frame + event.frames
        ):
            return f"{event.kind} frame: {event.text}"
    return "frame is not usable"
