"""Scene, sensor pattern, heat change and motion of a set of pictures, solved together."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from thermscan.measure.motion_fields import Coefficients
from thermscan.model.settings import MotionSettings


@dataclass(frozen=True)
class Scene:
    """Fine material contrast of the pictures in reference coordinates, and what the sensor adds.

    Attributes
    ----------
    detail : float32 ndarray of shape (pixels,)
        High-passed mean of the aligned pictures; zero where too few of them show the place.
    pattern : float32 ndarray of shape (rows, columns)
        High-passed part that stays with the pixels.
    seen : ndarray of bool, shape (pixels,)
    variance : float
        Mean square of high-passed noise of a picture.
    """

    detail: np.ndarray
    pattern: np.ndarray
    seen: np.ndarray
    variance: float


def high_pass(picture: np.ndarray, shape: tuple[int, int], sigma_px: float) -> np.ndarray:
    """Take a picture's own smooth part off, ndarray (pixels,)."""
    flat = picture.reshape(shape)
    return (flat - cv2.GaussianBlur(flat, (0, 0), sigma_px, borderType=cv2.BORDER_REFLECT_101)).ravel()


class Aligner:
    """Fits the coefficients of single pictures to a known scene by Gauss-Newton in reference coordinates."""

    def __init__(self, shape: tuple[int, int], noise: float, good: np.ndarray, settings: MotionSettings) -> None:
        self.fields = Coefficients(shape)
        self.shape = shape
        self.settings = settings
        # share of white noise that passes the smoothing of sigma s and the high-pass: 1 / (4 pi s2) less the local mean
        smooth, local = settings.smoothing_px**2, settings.local_px**2
        passed = 1 / smooth + 1 / (smooth + local) - 4 / (2 * smooth + local)
        self.variance = float(noise**2 * passed / (4 * np.pi))
        edge = max(1, round(settings.margin_px))
        inner = np.zeros(shape, bool)
        inner[edge:-edge, edge:-edge] = True
        self.usable = (inner & good).astype(np.float32)

    def fine(self, picture: np.ndarray) -> np.ndarray:
        """Return a working picture less its own smooth part, float32 ndarray (rows, columns)."""
        return high_pass(picture, self.shape, self.settings.local_px).reshape(self.shape)

    def sample(self, picture: np.ndarray, matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return a picture in reference coordinates, ndarray (pixels,), and where it is known."""
        values, inside = self.fields.sample(picture, matrix)
        return values, inside & (self.fields.sample(self.usable, matrix)[0] > 0.75)

    def align(
        self, picture: np.ndarray, start: np.ndarray, scene: Scene, slopes: np.ndarray, hold: np.ndarray, *, gentle: int
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return coefficients (8,) and information (8, 8) of one high-passed picture.

        Heat adds to the picture at many places and cannot be foretold, material contrast is everywhere: so each place
        counts by its own doubt. ``gentle`` first steps weigh residuals by 1/size (as L1 does), which forgives a start
        that is off; the steps after leave places out that the noise does not explain. ``hold`` is ndarray (8,), 1/px2:
        how firmly each coefficient is held at ``start``.
        """
        matrix = self.fields.to_matrix(start)
        info = np.zeros((8, 8))
        for i in range(self.settings.align_steps + gentle):
            values, known = self.sample(picture, matrix)
            known &= scene.seen
            left = np.where(known, values - scene.detail, 0)
            spread = left * left / scene.variance
            typical = float(np.median(spread[known])) / 0.455 if known.any() else 1.0
            scale = min(max(typical, 1.0), self.settings.widest_doubt)
            spread /= scale
            trust = 1 / np.sqrt(1 + spread) if i < gentle else 1 / (1 + spread / self.settings.doubt_sigmas**2) ** 2
            weighted = slopes * (known * trust / (scene.variance * scale)).astype(np.float32)
            info = (weighted @ slopes.T).astype(float)
            here = self.fields.of_matrix(matrix)
            move = np.linalg.solve(info + np.diag(hold), -(weighted @ left) - hold * (here - start))
            matrix = matrix @ self.fields.to_matrix(move)
            if i >= gentle and self.fields.distance(move) < self.settings.converged_px:
                break
        return self.fields.of_matrix(matrix), info


class Tracker:
    """Follows pictures one after the other, each against the mean of the ten before it, so that slow heating is small.

    Pictures are smoothed by one pixel more, which takes the sensor pattern, which is fine, down against the scene.
    """

    def __init__(self, aligner: Aligner) -> None:
        self.aligner = aligner
        self.hold = 1.0 / np.array(aligner.settings.usual_motion_px()) ** 2
        self.count = 0
        self.last = np.zeros(8)

    def add(self, picture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return coefficients (8,) and information (8, 8) of the next working picture, ndarray (rows, columns)."""
        aligner = self.aligner
        soft = aligner.fine(cv2.GaussianBlur(picture, (0, 0), 1.0, borderType=cv2.BORDER_REFLECT_101))
        self.count += 1
        if self.count == 1:
            self.running, self.seen = aligner.sample(soft, np.eye(3))
            return self.last, np.eye(8) / aligner.variance
        scene = Scene(self.running, np.zeros(aligner.shape, np.float32), self.seen, 0.3 * aligner.variance)
        slopes = aligner.fields.slopes(self.running)
        self.last, info = aligner.align(soft, self.last, scene, slopes, self.hold, gentle=4)
        values, inside = aligner.sample(soft, aligner.fields.to_matrix(self.last))
        share = np.where(self.seen, 1.0 / min(self.count, 10), 1.0)
        self.running = np.where(inside, self.running + share * (values - self.running), self.running).astype(np.float32)
        self.seen = self.seen | inside
        return self.last, info
