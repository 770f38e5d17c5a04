"""Motion of the picture over a recording: one model for all frames, scene and sensor pattern told apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from thermscan.measure.motion_check import bridge, checked_frames, misplaced_px
from thermscan.measure.motion_coarse import CoarseTracker
from thermscan.measure.motion_course import Evidence, estimate_wander, smooth
from thermscan.measure.motion_fit import Aligner, pattern_variance
from thermscan.measure.motion_pattern import sensor_pattern
from thermscan.measure.motion_pictures import Preparation, choose_keys, prepare
from thermscan.measure.motion_scene import full_scene
from thermscan.measure.motion_still import clear_frames, still_share, tells_no_motion
from thermscan.measure.motion_stretches import Follow, count_quiet, follow_pictures
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
        Matrices send pixels of the reference picture, which lies as the first frame does, to pixels of each frame.
        Frames that are not usable are bridged between their neighbours, with the reason in ``why`` and a larger
        ``error_px``. ``doubt`` says so where frames would fit the reference picture better elsewhere.

    Notes
    -----
    Shifts are found coarsely by correlation, and what stays with the pixels meanwhile is taken off. Frames are then
    fitted (inverse compositional Gauss-Newton: Baker and Matthews 2004, from memory) to the mean of their stretch of
    the recording, and the stretches to each other, in pairs near and far in time. Only places whose slopes stand out of
    the sensor pattern that is left count, since it would pull all motion to zero, and places that heat has changed
    lose weight. One course in time joins all fits (walk and jitter of each coefficient as large as the data ask for).
    Not valid when the picture moves by more than about a fifth of its width, or turns by more than about 10 degrees,
    within the recording, nor where nothing in the picture is sharper than heat itself.
    """
    settings = settings or MotionSettings()
    plain = prepare(recording, camera, settings)
    times = recording.times_s if recording.times_s is not None else np.arange(recording.frames, dtype=float)
    if camera.usable.sum() < 2 or min(plain.shape) < 8:
        return still_motion(recording, camera, "too few usable frames or pixels to tell motion")
    keys = choose_keys(camera.usable, settings.most_keys)
    how, aligner, follow, starts = follow_keys(recording, camera, plain, keys, settings)
    evidence = gather(recording, camera, how, aligner, follow, keys, starts)
    wander = estimate_wander(evidence, times, floor=settings.floor_px**2)
    course, covariance = smooth(evidence, times, wander)
    covariance = covariance + follow.covariance[nearest_stretch(keys, follow, recording.frames)]
    error = np.hypot(mean_error(covariance, aligner), settings.heat_drag_px)
    shares = error_shares(covariance, aligner, settings)
    scatter = np.sqrt(np.mean(aligner.fields.distance(course - course.mean(axis=0)) ** 2))
    clear = clear_frames(evidence, settings)
    is_still = tells_no_motion(evidence, clear, settings)
    is_tripod = is_still or bool(scatter < np.median(error))
    error = np.minimum(error, settings.usual_shift_px)  # of a hand, where the picture tells nothing
    if is_still and clear.any():
        # a camera that stands does so while the board is cold too, and many frames tell it better than one
        error = np.minimum(error, still_share(int(clear.sum()), settings) * np.median(error[clear]))
    error = how.factor * error
    matrices = np.broadcast_to(np.eye(3), (recording.frames, 3, 3)).copy()
    if not is_tripod:
        there = how.to_frame
        matrices = there @ aligner.fields.to_matrix(course) @ np.linalg.inv(there)
        matrices = matrices @ np.linalg.inv(matrices[0])
        matrices /= matrices[:, 2:, 2:]
    quiet = quiet_frames(camera.usable, keys, follow, settings)
    scene = full_scene(recording, camera, plain, matrices, quiet, settings)
    why = {int(i): reason_of(camera, int(i)) for i in np.flatnonzero(~camera.usable)}
    away = misplaced_px(recording, camera, plain, matrices, scene.reference, settings)
    doubt = ""
    if np.mean(away > 0) > settings.check_share:
        off = float(np.median(away[away > 0]))
        share = f"{np.count_nonzero(away)} of {len(away)} frames"
        doubt = f"{share} fit the first ones better {off:.0f} px from where they were put"
        error = np.maximum(error, off)
        shares = None
    elif away.any() and not is_tripod:
        matrices, error, lost = bridge(matrices, error, checked_frames(camera, settings), away)
        why = {**lost, **why}
        shares[list(lost)] = 1
    return Motion(
        matrices, scene.reference, scene.change, error, is_tripod, why, scene.pattern, doubt, clear, shares=shares
    )


