"""Blur of the optics from a straight, slightly slanted edge between two even temperatures, or a slit of known width."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, curve_fit
from scipy.special import erf

from thermscan.model.camera_profile import OpticsSection
from thermscan.model.errors import InputError

FRAMES_TRIED = 60  # frames that are looked at for moves; judgement
PIXEL_SIGMA = 1 / np.sqrt(12.0)  # standard deviation of a square pixel, px


@dataclass(frozen=True)
class EdgeResponse:
    """Samples across the edge: distance from it, px, and value; and the fitted step, ndarrays (n,)."""

    distance_px: np.ndarray
    value: np.ndarray
    fitted: np.ndarray


def _step(x: np.ndarray, low: float, height: float, place: float, sigma: float) -> np.ndarray:
    return low + height / 2 * (1 + erf((x - place) / (np.sqrt(2) * sigma)))


def _slit(x: np.ndarray, low: float, height: float, place: float, sigma: float, width: float) -> np.ndarray:
    half = width / 2
    return _step(x, low, height, place - half, sigma) - _step(x, 0.0, height, place + half, sigma)


def slit_response(width_px: float, blur_px: float) -> float:
    """Return the share of its contrast that the middle of a long slit keeps, blur and pixel as one Gaussian."""
    sigma = float(np.hypot(blur_px, PIXEL_SIGMA))
    return float(erf(width_px / (2 * np.sqrt(2) * sigma)))


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
    picture: np.ndarray,
    *,
    frames: np.ndarray | None = None,
    slit_px: float | None = None,
    path: str = "",
    date: str,
    method: str,
) -> tuple[OpticsSection, EdgeResponse]:
    """Measure the blur across an edge, or across a slit.

    Parameters
    ----------
    picture : ndarray of shape (rows, columns)
        Mean of many frames, cut to the edge; any angle, best slanted by 5 to 20 degrees against the pixels.
    frames : ndarray of shape (frames, rows, columns), optional
        Some of these frames, cut likewise: they tell whether the edge stood still.
    slit_px : float, optional
        Width of the slit in pixels, from its width in mm and a distance known in the same picture; None for an edge.
    path, date, method : str

    Returns
    -------
    OpticsSection, EdgeResponse
        ``blur_px`` is that of the optics alone: the pixel's own width (1/12 px2) is taken off in squares.

    Raises
    ------
    InputError
        Where the picture holds no single straight edge or slit, or one that runs along the pixels or moves by its own
        width.

    Notes
    -----
    The edge is found as the main axis of the slopes, refined with its width by least squares; edge spread function of
    a Gaussian blur. A slit is the difference of two such edges; its width counts as exact. What an unsteady edge adds
    to the width is part of the error. Not valid for a curved edge, or one that is warmed beside itself.
    """
    what = "edge" if slit_px is None else "slit"
    if min(picture.shape) < 8:
        raise InputError(path, "", "the box is narrower than 8 pixels", f"give a larger box around one straight {what}")
    if slit_px is not None and not 0.5 <= slit_px <= 0.6 * min(picture.shape):
        problem = f"a slit of {slit_px:g} px does not fit this box"
        raise InputError(path, "", problem, "give its width in pixels, from 0.5 to half of the box")
    found, error, fitted = _fit_across(picture, slit_px, path=path, what=what)
    rest, height = float(np.std(picture[np.isfinite(picture)] - fitted)), abs(float(found[1]))
    if rest > 0.1 * height:
        problem = f"no single straight {what} fits: {rest:.2f} K are left of a step of {height:.2f} K"
        raise InputError(path, "", problem, f"give a box around one straight {what} between two even temperatures")
    _check_slant(float(found[4]), picture.shape, path=path, what=what)
    sigma = float(found[3])
    if frames is not None:
        shake = shake_px(frames, picture, fitted, found, slit_px)
        if shake * np.sqrt(12.0) >= sigma:
            problem = f"the {what} moves by {shake * np.sqrt(12.0):.1f} px while it is filmed"
            raise InputError(path, "", problem, f"fix camera and {what}, and record again")
        error = float(np.hypot(error, sigma - np.sqrt(sigma**2 - shake**2)))
    blur = float(np.sqrt(max(sigma**2 - PIXEL_SIGMA**2, 0.0)))
    x, y, values = _samples(picture)
    across = x * np.cos(found[4]) + y * np.sin(found[4]) - found[2]
    order = np.argsort(across)
    blur_error = error * sigma / max(blur, 0.1)
    section = OpticsSection(date, method, blur, blur_error, smallest_width_px(blur))
    return section, EdgeResponse(across[order], values[order], fitted[order])


def _check_slant(turn: float, shape: tuple[int, ...], *, path: str, what: str) -> None:
    """Refuse an edge that crosses less than one pixel over the box: all its rows show it at the same place in a pixel.

    What happens between pixels is then not seen, and the blur of sharp optics is a guess.
    """
    off_x = abs((np.rad2deg(turn) + 90.0) % 180.0 - 90.0)  # of the normal from the rows
    off = min(off_x, 90.0 - off_x)
    length = shape[0] if off_x < 45.0 else shape[1]
    if length * np.tan(np.deg2rad(off)) < 1.0:
        problem = f"the {what} runs along the pixels ({off:.1f} degrees), so that no place between pixels is seen"
        raise InputError(path, "", problem, f"turn camera or {what} by 5 to 20 degrees")


def shake_px(
    frames: np.ndarray, picture: np.ndarray, fitted: np.ndarray, found: np.ndarray, slit_px: float | None
) -> float:
    """Return how far an edge moves from frame to frame, standard deviation in px, without what noise does.

    Each frame's place by one step of least squares about the fit: right for moves within the blur, too small beyond.
    """
    x, y, _ = _samples(picture)
    known = np.isfinite(picture)
    step = 0.05
    moved = _across(np.stack([x, y]), *found[:2], found[2] + step, *found[3:], slit_px=slit_px)
    slope = (moved - fitted) / step
    slope = slope - slope.mean()
    apart = np.array([frame[known] - fitted for frame in frames])
    apart = np.where(np.isfinite(apart), apart, 0.0)
    apart -= apart.mean(axis=1, keepdims=True)  # a camera that drifts as a whole is no move
    places = apart @ slope / np.sum(slope**2)
    rest = apart - places[:, None] * slope
    noise = float(np.mean(np.var(rest, axis=1))) / float(np.sum(slope**2))
    return float(np.sqrt(max(np.var(places) - noise, 0.0)))


def _across(
    points: np.ndarray, low: float, height: float, place: float, sigma: float, turn: float, *, slit_px: float | None
) -> np.ndarray:
    """Return the values of an edge, or of a slit, at points, ndarray (2, n)."""
    line = points[0] * np.cos(turn) + points[1] * np.sin(turn)
    if slit_px is None:
        return _step(line, low, height, place, sigma)
    return _slit(line, low, height, place, sigma, slit_px)


def _samples(picture: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return x, y and value of the known pixels, ndarrays (n,)."""
    rows, columns = np.indices(picture.shape)
    known = np.isfinite(picture)
    return columns[known].astype(float), rows[known].astype(float), picture[known]


def _fit_across(
    picture: np.ndarray, slit_px: float | None, *, path: str, what: str
) -> tuple[np.ndarray, float, np.ndarray]:
    """Fit low, height, place, deviation and angle; return them, the error of the deviation, and the fitted values."""
    normal, place = _edge_line(np.where(np.isfinite(picture), picture, np.nanmedian(picture)))
    x, y, values = _samples(picture)
    low, high = np.quantile(values, [0.1, 0.9])
    height, lowest = high - low, 0.0
    if slit_px is not None:
        low, lowest = float(np.median(values)), -np.inf
        height = float(max(values.max() - low, values.min() - low, key=abs))

    across = functools.partial(_across, slit_px=slit_px)
    points = np.stack([x, y])
    try:
        found, covariance = curve_fit(
            across,
            points,
            values,
            p0=(low, height, place, 1.0, float(np.arctan2(normal[1], normal[0]))),
            bounds=([-np.inf, lowest, -np.inf, 0.05, -10], np.inf),
        )
    except RuntimeError:
        raise InputError(path, "", f"no straight {what} fits", f"give a box around one straight {what}") from None
    return found, float(np.sqrt(covariance[3, 3])), across(points, *found)
