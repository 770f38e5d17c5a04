"""Sensor pattern told from the scene by motion: what stays with the pixels while the scene moves over them."""

from __future__ import annotations

import numpy as np

from thermscan.measure.motion_fit import Aligner
from thermscan.measure.motion_pictures import smoothed
from thermscan.measure.motion_scene import MAD_TO_SIGMA
from thermscan.model.settings import MotionSettings


def sensor_pattern(
    aligner: Aligner, pictures: np.ndarray, matrices: np.ndarray, settings: MotionSettings
) -> np.ndarray:
    """Return what the sensor adds to every working picture, float32 ndarray (rows, columns).

    Parameters
    ----------
    aligner : Aligner
    pictures : float32 ndarray of shape (n, rows, columns)
        Working pictures in order of time.
    matrices : ndarray of shape (n, 3, 3)
        Reference to picture, working px.
    settings : MotionSettings

    Notes
    -----
    Scene and pattern are solved for in turn (alternating least squares), the pattern first taken as zero, so that what
    motion does not tell apart stays with the scene. The scene is the mean of ``pattern_frames`` aligned pictures, and
    between two such means it changes evenly, as heat does. The estimate is shrunk by Wiener's rule to what its noise
    and the slopes of the scene allow. Not valid for a pattern that wanders within the recording; zero where the motion
    is too small to tell.
    """
    none = np.zeros(aligner.shape, np.float32)
    number = len(pictures)
    moved = aligner.fields.of_matrix(matrices)[:, :2]
    if number < settings.stretch_frames or float(np.hypot(*moved.std(axis=0))) < settings.pattern_moved_px:
        return none
    groups = np.arange(number) * max(number // settings.pattern_frames, 1) // number
    pattern = none
    for _ in range(settings.pattern_rounds):
        left, count, slope = _left_over(aligner, pictures, matrices, groups, pattern)
        mean = left / np.maximum(count, 1)
        error = aligner.variance / np.maximum(count, 1) + settings.pattern_edge_px**2 * slope
        power = (MAD_TO_SIGMA * float(np.median(np.abs(mean[aligner.inner])))) ** 2 - aligner.variance / number
        if power <= 0:
            return none
        pattern = (mean * (count > 0.5 * number) * power / (power + error)).astype(np.float32)
    return pattern


def _left_over(
    aligner: Aligner, pictures: np.ndarray, matrices: np.ndarray, groups: np.ndarray, pattern: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the sum of pictures less the moved scene, how many add to it, and the scene's largest squared slope.

    What noise and pattern add to the slopes is taken off.
    """
    number = groups[-1] + 1
    templates = [aligner.template(pictures[groups == g] - pattern, matrices[groups == g]) for g in range(number)]
    scenes = [np.where(t.seen, t.picture, np.nan).astype(np.float32) for t in templates]
    middles = np.array([np.flatnonzero(groups == g).mean() for g in range(number)])
    total, count = np.zeros(aligner.shape), np.zeros(aligner.shape)
    for i, (picture, matrix) in enumerate(zip(pictures, matrices, strict=True)):
        late = float(np.interp(i, middles, np.arange(number)))
        first, share = int(late), np.float32(late - int(late))
        scene = scenes[first] if share == 0 else (1 - share) * scenes[first] + share * scenes[first + 1]
        left = picture - aligner.aligned(scene, np.linalg.inv(matrix))
        known = np.isfinite(left)
        total += np.where(known, left, 0)
        count += known
    steep = np.zeros(aligner.shape, np.float32)
    for template in templates:
        down, right = np.gradient(template.picture)
        steep = np.maximum(steep, smoothed((down * down + right * right).astype(np.float32), 1.5))
    return total, count, np.maximum(steep - aligner.by_chance, 0.0)