def follow_keys(
    recording: Recording, camera: CameraState, how: Preparation, keys: np.ndarray, settings: MotionSettings
) -> tuple[Preparation, Aligner, Follow, np.ndarray]:
    """Return the fits of the keys, the preparation with the sensor pattern taken off, and the coarse start.

    The start is ndarray (frames, 8), working px. Coarse shifts are true to about a pixel, which is enough to tell the
    pattern from the scene; fine fits come after, since a pattern as strong as the scene would pull them to zero.
    """
    shifts, pictures = coarse_shifts(recording, camera, how, keys, settings)
    starts = np.zeros((recording.frames, 8))
    starts[:, :2] = shifts
    aligner = Aligner(how, pattern_variance(pictures, how, settings), settings)
    first = aligner.fields.to_matrix(starts[keys])
    pattern = sensor_pattern(aligner, pictures, first, settings)
    if pattern.any():
        how, pictures = replace(how, pattern=pattern), pictures - pattern
        aligner = Aligner(how, pattern_variance(pictures, how, settings), settings)
    return how, aligner, follow_pictures(aligner, pictures, first, settings), starts


def redrawn(
    recording: Recording,
    camera: CameraState,
    motion: Motion,
    before_s: float,
    *,
    settings: MotionSettings | None = None,
) -> Motion:
    """Return the motion with its pictures drawn again from the frames that are still usable.

    Parameters
    ----------
    recording : Recording
        With ``times_s``.
    camera : CameraState
        Some frames that the motion was found with may no longer be usable.
    motion : Motion
    before_s : float, s
        Power-on: the reference picture is the mean of frames before it, where there are any.
    settings : MotionSettings, optional
    """
    settings = settings or MotionSettings()
    seen = camera.usable & np.isfinite(motion.matrices).all(axis=(1, 2))
    quiet = np.flatnonzero(seen & (recording.times_s < before_s))
    if not len(quiet):
        quiet = np.flatnonzero(seen)[: settings.fewest_cold]
    if not len(quiet):
        return motion
    quiet = quiet[np.unique(np.round(np.linspace(0, len(quiet) - 1, settings.most_cold)).astype(int))]
    how = prepare(recording, camera, settings)
    scene = full_scene(recording, camera, how, motion.matrices, quiet, settings)
    why = {**motion.why, **{int(i): reason_of(camera, int(i)) for i in np.flatnonzero(~camera.usable)}}
    return replace(motion, reference=scene.reference, change=scene.change, pattern=scene.pattern, why=why)


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


def coarse_shifts(
    recording: Recording, camera: CameraState, how: Preparation, keys: np.ndarray, settings: MotionSettings
) -> tuple[np.ndarray, np.ndarray]:
    """Return coarse shifts, ndarray (frames, 2), working px about their median, and the working pictures of the keys.

    Frames that are not usable have the shift of the last usable one.
    """
    tracker = CoarseTracker(how.shape, settings)
    shifts, pictures, wanted = np.zeros((recording.frames, 2)), [], set(keys.tolist())
    for first, frames in recording.chunks():
        for i, frame in enumerate(frames, start=first):
            if camera.usable[i]:
                picture = how.picture(frame, i)
                tracker.add(picture)
                if i in wanted:
                    pictures.append(picture)
            shifts[i] = tracker.last
    return shifts - np.median(shifts[camera.usable], axis=0), np.array(pictures)


