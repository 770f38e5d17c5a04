"""Motion of the picture over a recording: one model for all frames, scene and sensor pattern told apart."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from thermscan.measure.motion_course import Evidence, estimate_wander, smooth
from thermscan.measure.motion_fit import Aligner, Scene, solve_together, track_roughly
from thermscan.measure.motion_pictures import Preparation, choose_keys, prepare, read_keys
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
    Up to ``most_keys`` frames, binned, are held in memory; from them scene, change, sensor pattern and motion are
    solved in turn. Every frame is then fitted to that scene, and all fits are joined by one course in time (walk and
    jitter of each coefficient as large as the data ask for). Not valid when the picture moves by more than about a
    fifth of its width, or turns by more than about 10 degrees, within the recording.
    """
    settings = settings or MotionSettings()
    how = prepare(recording, camera, settings)
    keys = choose_keys(camera.usable, settings.most_keys)
    times = recording.times_s if recording.times_s is not None else np.arange(recording.frames, dtype=float)
    if len(keys) < 2 or min(how.shape) < 8:
        return still_motion(recording, camera, "too few usable frames or pixels to tell motion")
    pictures = read_keys(recording, keys, how)
    aligner = Aligner(how.shape, how.noise, how.good, settings)
    rough = track_roughly(pictures, aligner, smoothing_px=2.0)
    coefficients, _, scene = solve_together(pictures, times[keys], rough, aligner)
    evidence, spread = fit_all(recording, camera, how, aligner, scene, times, (keys, coefficients))
    wander = estimate_wander(evidence, times, floor=settings.floor_px**2)
    course, covariance = smooth(evidence, times, wander)
    error = mean_error(covariance, aligner) * how.factor
    del spread
    is_tripod = tells_no_motion(evidence)
    if is_tripod:
        course = np.zeros_like(course)
    there = how.to_frame
    matrices = there @ aligner.fields.to_matrix(course) @ np.linalg.inv(there)
    matrices = matrices / matrices[:, 2:, 2:]
    reference, change, pattern = full_pictures(recording, camera, matrices, scene, times, keys)
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
    return Motion(matrices, mean, empty, np.zeros(n), True, {i: reason for i in range(1, n)}, np.zeros(mean.shape))


def fit_all(
    recording: Recording,
    camera: CameraState,
    how: Preparation,
    aligner: Aligner,
    scene: Scene,
    times: np.ndarray,
    solved: tuple[np.ndarray, np.ndarray],
) -> tuple[Evidence, np.ndarray]:
    """Fit every usable frame to the scene; frames that are not usable carry no weight."""
    keys, coefficients = solved
    n = recording.frames
    values, weight, spread = np.zeros((n, 8)), np.zeros((n, 8, 8)), np.full(n, np.nan)
    start = np.stack([np.interp(times, times[keys], c) for c in coefficients.T], axis=1)
    strengths = [np.interp(times, times[keys], c) for c in scene.courses.T]
    prior = np.full(8, 1e-3)
    for first, frames in recording.chunks():
        for i, frame in enumerate(frames, start=first):
            values[i] = start[i]
            if not camera.usable[i]:
                continue
            picture = how.picture(frame, i) - scene.pattern
            expected = scene.picture(np.array([s[i] for s in strengths]))
            values[i], weight[i], spread[i] = aligner.align(picture, start[i], expected, prior, variance=scene.variance)
    return Evidence(values, weight), spread


def mean_error(covariance: np.ndarray, aligner: Aligner) -> np.ndarray:
    """Return the standard error of a place, rms over the inner picture, ndarray (frames,), working px."""
    rows, columns = aligner.shape
    steps = np.linspace(-0.4, 0.4, 5)
    grid = np.stack(np.meshgrid(steps * columns, steps * rows), axis=-1).reshape(-1, 2) + aligner.fields.centre
    fields = aligner.fields.fields(grid)
    return np.sqrt(np.einsum("tij,kia,kja->t", covariance, fields, fields) / len(grid))


def tells_no_motion(evidence: Evidence) -> bool:
    """Tell whether all frames agree with no motion at all: chi-square per coefficient not above what noise gives."""
    used = np.trace(evidence.weight, axis1=1, axis2=2) > 0
    values, weight = evidence.values[used], evidence.weight[used]
    mean = np.linalg.solve(weight.sum(axis=0) + 1e-9 * np.eye(8), np.einsum("tij,tj->i", weight, values))
    left = values - mean
    chi2 = np.einsum("ti,tij,tj->", left, weight, left)
    return bool(chi2 < 3.0 * 8 * len(values))


def full_pictures(
    recording: Recording, camera: CameraState, matrices: np.ndarray, scene: Scene, times: np.ndarray, keys: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the full-size cold picture, change components and pattern by regression over stabilised frames."""
    rows, columns = recording.rows, recording.columns
    courses = np.stack(
        [np.ones(recording.frames), *[np.interp(times, times[keys], c) for c in scene.courses.T]], axis=1
    )
    numbers = choose_keys(camera.usable, 200)
    sums = np.zeros((courses.shape[1], rows, columns), np.float32)
    seen = np.zeros((rows, columns), np.float32)
    normal = courses[numbers].T @ courses[numbers]
    for i in numbers:
        frame = recording.store.read(int(i), int(i) + 1)[0] - np.float32(camera.offset[i])
        flat = cv2.warpPerspective(
            np.nan_to_num(frame),
            matrices[i],
            (columns, rows),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        sums += courses[i].astype(np.float32)[:, None, None] * flat
        seen += 1
    solved = np.linalg.solve(normal + 1e-9 * np.eye(len(normal)), sums.reshape(len(normal), -1)).reshape(sums.shape)
    cold = courses[numbers[: max(1, len(numbers) // 20)]].mean(axis=0)
    reference = np.tensordot(cold, solved, axes=1)
    return reference, solved[1:], np.zeros((rows, columns))


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
