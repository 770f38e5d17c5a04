"""The layout of a board as soft-edged regions in a picture: outline, part bodies, holes and their rings.

Each region is a coverage between 0 and 1 a pixel (what share of the blurred pixel it fills) with its analytic
gradient; brightness is not part of it and is fitted freely by whoever uses it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.special import ndtr

from thermscan.measure.placement_pose import View
from thermscan.model.board import Board, Part
from thermscan.model.pose import map_points

_REACH = 4.0  # sigmas after which a blurred edge is flat to 3e-5
_PIXEL_VARIANCE = 1.0 / 12.0  # of a box one pixel wide
_LEAN_PX = 0.3  # between top face and foot of a body, from which its walls are drawn
_HIDES_SLOPE = 0.05  # 1/px of the outline's coverage beneath a body: less is the far flank of a blurred edge


@dataclass(frozen=True)
class Region:
    """Coverage of one region in a window of the picture.

    ``rows`` and ``columns`` are the window, ``cover`` its coverage (0 to 1), ``along_x`` and ``along_y`` the
    derivatives of the coverage by the pixel position, 1/px; all ndarray (window rows, window columns).
    """

    rows: slice
    columns: slice
    cover: np.ndarray
    along_x: np.ndarray
    along_y: np.ndarray


@dataclass(frozen=True)
class Layout:
    """All regions of one side of a board at one view.

    ``outline`` and ``hidden``, the bodies that lean over the edge of the board and hide it, span the whole picture;
    ``hidden`` is None where no body does.
    """

    outline: Region
    regions: tuple[Region, ...]
    hidden: Region | None = None


def _grid(window: tuple[slice, slice]) -> tuple[np.ndarray, np.ndarray]:
    rows, columns = window
    return np.arange(rows.start, rows.stop, dtype=float)[:, None], np.arange(columns.start, columns.stop, dtype=float)


def _bell(z: np.ndarray) -> np.ndarray:
    return np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)


def picture_window(corners: np.ndarray, reach: float, shape: tuple[int, int]) -> tuple[slice, slice] | None:
    """Return the rows and columns around points, ndarray (n, 2) px, grown by ``reach`` px; None outside ``shape``."""
    if not np.isfinite(corners).all():
        return None
    low, high = corners.min(0) - reach, corners.max(0) + reach
    x0, y0 = np.maximum(np.floor(low), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(high) + 1, [shape[1], shape[0]]).astype(int)
    return None if x0 >= x1 or y0 >= y1 else (slice(y0, y1), slice(x0, x1))


def _inside(polygon: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Tell which pixel centres lie inside a polygon (even-odd rule), edge by edge over the rows it spans."""
    inside = np.zeros(shape, dtype=bool)
    x = np.arange(shape[1])
    for (x1, y1), (x2, y2) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        low, high = min(y1, y2), max(y1, y2)
        first, last = max(int(np.floor(low)) + 1, 0), min(int(np.floor(high)) + 1, shape[0])
        if low == high or first >= last:
            continue
        y = np.arange(first, last)
        crossing = x1 + (x2 - x1) * (y - y1) / (y2 - y1)
        inside[first:last] ^= x[None, :] < crossing[:, None]
    return inside


def polygon_cover(polygon_px: np.ndarray, shape: tuple[int, int], blur_px: float) -> Region:
    """Return the coverage of a polygon blurred by a Gaussian, over the whole picture.

    Parameters
    ----------
    polygon_px : ndarray of shape (corners, 2), px
    shape : tuple of int
        Rows and columns.
    blur_px : float
        Standard deviation of the blur, px, without the pixel's own width, which is added.

    Returns
    -------
    Region

    Notes
    -----
    The normal distribution of the signed distance to the nearest edge: exact along straight edges, rounded
    differently within about ``blur_px`` of a corner.
    """
    sigma = float(np.sqrt(blur_px**2 + _PIXEL_VARIANCE))
    best = np.full(shape, (_REACH * sigma) ** 2)
    away_x, away_y = np.zeros(shape), np.zeros(shape)
    for a, b in zip(polygon_px, np.roll(polygon_px, -1, axis=0), strict=True):
        window = picture_window(np.array([a, b]), _REACH * sigma, shape)
        length2 = float(np.sum((b - a) ** 2))
        if window is None or length2 == 0:
            continue
        y, x = _grid(window)
        t = np.clip(((x - a[0]) * (b[0] - a[0]) + (y - a[1]) * (b[1] - a[1])) / length2, 0, 1)
        dx, dy = x - a[0] - t * (b[0] - a[0]), y - a[1] - t * (b[1] - a[1])
        square = dx * dx + dy * dy
        nearer = square < best[window]
        best[window][nearer] = square[nearer]
        away_x[window][nearer] = dx[nearer]
        away_y[window][nearer] = dy[nearer]
    sign = np.where(_inside(polygon_px, shape), 1.0, -1.0)
    distance = np.sqrt(best)
    slope = sign * _bell(distance / sigma) / sigma / np.maximum(distance, 1e-9)
    return Region(slice(0, shape[0]), slice(0, shape[1]), ndtr(sign * distance / sigma), slope * away_x, slope * away_y)


