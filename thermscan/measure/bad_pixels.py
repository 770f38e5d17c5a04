"""Pixels that do not show the scene: dead, stuck, hot, flickering, saturated; a small hot part is none of them."""

from __future__ import annotations

from typing import Protocol

import cv2
import numpy as np
from scipy import ndimage

from thermscan.model.camera_events import CameraEvent
from thermscan.model.settings import CameraSettings


class NoiseMaps(Protocol):
    """What is needed of the noise sums: variance maps times their weight."""

    variance: np.ndarray
    full: np.ndarray
    weight: float


class PixelSums:
    """Sums over frames for each pixel: mean, first and last thirds, missing and saturated counts."""

    def __init__(self, shape: tuple[int, int], saturated_at: float | None) -> None:
        self.shape = shape
        self.saturated_at = saturated_at
        self.frames = 0
        self.missing = np.zeros(shape)
        self.saturated = np.zeros(shape)
        self.first: np.ndarray | None = None
        self.sum = np.zeros(shape)
        self.count = np.zeros(shape)
        self.lowest = np.full(shape, np.inf)
        self.highest = np.full(shape, -np.inf)
        self.parts: list[np.ndarray] = []  # mean pictures of runs of frames, thinned when there are many

    def add(self, start: int, frames: np.ndarray, fresh: np.ndarray) -> None:
        """Add frames, ndarray (n, rows, columns), of which the ``fresh`` ones count."""
        del start
        use = frames[fresh]
        if not len(use):
            return
        finite = np.isfinite(use)
        self.frames += len(use)
        self.missing += (~finite).sum(axis=0)
        if self.saturated_at is not None:
            self.saturated += (np.where(finite, use, -np.inf) >= self.saturated_at).sum(axis=0)
        known = np.where(finite, use, 0)
        self.sum += known.sum(axis=0, dtype=float)
        self.count += finite.sum(axis=0)
        np.minimum(self.lowest, np.where(finite, use, np.inf).min(axis=0), out=self.lowest)
        np.maximum(self.highest, np.where(finite, use, -np.inf).max(axis=0), out=self.highest)
        with np.errstate(invalid="ignore"):
            for piece, is_known in zip(np.array_split(known, 4), np.array_split(finite, 4), strict=True):
                if len(piece):
                    self.parts.append((piece.sum(axis=0) / is_known.sum(axis=0)).astype(np.float32))
        if len(self.parts) > 16:
            self.parts = self.parts[::2]

    def mean(self) -> np.ndarray:
        """Return the mean picture, ndarray (rows, columns); NaN where a pixel was never seen."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.count > 0, self.sum / self.count, np.nan)


def fill_gaps(picture: np.ndarray) -> np.ndarray:
    """Fill NaN pixels with the median of their surroundings, ndarray (rows, columns); all NaN gives zeros."""
    missing = ~np.isfinite(picture)
    if not missing.any():
        return picture
    if missing.all():
        return np.zeros_like(picture)
    nearest = ndimage.distance_transform_edt(missing, return_distances=False, return_indices=True)
    return picture[tuple(nearest)]


def stands_out(picture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return how far each pixel lies from the median of its 8 neighbours, and that median's own lift over a ring.

    Both ndarray (rows, columns), unit of the picture. Real light is spread by the optics, so a small hot part lifts
    its neighbours too; a bad pixel stands alone.
    """
    filled = fill_gaps(picture).astype(np.float32)
    around = np.array([[1, 1, 1], [1, 0, 1], [1, 1, 1]], bool)
    ring = np.ones((5, 5), bool)
    ring[1:4, 1:4] = False
    beside = np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]], np.float32) / 4
    near = ndimage.median_filter(filled, footprint=around, mode="nearest")
    far = ndimage.median_filter(filled, footprint=ring, mode="nearest")
    return filled - near, cv2.filter2D(filled, -1, beside, borderType=cv2.BORDER_REPLICATE) - far


