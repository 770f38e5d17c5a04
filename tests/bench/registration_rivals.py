"""What the registration is held against: other libraries on the same pictures, the bound, and what tolerances leave."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Sequence

import cv2
import numpy as np
import SimpleITK
from skimage.registration import phase_cross_correlation


def ecc(first: np.ndarray, second: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Return OpenCV's ECC homography of two pictures, mean taken off, or the start where it gives up."""
    found = np.asarray(start / start[2, 2], np.float32)
    with contextlib.suppress(cv2.error):
        pictures = [np.nan_to_num(p - np.nanmean(p)).astype(np.float32) for p in (first, second)]
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-6)
        _, found = cv2.findTransformECC(*pictures, found.copy(), cv2.MOTION_HOMOGRAPHY, stop, None, 5)
    return found.astype(float)


def ecc_motion(pictures: Sequence[np.ndarray]) -> tuple[list[np.ndarray], float]:
    """Return the homographies of pictures against the first, each started at the last, and CPU seconds a picture."""
    start, found = time.process_time(), [np.eye(3)]
    for picture in pictures[1:]:
        found.append(ecc(pictures[0], picture, found[-1]))
    return found, (time.process_time() - start) / max(len(pictures) - 1, 1)


def phase_motion(pictures: Sequence[np.ndarray]) -> list[np.ndarray]:
    """Return the shifts of pictures against the first by scikit-image's phase correlation, as homographies."""
    found = [np.eye(3)]
    for picture in pictures[1:]:
        (down, right), _, _ = phase_cross_correlation(pictures[0], picture, upsample_factor=20)
        found.append(np.array([[1, 0, -right], [0, 1, -down], [0, 0, 1.0]]))
    return found


def itk_affine(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Return SimpleITK's affine map, ndarray (3, 3), of pixels of the first picture to the second's.

    Correlation of the pictures, linear sampling, gradient descent with a line search over two resolutions.
    """
    images = [SimpleITK.GetImageFromArray(np.nan_to_num(p - np.nanmean(p)).astype(np.float32)) for p in (first, second)]
    start = SimpleITK.AffineTransform(2)
    start.SetCenter([(n - 1) / 2 for n in first.shape[::-1]])
    method = SimpleITK.ImageRegistrationMethod()
    method.SetMetricAsCorrelation()
    method.SetInterpolator(SimpleITK.sitkLinear)
    method.SetOptimizerAsGradientDescentLineSearch(learningRate=1.0, numberOfIterations=60)
    method.SetOptimizerScalesFromPhysicalShift()
    method.SetShrinkFactorsPerLevel([2, 1])
    method.SetSmoothingSigmasPerLevel([1.0, 0.5])
    method.SetInitialTransform(start, inPlace=True)
    method.SetNumberOfThreads(1)
    with contextlib.suppress(RuntimeError):  # no overlap is left
        method.Execute(*images)
    matrix, centre = np.array(start.GetMatrix()).reshape(2, 2), np.array(start.GetCenter())
    out = np.eye(3)
    out[:2, :2], out[:2, 2] = matrix, np.array(start.GetTranslation()) + centre - matrix @ centre
    return out


def itk_from(first: np.ndarray, second: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Return SimpleITK's map of the first picture to the second near a start homography, ndarray (3, 3)."""
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    level = float(np.nanmean(second))
    brought = cv2.warpPerspective(np.nan_to_num(second - level), start, first.shape[::-1], flags=flags)
    return start @ itk_affine(first, brought)


def shift_bound_px(picture: np.ndarray, noise: float) -> float:
    """Return the Cramer-Rao bound of a shift (2-D distance) of one frame against a known reference.

    Robinson and Milanfar, IEEE Transactions on Image Processing 13(9), 2004, from memory. The picture is smoothed a
    little so that its own noise is not taken for contrast.
    """
    down, right = np.gradient(cv2.GaussianBlur(np.asarray(picture, np.float32), (0, 0), 1.0))
    gram = np.array([[np.sum(right**2), np.sum(right * down)], [np.sum(right * down), np.sum(down**2)]])
    return float(np.sqrt(np.trace(np.linalg.inv(gram / noise**2))))


def tolerance_px(board, truth, side, points):
    """Return the error that tolerances alone leave to the best linear estimate of one placement, px.

    Corners of the outline are off by 0.05 mm, parts that are larger than two pixels each way by 0.1 mm.
    """
    centre, size = points.mean(axis=0), float(np.ptp(points, axis=0).max()) / 2
    edge = truth.to_px(0, points)
    scale = float(np.hypot(*(edge[4] - edge[0])) / np.hypot(*(points[4] - points[0])))

    def fields(places):
        x, y = ((np.asarray(places, float).reshape(-1, 2) - centre) / size).T
        one, none = np.ones_like(x), np.zeros_like(x)
        pairs = [(one, none), (none, one), (-y, x), (x, y), (x, -y), (y, x), (x * x, x * y), (x * y, y * y)]
        return np.stack([np.stack(p, axis=-1) for p in pairs], axis=1)

    parts = [(p.x, p.y) for p in board.parts_on(side) if p.w * p.h * scale**2 > 4]
    info = np.zeros((8, 8)) + 1e-3 * np.eye(8)
    for places, error in ((board.outline_mm, 0.05), (parts, 0.1)):
        if len(places):
            told = fields(places)
            info += np.einsum("nka,nla->kl", told, told) / error**2
    at = fields(points)
    return float(np.sqrt(np.einsum("nka,kl,nla->", at, np.linalg.inv(info), at) / len(points))) * scale
