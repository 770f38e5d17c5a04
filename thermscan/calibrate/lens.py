"""Radial distortion from a warm grid of dots or holes, and the pairing of thermal and visible pictures from marks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.optimize import least_squares

from thermscan.model.camera_profile import LensSection, PairingSection
from thermscan.model.errors import InputError
from thermscan.model.pose import Lens, map_points, normalised

OFF_GRID = 0.1  # of the distance between dots: a dot taken for its neighbour is off by all of it; judgement


@dataclass(frozen=True)
class GridFit:
    """Dots as seen and as fitted, ndarrays (n, 2), px."""

    seen_px: np.ndarray
    fitted_px: np.ndarray


def find_dots(picture: np.ndarray, *, size_px: float = 2.0) -> np.ndarray:
    """Find the centres of warm or cold dots in a picture, ndarray (n, 2), px, strongest first.

    Local extremes of the picture less its surroundings, refined by the centroid around each.
    """
    apart = ndimage.gaussian_filter(picture, size_px / 2) - ndimage.gaussian_filter(picture, 3 * size_px)
    if np.abs(apart.min()) > apart.max():
        apart = -apart
    peaks = (apart == ndimage.maximum_filter(apart, size=int(2 * size_px) + 1)) & (apart > 0.3 * apart.max())
    places = np.argwhere(peaks)
    reach = int(np.ceil(1.5 * size_px))
    out = []
    for row, column in places:
        if not (reach <= row < picture.shape[0] - reach and reach <= column < picture.shape[1] - reach):
            continue
        box = apart[row - reach : row + reach + 1, column - reach : column + reach + 1].clip(0)
        dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
        out.append((apart[row, column], column + np.sum(box * dx) / box.sum(), row + np.sum(box * dy) / box.sum()))
    out.sort(reverse=True)
    return np.array([(x, y) for _, x, y in out]).reshape(-1, 2)


def order_grid(dots: np.ndarray, columns: int, rows: int, *, path: str = "") -> np.ndarray:
    """Order dots row by row, ndarray (rows * columns, 2); raises InputError where they make no such grid."""
    count = columns * rows
    if len(dots) < count:
        raise InputError(path, "", f"shows {len(dots)} dots, a grid of {columns}x{rows} has {count}", "check --grid")
    kept = dots[:count]
    centred = kept - kept.mean(axis=0)
    # the grid's own axes: turn until rows are narrow
    turns = np.deg2rad(np.linspace(-45, 45, 181))
    best, score = 0.0, np.inf
    for turn in turns:
        y = np.sort(-centred[:, 0] * np.sin(turn) + centred[:, 1] * np.cos(turn)).reshape(rows, columns)
        spread = float(np.sum(np.ptp(y, axis=1)))
        if spread < score:
            best, score = float(turn), spread
    y = -centred[:, 0] * np.sin(best) + centred[:, 1] * np.cos(best)
    x = centred[:, 0] * np.cos(best) + centred[:, 1] * np.sin(best)
    lines = np.argsort(y, kind="stable").reshape(rows, columns)
    ordered = np.concatenate([line[np.argsort(x[line], kind="stable")] for line in lines])
    gaps = np.diff(y[lines].mean(axis=1))
    if rows > 1 and (gaps <= np.ptp(y[lines], axis=1).max() * 0.5).any():
        raise InputError(path, "", f"the dots make no grid of {columns}x{rows}", "film it square on, and check --grid")
    return kept[ordered]


def calibrate_lens(
    picture: np.ndarray, columns: int, rows: int, *, path: str = "", date: str, method: str
) -> tuple[LensSection, GridFit]:
    """Fit radial distortion to a flat grid of equally spaced dots.

    Parameters
    ----------
    picture : ndarray of shape (rows, columns) of pixels
        Mean of many frames.
    columns, rows : int
        Dots of the grid, four or more each way.
    path, date, method : str

    Returns
    -------
    LensSection, GridFit

    Raises
    ------
    InputError
        Where no such grid is seen.

    Notes
    -----
    From one flat picture the focal length is not known: distances count in half diagonals of the picture, and the
    centre is that of the picture. Not valid for a bent target.
    """
    if min(columns, rows) < 4:
        raise InputError(path, "", f"a grid of {columns}x{rows} is too small", "use four dots or more each way")
    dots = order_grid(find_dots(picture), columns, rows, path=path)
    height, width = picture.shape
    centre = ((width - 1) / 2, (height - 1) / 2)
    focal = float(np.hypot(width, height) / 2)
    plan = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2).astype(float)
    start = _homography(plan, dots)

    def seen(p: np.ndarray) -> np.ndarray:
        matrix = np.append(p[:8], 1.0).reshape(3, 3)
        return Lens(p[8], p[9], focal, centre).distort(map_points(matrix, plan))

    found = least_squares(
        lambda p: (seen(p) - dots).ravel(),
        np.concatenate([start.ravel()[:8], [0.0, 0.0]]),
        x_scale="jac",
        loss="soft_l1",
    )
    fitted = seen(found.x)
    error = float(np.sqrt(np.mean(np.sum((fitted - dots) ** 2, axis=1))))
    gaps = np.linalg.norm(np.diff(dots.reshape(rows, columns, 2), axis=1), axis=-1)
    if error > OFF_GRID * float(np.median(gaps)):
        problem = f"the dots make no grid of {columns}x{rows}: they lie {error:.1f} px from the nearest one"
        raise InputError(path, "", problem, "film a flat grid of warm dots square on, and check --grid")
    section = LensSection(date, method, float(found.x[8]), float(found.x[9]), focal, *centre, error)
    return section, GridFit(dots, fitted)


def _homography(source: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Fit a homography to pairs of points, ndarray (n, 2) each, by the linear method, scaled to its last element."""
    rows = []
    s_mean, s_scale = source.mean(axis=0), max(float(source.std()), 1e-9)
    t_mean, t_scale = target.mean(axis=0), max(float(target.std()), 1e-9)
    for (x, y), (u, v) in zip((source - s_mean) / s_scale, (target - t_mean) / t_scale, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y, -u])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y, -v])
    _, _, vt = np.linalg.svd(np.array(rows))
    inner = vt[-1].reshape(3, 3)
    to_source = np.array([[1 / s_scale, 0, -s_mean[0] / s_scale], [0, 1 / s_scale, -s_mean[1] / s_scale], [0, 0, 1]])
    from_target = np.array([[t_scale, 0, t_mean[0]], [0, t_scale, t_mean[1]], [0, 0, 1]])
    return normalised(from_target @ inner @ to_source)


