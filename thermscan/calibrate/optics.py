"""Blur of the optics from a straight, slightly slanted edge between two even temperatures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, curve_fit
from scipy.special import erf

from thermscan.model.camera_profile import OpticsSection
from thermscan.model.errors import InputError

PIXEL_SIGMA = 1 / np.sqrt(12.0)  # standard deviation of a square pixel, px


@dataclass(frozen=True)
class EdgeResponse:
    """Samples across the edge: distance from it, px, and value; and the fitted step, ndarrays (n,)."""

    distance_px: np.ndarray
    value: np.ndarray
    fitted: np.ndarray


def _step(x: np.ndarray, low: float, height: float, place: float, sigma: float) -> np.ndarray:
    return low + height / 2 * (1 + erf((x - place) / (np.sqrt(2) * sigma)))


def _edge_line(picture: np.ndarray) -> tuple[np.ndarray, float]:
    """Return unit normal (x, y) and offset of the straight edge, from the centroids of the slope's magnitude."""
    down, right = np.gradient(picture)
    weight = np.hypot(down, right) ** 2
    weight[weight < 0.1 * weight.max()] = 0
    rows, columns = np.indices(picture.shape)
    total = weight.sum()
    centre = np.array([np.sum(weight * columns), np.sum(weight * rows)]) / total
    apart = np.stack([columns - centre[0], rows - centre[1]])
    spread = np.einsum("irc,jrc,rc->ij", apart, apart, weight) / total
    _, axes = np.linalg.eigh(spread)
    normal = axes[:, 0]
    mean = np.array([np.sum(weight * right), np.sum(weight * down)])
    normal = normal if normal @ mean >= 0 else -normal
    return normal, float(normal @ centre)


def smallest_width_px(blur_px: float, *, share: float = 0.95) -> float:
    """Return the width of a square part whose middle pixel still shows this share of its rise, px.

    Blur and pixel are taken as one Gaussian; the share over a square of width w is erf(w / (2 sqrt2 s))^2.
    """
    sigma = float(np.hypot(blur_px, PIXEL_SIGMA))
    return float(brentq(lambda w: erf(w / (2 * np.sqrt(2) * sigma)) ** 2 - share, 1e-6, 60 * sigma))


def calibrate_optics(
    picture: np.ndarray, *, path: str = "", date: str, method: str
) -> tuple[OpticsSection, EdgeResponse]:
    """Measure the blur across an edge.

    Parameters
    ----------
    picture : ndarray of shape (rows, columns)
        Mean of many frames, cut to the edge; any angle, best slanted by 5 to 20 degrees against the pixels.
    path, date, method : str

    Returns
    -------
    OpticsSection, EdgeResponse
        ``blur_px`` is that of the optics alone: the pixel's own width (1/12 px2) is taken off in squares.

    Raises
    ------
    InputError
        Where the picture holds no single straight edge.

    Notes
    -----
    The edge is found as the main axis of the slopes, refined with its width by least squares; edge spread function of
    a Gaussian blur. Not valid for a curved edge, or one that is warmed beside itself.
    """
    if min(picture.shape) < 8:
        raise InputError(path, "", "the box is narrower than 8 pixels", "give a larger box around one straight edge")
    rows, columns = np.indices(picture.shape)
    normal, place = _edge_line(picture)
    angle = float(np.arctan2(normal[1], normal[0]))
    known = np.isfinite(picture)
    x, y, values = columns[known].astype(float), rows[known].astype(float), picture[known]
    low, high = np.quantile(values, [0.1, 0.9])

    def edge(points: np.ndarray, low: float, height: float, place: float, sigma: float, turn: float) -> np.ndarray:
        across = points[0] * np.cos(turn) + points[1] * np.sin(turn)
        return _step(across, low, height, place, sigma)

    try:
        found, covariance = curve_fit(
            edge,
            np.stack([x, y]),
            values,
            p0=(low, high - low, place, 1.0, angle),
            bounds=([-np.inf, 0, -np.inf, 0.05, -10], np.inf),
        )
    except RuntimeError:
        raise InputError(path, "", "no straight edge fits", "give a box around one straight edge") from None
    fitted = edge(np.stack([x, y]), *found)
    rest = float(np.std(values - fitted))
    if rest > 0.1 * found[1]:
        problem = f"no single straight edge fits: {rest:.2f} K are left of a step of {found[1]:.2f} K"
        raise InputError(path, "", problem, "give a box around one straight edge between two even temperatures")
    sigma, error = float(found[3]), float(np.sqrt(covariance[3, 3]))
    blur = float(np.sqrt(max(sigma**2 - PIXEL_SIGMA**2, 0.0)))
    across = x * np.cos(found[4]) + y * np.sin(found[4]) - found[2]
    order = np.argsort(across)
    blur_error = error * sigma / max(blur, 0.1)
    section = OpticsSection(date, method, blur, blur_error, smallest_width_px(blur))
    return section, EdgeResponse(across[order], values[order], fitted[order])