def heights_at(picture: np.ndarray, at: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Return how far the pixels ``at`` (rows, columns) lie from the median of their 8 neighbours, ndarray (n,)."""
    padded = np.pad(fill_gaps(picture), 1, mode="edge")
    rows, columns = at
    steps = [(i, j) for i in range(3) for j in range(3) if (i, j) != (1, 1)]
    beside = np.sort(np.stack([padded[rows + i, columns + j] for i, j in steps]), axis=0)
    return padded[rows + 1, columns + 1] - beside[4]  # of eight the fifth, as the rank filter of stands_out takes it


def robust_spread(values: np.ndarray) -> float:
    """Return 1.4826 times the median absolute deviation of the finite values (0 where there are none)."""
    known = values[np.isfinite(values)]
    return 1.4826 * float(np.median(np.abs(known - np.median(known)))) if known.size else 0.0


def find_lone_pixels(pixels: PixelSums, settings: CameraSettings) -> np.ndarray:
    """Find pixels that stand out alone and by the same amount throughout, ndarray of bool (rows, columns).

    Needed together: far outside the spread of such deviations in this picture; the four pixels beside it hardly lifted
    (a part would lift them through the optics); and the deviation steady over the recording (heating is not). Pixels
    that a steady, sharply imaged, one-pixel part would light are left in: differences cancel them anyway.
    """
    alone, lift = stands_out(pixels.mean())
    spread = max(robust_spread(alone), 1e-12)
    local = ndimage.median_filter(np.abs(alone), size=7, mode="nearest") * 1.4826
    far_out = np.abs(alone) > settings.lone_sigmas * np.maximum(spread, local)
    is_alone = np.abs(lift) < settings.lone_lift * np.abs(alone)
    if not (far_out & is_alone).any() or len(pixels.parts) < 2:
        return far_out & is_alone & (len(pixels.parts) >= 2)
    at = np.nonzero(far_out & is_alone)
    course = np.stack([heights_at(p, at) for p in pixels.parts])
    move = course.max(axis=0) - course.min(axis=0)
    steady = np.zeros(alone.shape, bool)
    steady[at] = move < settings.lone_steady * np.abs(alone[at]) + 4 * spread * 0.5
    return steady


def find_bad_pixels(
    pixels: PixelSums, sums: NoiseMaps, noise: np.ndarray, settings: CameraSettings
) -> tuple[np.ndarray, list[CameraEvent]]:
    """Return the map of pixels to leave out, ndarray of bool (rows, columns), and the events that name them."""
    frames = max(pixels.frames, 1)
    missing = pixels.missing > settings.mostly * frames
    full = pixels.saturated > settings.mostly * frames
    stuck = np.zeros(pixels.shape, bool)
    flicker = np.zeros(pixels.shape, bool)
    if sums.weight >= 5:
        moving = pixels.highest > pixels.lowest
        if moving.mean() > 0.9:  # else the values are quantised so coarsely that still pixels are normal
            stuck = ~moving & ~missing
        flicker = find_flicker(sums, noise, settings)
    lone = find_lone_pixels(pixels, settings) & ~missing & ~stuck
    found = (
        ("dead_pixels", missing | stuck, "without a value, or without any change of it"),
        ("hot_pixels", lone & ~flicker, "unlike all around throughout"),
        ("flicker_pixels", flicker, "far noisier than the others"),
        ("saturated", full, "at the highest value in most frames"),
    )
    bad = np.zeros(pixels.shape, bool)
    events = []
    for kind, where, what in found:
        bad |= where
        if where.any():
            count = int(where.sum())
            text = f"{count} pixel{'s' if count > 1 else ''} {what}"
            events.append(CameraEvent(kind, None, 0, text, float(count)))
    return bad, events


def find_flicker(sums: NoiseMaps, noise: np.ndarray, settings: CameraSettings) -> np.ndarray:
    """Find pixels whose noise, or whose rare jumps, are far above the picture's and their neighbours'.

    Motion makes edges noisy too, but edges are longer than a pixel: the neighbours must be calm.
    """
    out = np.zeros(noise.shape, bool)
    typical = float(np.median(noise))
    for power in (np.nan_to_num(noise**2), np.nan_to_num(sums.full / sums.weight)):
        near = ndimage.maximum_filter(power, footprint=[[1, 1, 1], [1, 0, 1], [1, 1, 1]], mode="nearest")
        level = np.maximum(ndimage.median_filter(power, size=5, mode="nearest"), typical**2)
        out |= (power > settings.flicker_ratio**2 * level) & (power > 4 * near)
    return out