def _box(u: np.ndarray, half: float, sigma: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return a blurred box of half width ``half`` at ``u``, and its derivative by ``u``."""
    right, left = (half - u) / sigma, (-half - u) / sigma
    return ndtr(right) - ndtr(left), (_bell(left) - _bell(right)) / sigma


def rectangle_cover(
    part: Part, matrix: np.ndarray, shape: tuple[int, int], blur_px: float, back: np.ndarray | None = None
) -> Region | None:
    """Return the coverage of a turned rectangle on the board, blurred in the picture; None outside the picture.

    Parameters
    ----------
    part : Part
        Its body is the rectangle.
    matrix : ndarray of shape (3, 3)
        Board mm to px for the plane of the rectangle.
    shape : tuple of int
        Rows and columns.
    blur_px : float
        Standard deviation of the blur, px, without the pixel's own width.
    back : ndarray of shape (3, 3) or None
        The inverse of ``matrix`` where it is known.

    Notes
    -----
    Exact for a Gaussian blur and a locally affine map; sizes far below one pixel come out right.
    """
    sigma = float(np.sqrt(blur_px**2 + _PIXEL_VARIANCE))
    window = picture_window(map_points(matrix, part.corners_mm()), _REACH * sigma, shape)
    if window is None:
        return None
    back = np.linalg.inv(matrix) if back is None else back
    axes, steps = _local_axes((part.x, part.y), part.rotation, back, window)
    values, slopes = [], []
    for u, (ux, uy), half in zip(axes, steps, (part.w / 2, part.h / 2), strict=True):
        value, slope = _box(u, half, sigma * np.hypot(ux, uy))
        values.append(value)
        slopes.append((slope * ux, slope * uy))
    along_x = slopes[0][0] * values[1] + slopes[1][0] * values[0]
    along_y = slopes[0][1] * values[1] + slopes[1][1] * values[0]
    return Region(*window, values[0] * values[1], along_x, along_y)


def _local_axes(
    centre_mm: tuple[float, float], rotation_deg: float, back: np.ndarray, window: tuple[slice, slice]
) -> tuple[list[np.ndarray], list[tuple[np.ndarray, np.ndarray]]]:
    """Return both coordinates (mm) of each pixel about a turned centre, and their derivatives by pixel x and y.

    ``back`` is the homography, ndarray (3, 3), of pixels to the plane's mm.
    """
    y, x = _grid(window)
    w = back[2, 0] * x + back[2, 1] * y + back[2, 2]
    turn = np.radians(rotation_deg)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    rows = axes @ (back[:2] - np.outer(centre_mm, back[2]))
    places, steps = [], []
    for row in rows:
        u = (row[0] * x + row[1] * y + row[2]) / w
        places.append(u)
        steps.append(((row[0] - u * back[2, 0]) / w, (row[1] - u * back[2, 1]) / w))
    return places, steps


def disc_cover(
    centre_mm: tuple[float, float], diameter_mm: float, matrix: np.ndarray, shape: tuple[int, int], blur_px: float
) -> Region | None:
    """Return the coverage of a disc on the board; a square of equal area stands in where the blur is wider.

    Parameters
    ----------
    centre_mm : tuple of float, mm
    diameter_mm : float, mm
    matrix : ndarray of shape (3, 3)
        Board mm to px.
    shape : tuple of int
        Rows and columns.
    blur_px : float
        Standard deviation of the blur, px, without the pixel's own width.
    """
    sigma = float(np.sqrt(blur_px**2 + _PIXEL_VARIANCE))
    half = diameter_mm / 2
    corners = np.array(centre_mm) + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    corners_px = map_points(matrix, corners)
    if float(np.sqrt(np.prod(np.ptp(corners_px, axis=0)))) / 2 < 2.0 * sigma:
        side = diameter_mm * np.sqrt(np.pi) / 2
        return rectangle_cover(Part("", x=centre_mm[0], y=centre_mm[1], w=side, h=side), matrix, shape, blur_px)
    window = picture_window(corners_px, _REACH * sigma, shape)
    if window is None:
        return None
    (u, v), slopes = _local_axes(centre_mm, 0.0, np.linalg.inv(matrix), window)
    distance = np.maximum(np.hypot(u, v), 1e-9)
    along_x = (u * slopes[0][0] + v * slopes[1][0]) / distance
    along_y = (u * slopes[0][1] + v * slopes[1][1]) / distance
    spread = sigma * np.maximum(np.hypot(along_x, along_y), 1e-12)
    z = (half - distance) / spread
    fall = -_bell(z) / spread
    return Region(*window, ndtr(z), fall * along_x, fall * along_y)


class _Planes:
    """Homographies of a view and their inverses, ndarray (3, 3) each, by height, mm; many parts share a height."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.known: dict[float, tuple[np.ndarray, np.ndarray]] = {}

    def __getitem__(self, height_mm: float) -> tuple[np.ndarray, np.ndarray]:
        if height_mm not in self.known:
            matrix = self.view.homography(height_mm)
            self.known[height_mm] = matrix, np.linalg.inv(matrix)
        return self.known[height_mm]


def _part_regions(part: Part, planes: _Planes, shape: tuple[int, int], blur_px: float) -> list[Region]:
    """Return the top face of a part, and all that its body hides where its foot lies visibly apart from that."""
    height = part.height_mm or 0.0
    top, foot = planes[height], planes[0.0]
    regions = [rectangle_cover(part, top[0], shape, blur_px, top[1])]
    middle = np.array([part.x, part.y])
    if height and np.hypot(*(map_points(top[0], middle) - map_points(foot[0], middle))) > _LEAN_PX:
        corners = part.corners_mm()
        regions.append(_silhouette(map_points(top[0], corners), map_points(foot[0], corners), shape, blur_px))
    return [r for r in regions if r is not None]


def _silhouette(top_px: np.ndarray, foot_px: np.ndarray, shape: tuple[int, int], blur_px: float) -> Region | None:
    """Return the coverage of a body with straight walls from the corners of its faces, ndarray (4, 2) px each."""
    corners = np.concatenate([top_px, foot_px])
    window = picture_window(corners, _REACH * float(np.sqrt(blur_px**2 + _PIXEL_VARIANCE)), shape)
    if window is None:
        return None
    around = cv2.convexHull(corners.astype(np.float32))[:, 0].astype(float)  # also of a body seen edge on
    size = tuple(s.stop - s.start for s in window)
    inner = polygon_cover(around - [window[1].start, window[0].start], size, blur_px)
    return Region(*window, inner.cover, inner.along_x, inner.along_y)


def draw_layout(
    board: Board, view: View, shape: tuple[int, int], *, side: str, blur_px: float, smallest_px2: float = 0.3
) -> Layout:
    """Return the regions of a board at a view.

    Parameters
    ----------
    board : Board
    view : View
    shape : tuple of int
        Rows and columns of the picture.
    side : {'top', 'bottom'}
        Whose parts are seen.
    blur_px : float
        Standard deviation of the optics' blur, px.
    smallest_px2 : float
        Bodies and holes that fill less than this many pixels are left out.

    Returns
    -------
    Layout
        Tall parts stand at the place of their top face. Only valid for a board that lies wholly before the camera.
    """
    planes = _Planes(view)
    ground = planes[0.0][0]
    outline = polygon_cover(map_points(ground, board.outline_mm), shape, blur_px)
    scale2 = abs(float(np.linalg.det(ground))) / abs(float((ground[2] @ [*view.centre_mm, 1.0]) ** 3))
    regions: list[Region] = []
    for part in board.parts_on(side):
        if part.w * part.h * scale2 >= smallest_px2:
            regions += _part_regions(part, planes, shape, blur_px)
    hidden = _over_the_edge(outline, regions)
    for hole in board.holes:
        for diameter in (hole.d, 2 * hole.d):
            if diameter**2 * scale2 * np.pi / 4 >= smallest_px2:
                disc = disc_cover((hole.x, hole.y), diameter, ground, shape, blur_px)
                regions += [disc] if disc is not None else []
    return Layout(outline, tuple(regions), hidden)


def _over_the_edge(outline: Region, bodies: list[Region]) -> Region | None:
    """Return the coverage of the bodies that lie on an edge of the board, over the whole picture; None without any."""
    slope = np.hypot(outline.along_x, outline.along_y)
    hiding = [b for b in bodies if float((slope[b.rows, b.columns] * b.cover).max()) > _HIDES_SLOPE]
    if not hiding:
        return None
    cover, along_x, along_y = (np.zeros_like(slope) for _ in range(3))
    for body in hiding:
        at = body.rows, body.columns
        open_here, open_beside = 1.0 - cover[at], 1.0 - body.cover
        along_x[at] = along_x[at] * open_beside + body.along_x * open_here
        along_y[at] = along_y[at] * open_beside + body.along_y * open_here
        cover[at] += body.cover * open_here
    return Region(outline.rows, outline.columns, cover, along_x, along_y)
