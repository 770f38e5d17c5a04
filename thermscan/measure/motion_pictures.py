"""Frames made ready for following their motion: offset off, bad pixels filled, binned, broad heat taken out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage

from thermscan.model.camera_events import CameraState
from thermscan.model.recording import Recording
from thermscan.model.settings import MotionSettings

NORMAL_MEDIAN = 0.6745  # median size of normal values of unit deviation


def smoothed(picture: np.ndarray, sigma_px: float) -> np.ndarray:
    """Return a picture, ndarray (rows, columns), smoothed by a Gaussian; mirrored at the rim."""
    return cv2.GaussianBlur(picture, (0, 0), sigma_px, borderType=cv2.BORDER_REFLECT_101)


def steepness(picture: np.ndarray) -> np.ndarray:
    """Return the size of the slopes over the usual one, float32 ndarray (rows, columns): edges without their sign."""
    size = np.hypot(*np.gradient(picture))
    return (size - np.median(size)).astype(np.float32)


def misfit(fixed: np.ndarray, moved: np.ndarray, shift: Sequence[float]) -> float:
    """Return how badly a picture moved by a shift, (right, down) px, lies on a fixed one, 0 to 4.

    Mean square difference over the usual size of the fixed picture's details; no pixel counts more than twice that
    size, so that what has warmed since then is a few bad pixels wherever the picture is put.
    """
    right, down = (round(float(s)) for s in shift)
    back = np.roll(moved, (-down, -right), (0, 1))
    inside = tuple(slice(max(-s, 0), n - max(s, 0)) for s, n in zip((down, right), fixed.shape, strict=True))
    usual = float(np.median(np.abs(fixed))) / NORMAL_MEDIAN + 1e-9
    return float(np.mean(np.minimum(((back - fixed)[inside] / usual) ** 2, 4.0)))


def as_shift(place: tuple[int, ...], shape: tuple[int, int]) -> tuple[int, int]:
    """Return the shift (right, down), px, that a place (row, column) of a circular correlation stands for."""
    row, column = (int((p + n // 2) % n - n // 2) for p, n in zip(place, shape, strict=True))
    return column, row


@dataclass(frozen=True)
class Preparation:
    """How a frame becomes a working picture.

    Attributes
    ----------
    factor : int
        Pixels of a frame, each way, that make one of the working picture.
    shape : (rows, columns) of the working picture
    good : ndarray of bool, shape (rows, columns)
        Working pixels without a bad pixel in the middle of them.
    noise : float
        Noise of a working pixel before smoothing, unit of the frames.
    pattern : ndarray of shape (rows, columns) or 0
        What the sensor adds to every working picture, unit of the frames; taken off.
    """

    factor: int
    shape: tuple[int, int]
    smoothing_px: float
    local_px: float
    offset: np.ndarray
    nearest: tuple[np.ndarray, np.ndarray] | None
    good: np.ndarray
    noise: float
    pattern: np.ndarray | float = 0.0

    def picture(self, frame: np.ndarray, number: int) -> np.ndarray:
        """Return the working picture, float32 ndarray of `shape`, of frame ``number``, ndarray (rows, columns)."""
        out = np.asarray(frame, np.float32) - np.float32(self.offset[number])
        if self.nearest is not None:
            out = out[self.nearest]
        if not np.isfinite(out).all():
            out = _filled(out)
        if self.factor > 1:
            rows, columns = self.shape[0] * self.factor, self.shape[1] * self.factor
            out = cv2.resize(out[:rows, :columns], self.shape[::-1], interpolation=cv2.INTER_AREA)
        fine = smoothed(out, self.smoothing_px)
        return fine - smoothed(fine, self.local_px) - self.pattern

    @property
    def variance(self) -> float:
        """Noise variance of a pixel of a working picture: white noise through a Gaussian, 1 / (4 pi sigma2) of it."""
        return self.noise**2 / (4 * np.pi * self.smoothing_px**2)

    @property
    def to_frame(self) -> np.ndarray:
        """Working pixels to pixels of the frame, ndarray (3, 3)."""
        shift = (self.factor - 1) / 2
        return np.array([[self.factor, 0, shift], [0, self.factor, shift], [0, 0, 1.0]])


def _filled(picture: np.ndarray) -> np.ndarray:
    missing = ~np.isfinite(picture)
    if missing.all():
        return np.zeros_like(picture)
    nearest = ndimage.distance_transform_edt(missing, return_distances=False, return_indices=True)
    return picture[tuple(nearest)]


def prepare(recording: Recording, camera: CameraState, settings: MotionSettings) -> Preparation:
    """Choose the size of the working pictures and how bad pixels are filled."""
    rows, columns = recording.rows, recording.columns
    factor = int(np.ceil(max(rows, columns) / settings.longest_side))
    shape = (max(rows // factor, 1), max(columns // factor, 1))
    nearest = None
    if camera.bad.any() and not camera.bad.all():
        nearest = tuple(ndimage.distance_transform_edt(camera.bad, return_distances=False, return_indices=True))
    bad = cv2.resize(
        camera.bad[: shape[0] * factor, : shape[1] * factor].astype(np.float32),
        shape[::-1],
        interpolation=cv2.INTER_AREA,
    )
    good = bad < (0.5 if factor > 1 else 0.01)
    noise = max(camera.noise_median / factor, 1e-9)
    return Preparation(factor, shape, settings.smoothing_px, settings.local_px, camera.offset, nearest, good, noise)


def choose_keys(usable: np.ndarray, most: int) -> np.ndarray:
    """Return the numbers of at most ``most`` usable frames, spread evenly, first and last among them."""
    numbers = np.flatnonzero(usable)
    if len(numbers) <= most:
        return numbers
    return numbers[np.unique(np.round(np.linspace(0, len(numbers) - 1, most)).astype(int))]
