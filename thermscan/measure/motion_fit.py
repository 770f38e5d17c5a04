"""Fine alignment of working pictures: each to the mean of its stretch of time, and the stretches to each other."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy import fft

from thermscan.measure.motion_fields import Coefficients
from thermscan.measure.motion_pictures import Preparation, smoothed
from thermscan.model.settings import MotionSettings

BLOCK_PX = 8  # squares whose residuals count as independent of each other


@dataclass(frozen=True)
class Template:
    """Mean of the aligned pictures of one stretch, in reference coordinates.

    Attributes
    ----------
    picture, doubt : float32 ndarrays of shape (rows, columns)
        Mean, and variance of what its pictures add to it beyond noise.
    seen : ndarray of bool, shape (rows, columns)
    pictures : int
        How many were averaged.
    """

    picture: np.ndarray
    doubt: np.ndarray
    seen: np.ndarray
    pictures: int


@dataclass(frozen=True)
class Slopes:
    """Change of a template with each coefficient at the places that count, ordered by block.

    ``at`` are flat pixel numbers (n,), ``by`` is float32 (8, n), ``share`` float32 (n,) how much each place counts, 0
    to 1, ``starts`` the first of each block in ``at``.
    """

    at: np.ndarray
    by: np.ndarray
    share: np.ndarray
    starts: np.ndarray


def pattern_variance(pictures: np.ndarray, how: Preparation, settings: MotionSettings) -> float:
    """Return the variance of the sensor pattern of a working pixel before smoothing.

    Parameters
    ----------
    pictures : ndarray of shape (n, rows, columns)
        Working pictures in order of time.
    how : Preparation
    settings : MotionSettings

    Notes
    -----
    Taken from the finest details (beyond 2.3 rad/px, off the axes) of plain means of the pictures, which optics and
    motion leave to the sensor alone; what smoothing took from them is undone, and what noise adds is taken off. The
    sensor adds the same at all times, and a hot scene far more: the least of several parts of the recording counts. An
    upper limit where the scene itself is that sharp.
    """
    parts = np.array_split(pictures, max(1, min(len(pictures) // settings.stretch_frames, settings.pattern_parts)))
    found = [_fine_power(part.mean(axis=0), how) - how.noise**2 / len(part) for part in parts]
    return max(min(found), 0.0)


def _fine_power(mean: np.ndarray, how: Preparation) -> float:
    """Return the variance of white noise that has the finest details of a picture, before smoothing."""
    rows, columns = mean.shape
    taper = np.outer(np.hanning(rows + 2)[1:-1], np.hanning(columns + 2)[1:-1])
    power = np.abs(fft.rfft2(mean * taper)) ** 2 / (taper**2).sum()
    down, right = np.abs(2 * np.pi * fft.fftfreq(rows))[:, None], 2 * np.pi * fft.rfftfreq(columns)[None]
    square = down**2 + right**2
    fine = (down > 0.3) & (right > 0.3) & (square > 2.3**2) & (square < 3.0**2)
    if not fine.any():
        return 0.0
    return float(np.median((power * np.exp(square * how.smoothing_px**2))[fine]) / np.log(2))


class Aligner:
    """Fits the coefficients of pictures by Gauss-Newton in reference coordinates."""

    def __init__(self, how: Preparation, pattern_variance: float, settings: MotionSettings) -> None:
        self.fields = Coefficients(how.shape)
        self.shape = how.shape
        self.settings = settings
        self.variance = how.variance
        edge = max(1, min(round(settings.margin_px), min(how.shape) // 4))
        self.inner = np.zeros(how.shape, bool)
        self.inner[edge:-edge, edge:-edge] = True
        # white noise through a Gaussian of sigma s has slopes of variance 1 / (8 pi s4) of it, each way
        white = pattern_variance + how.noise**2 / settings.stretch_frames
        self.by_chance = white / (4 * np.pi * how.smoothing_px**4)
        self.chance = settings.slope_gate * self.by_chance
        self.hold = np.diag(1.0 / np.array(settings.usual_motion_px(self.fields.half)) ** 2)
        rows, columns = np.indices(how.shape) // BLOCK_PX
        self.block = (rows * (columns.max() + 1) + columns).ravel()

    def aligned(self, picture: np.ndarray, matrix: np.ndarray) -> np.ndarray:
        """Return a picture in reference coordinates (bilinear), NaN where it does not reach."""
        return cv2.warpPerspective(
            picture,
            matrix,
            self.shape[::-1],
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=float("nan"),
        )

    def template(self, pictures: np.ndarray, matrices: np.ndarray) -> Template:
        """Average pictures, ndarray (n, rows, columns), along their matrices."""
        total, squares, count = (np.zeros(self.shape, np.float32) for _ in range(3))
        for picture, matrix in zip(pictures, matrices, strict=True):
            values = self.aligned(picture, matrix)
            known = np.isfinite(values)
            values[~known] = 0
            total += values
            squares += values * values
            count += known
        shown = np.maximum(count, 1)
        mean = total / shown
        doubt = smoothed(np.maximum(squares / shown - mean**2 - self.variance, 0), 1.5)
        return Template(mean, doubt, count > 0.5 * len(pictures), len(pictures))

    def slopes(self, template: Template) -> Slopes:
        """Return the slopes of a template where they are more than sensor pattern and noise make by chance.

        Elsewhere only the sensor itself would be aligned, which pulls all motion to zero; slopes that barely pass
        count in proportion.
        """
        return self.slopes_of([template])[0]

    def slopes_of(self, templates: list[Template]) -> list[Slopes]:
        """Return the slopes of several templates over the places that any of them counts."""
        steep, shares = [], []
        for template in templates:
            down, right = np.gradient(template.picture)
            power = smoothed((down * down + right * right).astype(np.float32), self.settings.gate_px)
            share = np.where(self.inner & template.seen, 1 - self.chance / np.maximum(power, 1e-12), 0)
            shares.append(np.maximum(share, 0).ravel().astype(np.float32))
            steep.append((right.ravel().astype(np.float32), down.ravel().astype(np.float32)))
        at = self.by_block(np.flatnonzero(np.max(shares, axis=0) > 0))
        starts, fields = self.first_of_blocks(at), self.fields.everywhere[:, :, at]
        return [
            Slopes(at, fields[:, 0] * right[at] + fields[:, 1] * down[at], share[at], starts)
            for share, (right, down) in zip(shares, steep, strict=True)
        ]

    def by_block(self, at: np.ndarray) -> np.ndarray:
        """Return flat pixel numbers ordered by block."""
        return at[np.argsort(self.block[at], kind="stable")]

    def first_of_blocks(self, at: np.ndarray) -> np.ndarray:
        """Return where each block starts among flat pixel numbers that are ordered by block."""
        blocks = self.block[at]
        return np.flatnonzero(np.r_[True, blocks[1:] != blocks[:-1]]) if len(at) else np.zeros(0, int)

    def information(self, slopes: Slopes, weighted: np.ndarray, left: np.ndarray, hessian: np.ndarray) -> np.ndarray:
        """Return what a fit says about its coefficients, ndarray (8, 8), 1/px2.

        The scatter of the scores is summed over blocks (a sandwich estimate), since residuals of neighbouring pixels
        belong together; noise alone is the least it can be. Few blocks say little about that scatter: it is drawn to
        its mean over the coefficients, by as much as there are coefficients for blocks.
        """
        score = np.add.reduceat((weighted * left).astype(float), slopes.starts, axis=1)
        scatter = score @ score.T
        if not np.trace(hessian) > 0:
            return np.zeros((8, 8))
        mean = np.trace(np.linalg.solve(hessian + self.hold, scatter)) / 8
        scatter = scatter + (0.3 + 8 / len(slopes.starts) * mean) * hessian
        info = hessian @ np.linalg.solve(scatter + 1e-9 * np.trace(scatter) * np.eye(8), hessian)
        return (info + info.T) / 2

    def align(
        self, picture: np.ndarray, matrix: np.ndarray, template: Template, slopes: Slopes, middle: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return the matrix (3, 3) after one step, and the information (8, 8), of one picture against a template.

        Places with residuals beyond noise and the template's own doubt lose their weight, so heat that is new does not
        pull. ``middle`` is ndarray (8,): coefficients that the fit is held to, weakly.
        """
        if not len(slopes.at):
            return matrix, np.zeros((8, 8))
        doubt = self.variance + template.doubt.ravel()[slopes.at]
        target = template.picture.ravel()[slopes.at]
        values = self.aligned(picture, matrix).ravel()[slopes.at]
        known = np.isfinite(values)
        left = np.where(known, values - target, 0)
        trust = known / (doubt * (1 + left * left / (self.settings.doubt_sigmas**2 * doubt)))
        weighted = slopes.by * (slopes.share * trust).astype(np.float32)
        hessian = (weighted @ slopes.by.T).astype(float)
        off = self.fields.of_matrix(matrix) - middle
        move = np.linalg.solve(hessian + self.hold, -(weighted @ left) - self.hold @ off)
        matrix = matrix @ self.fields.to_matrix(move)
        return matrix, self.information(slopes, weighted, left, hessian)

    def between(
        self, first: Template, second: Template, slopes: Slopes, *, within_px: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return by how much the second template is displaced against the first, (8,), and the information (8, 8).

        Heat has changed places in between, and its own slopes there would pass for a displacement by as much as it is
        wide: places that differ by more than a displacement of ``within_px`` and noise make lose their weight with the
        fourth power of that (Geman and McClure).
        """
        if not len(slopes.at):
            return np.zeros(8), np.zeros((8, 8))
        change = np.where(first.seen & second.seen, second.picture - first.picture, 0)
        down, right = np.gradient((first.picture + second.picture) / 2)
        usual = self.variance * (1 / first.pictures + 1 / second.pictures)
        usual = usual + within_px**2 * smoothed(down * down + right * right, 2.0)
        doubt = usual * (1 + smoothed(change * change, 2.0) / (self.settings.tie_ratio * usual)) ** 2
        known = (first.seen & second.seen).ravel()[slopes.at]
        weighted = slopes.by * (slopes.share * known / doubt.ravel()[slopes.at]).astype(np.float32)
        left = change.ravel()[slopes.at]
        hessian = (weighted @ slopes.by.T).astype(float)
        moved = np.linalg.solve(hessian + self.hold, weighted @ left)
        return moved, self.information(slopes, weighted, left, hessian)