def gather(
    recording: Recording,
    camera: CameraState,
    how: Preparation,
    aligner: Aligner,
    follow: Follow,
    keys: np.ndarray,
    starts: np.ndarray,
) -> Evidence:
    """Return what all frames say: keys as fitted, other usable frames against the template of the nearest stretch."""
    values, weight = np.zeros((recording.frames, 8)), np.zeros((recording.frames, 8, 8))
    values[keys], weight[keys] = aligner.fields.of_matrix(follow.matrices), follow.weight
    if len(keys) == camera.usable.sum():
        return Evidence(values, weight)
    ahead = values[keys] - starts[keys]
    done, stretches = set(keys.tolist()), nearest_stretch(keys, follow, recording.frames)
    slopes = [aligner.slopes(t) for t in follow.templates]
    for first, frames in recording.chunks():
        for i, frame in enumerate(frames, start=first):
            if i in done or not camera.usable[i]:
                continue
            s = stretches[i]
            middle = starts[i] + [np.interp(i, keys, ahead[:, j]) for j in range(8)]
            matrix, picture = aligner.fields.to_matrix(middle), how.picture(frame, i)
            for _ in range(aligner.settings.turns):
                matrix, weight[i] = aligner.align(picture, matrix, follow.templates[s], slopes[s], middle)
            values[i] = aligner.fields.of_matrix(matrix)
    return Evidence(values, weight)


def quiet_frames(usable: np.ndarray, keys: np.ndarray, follow: Follow, settings: MotionSettings) -> np.ndarray:
    """Return numbers of usable frames before anything warms, at least ``fewest_cold``, at most ``most_cold``."""
    numbers = np.flatnonzero(usable)
    last = keys[np.flatnonzero(follow.stretch < count_quiet(follow.templates, settings))[-1]]
    numbers = numbers[: max(int((numbers <= last).sum()), settings.fewest_cold)]
    if len(numbers) > settings.most_cold:
        numbers = numbers[np.round(np.linspace(0, len(numbers) - 1, settings.most_cold)).astype(int)]
    return numbers


def nearest_stretch(keys: np.ndarray, follow: Follow, frames: int) -> np.ndarray:
    """Return the stretch of the key nearest to each frame, ndarray (frames,)."""
    after = np.clip(np.searchsorted(keys, np.arange(frames)), 1, max(len(keys) - 1, 1))
    before = after - 1
    after = np.minimum(after, len(keys) - 1)
    is_after = np.abs(keys[after] - np.arange(frames)) < np.abs(keys[before] - np.arange(frames))
    return follow.stretch[np.where(is_after, after, before)]


def place_variance(covariance: np.ndarray, aligner: Aligner, reach: float) -> np.ndarray:
    """Return the variance of 5 x 5 places up to ``reach`` picture sizes off its middle, (frames, 25), working px2."""
    rows, columns = aligner.shape
    steps = np.linspace(-reach, reach, 5)
    grid = np.stack(np.meshgrid(steps * (columns - 1), steps * (rows - 1)), axis=-1).reshape(-1, 2)
    fields = aligner.fields.fields(grid + aligner.fields.centre)
    return np.einsum("tij,kia,kja->tk", covariance, fields, fields)


def mean_error(covariance: np.ndarray, aligner: Aligner) -> np.ndarray:
    """Return the standard error of a place, rms over the inner picture, ndarray (frames,), working px."""
    return np.sqrt(place_variance(covariance, aligner, 0.4).mean(axis=1))


def error_shares(covariance: np.ndarray, aligner: Aligner, settings: MotionSettings) -> np.ndarray:
    """Return the standard errors of 5 x 5 places, corner to corner, over that of the picture, ndarray (frames, 5, 5).

    Errors that the fits do not know tilt the whole picture: a place is given ``local_doubt`` times its own error, but
    no more than the whole picture has.
    """
    usual, drag = settings.usual_shift_px, settings.heat_drag_px
    picture = np.minimum(np.hypot(mean_error(covariance, aligner), drag), usual)
    places = np.minimum(np.hypot(np.sqrt(place_variance(covariance, aligner, 0.5)), drag), usual)
    ratio = places / picture[:, None]
    return np.where(ratio < 1, np.minimum(settings.local_doubt * ratio, 1), ratio).reshape(-1, 5, 5)


def reason_of(camera: CameraState, number: int) -> str:
    """Return why a frame is not usable, from the camera events."""
    for event in camera.events:
        if (
            event.frame is not None
            and event.kind in ("frozen", "blank", "passing")
            and event.frame <= number < event.frame + event.frames
        ):
            return event.text if event.kind == "passing" else f"{event.kind} frame: {event.text}"
    return "frame is not usable"
