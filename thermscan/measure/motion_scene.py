"""Full pictures from stabilised frames: the scene before it warms, its change, and what stays with the pixels."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from thermscan.measure.motion_pictures import Preparation, choose_keys, smoothed
from thermscan.model.camera_events import CameraState
from thermscan.model.recording import Recording
from thermscan.model.settings import MotionSettings

MAD_TO_SIGMA = 1.4826  # of a normal distribution


@dataclass(frozen=True)
class FullScene:
    """Reference, ndarray (rows, columns), change (components, rows, columns) and pattern (rows, columns)."""

    reference: np.ndarray
    change: np.ndarray
    pattern: np.ndarray


def full_scene(
    recording: Recording,
    camera: CameraState,
    how: Preparation,
    matrices: np.ndarray,
    quiet: np.ndarray,
    settings: MotionSettings,
) -> FullScene:
    """Return what stabilised frames show, full size.

    Parameters
    ----------
    recording : Recording
    camera : CameraState
    how : Preparation
        Tells how bad pixels are filled.
    matrices : ndarray of shape (frames, 3, 3)
        Reference to frame, px.
    quiet : ndarray of int
        Numbers of the frames whose mean is the reference.
    settings : MotionSettings
    """

    def filled(number: int) -> np.ndarray:
        frame = recording.store.read(number, number + 1)[0] - np.float32(camera.offset[number])
        return frame if how.nearest is None else frame[how.nearest]

    frames = np.stack([filled(int(i)) for i in quiet])
    pattern = np.zeros(frames.shape[1:], np.float32)
    reference = mean_along(frames, matrices[quiet])
    if not np.array_equal(matrices[quiet], np.broadcast_to(np.eye(3), (len(quiet), 3, 3))):
        pattern = stays_with_pixels(frames, matrices[quiet], reference, camera.noise_median, settings)
        pattern[camera.bad] = 0
        reference = mean_along(frames - pattern, matrices[quiet])
    numbers = choose_keys(camera.usable, settings.change_frames)
    changes = np.stack([aligned(filled(int(i)) - pattern, matrices[i]) - reference for i in numbers])
    changes = np.nan_to_num(changes).reshape(len(numbers), -1)
    left, strength, _ = np.linalg.svd(changes @ changes.T)
    noise = camera.noise_median**2 * reference.size * settings.change_sigmas
    keep = [j for j in range(min(settings.most_components, len(strength))) if strength[j] > noise]
    change = (left[:, keep].T @ changes / np.sqrt(len(numbers))).reshape(len(keep), *reference.shape)
    return FullScene(reference, change, pattern)


def aligned(picture: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """Return a picture at the places that ``matrix`` sends its pixels to (bilinear), NaN outside."""
    return cv2.warpPerspective(
        picture,
        matrix,
        picture.shape[::-1],
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    )


def mean_along(frames: np.ndarray, matrices: np.ndarray) -> np.ndarray:
    """Return the mean of frames along their motion, float64 ndarray (rows, columns), NaN where none reaches."""
    total, count = np.zeros(frames.shape[1:]), np.zeros(frames.shape[1:])
    for frame, matrix in zip(frames, matrices, strict=True):
        values = aligned(frame, matrix)
        total += np.nan_to_num(values)
        count += np.isfinite(values)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def stays_with_pixels(
    frames: np.ndarray, matrices: np.ndarray, scene: np.ndarray, noise: float, settings: MotionSettings
) -> np.ndarray:
    """Return what the sensor adds to every frame, float32 (rows, columns): the mean of frames less the moved scene.

    Parameters
    ----------
    frames : float32 ndarray of shape (n, rows, columns)
        Frames in which the scene does not change but for its motion.
    matrices : ndarray of shape (n, 3, 3)
        Scene to each frame, px.
    scene : ndarray of shape (rows, columns)
        Mean of the aligned frames; the pattern in it is smeared by the motion.
    noise : float
        Of one frame, standard deviation.
    settings : MotionSettings

    Notes
    -----
    What the motion does not smear, broad pattern above all, is left to the scene. The estimate is shrunk by Wiener's
    rule to what its noise and the slopes of the scene allow: at strong edges it is nearly zero, since sampling errors
    would pass for pattern there. Not valid for what wanders in the sensor after these frames.
    """
    total, count = np.zeros(scene.shape, np.float32), np.zeros(scene.shape, np.float32)
    for frame, matrix in zip(frames, matrices, strict=True):
        left = frame - aligned(scene.astype(np.float32), np.linalg.inv(matrix))
        known = np.isfinite(left)
        total += np.where(known, left, 0)
        count += known
    mean = total / np.maximum(count, 1)
    mean -= smoothed(mean, settings.pattern_px)
    seen = np.where(np.isfinite(scene), scene, np.nanmedian(scene)).astype(np.float32)
    down, right = np.gradient(seen)
    slope = smoothed(down * down + right * right, 1.5)
    error = noise**2 / np.maximum(count, 1) + settings.edge_share**2 * slope
    power = (MAD_TO_SIGMA * float(np.median(np.abs(mean)))) ** 2 - noise**2 / len(frames)
    if power <= 0:
        return np.zeros(scene.shape, np.float32)
    return (mean * (count > 0.5 * len(frames)) * power / (power + error)).astype(np.float32)