def pair_pictures(
    thermal_px: np.ndarray, visible_px: np.ndarray, *, path: str = "", date: str, method: str
) -> tuple[PairingSection, GridFit]:
    """Fit the map from thermal to visible pixels to marks seen in both, ndarray (n, 2) each, four or more.

    Raises
    ------
    InputError
        Where there are too few marks, or they lie on a line.

    Notes
    -----
    Valid at the distance at which the marks were: the two lenses stand beside each other.
    """
    if len(thermal_px) < 4:
        raise InputError(
            path, "", f"{len(thermal_px)} marks given, four or more are needed", "add marks near the corners"
        )
    for points in (thermal_px, visible_px):
        spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
        if spread[1] < 0.02 * spread[0]:
            raise InputError(path, "", "the marks lie on one line", "choose marks near the corners")
    matrix = _homography(np.asarray(thermal_px, float), np.asarray(visible_px, float))
    fitted = map_points(matrix, thermal_px)
    freedom = 2 * len(thermal_px) - 8
    error = float(np.sqrt(np.sum((fitted - visible_px) ** 2) / freedom)) if freedom else None
    rows = tuple((float(a), float(b), float(c)) for a, b, c in matrix)
    return PairingSection(date, method, rows, error), GridFit(np.asarray(visible_px, float), fitted)
