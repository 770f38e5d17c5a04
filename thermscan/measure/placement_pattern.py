"""One recording registered to another on the thermal pattern: static contrast and heat change, each with free gain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import binary_dilation, map_coordinates, spline_filter

from thermscan.measure.placement_fit import Fit, Measure, fit_view, layout_measure, pixel_steps
from thermscan.measure.placement_layout import picture_window
from thermscan.measure.placement_pose import View
from thermscan.measure.placement_scene import Scene, shrink_scene, shrink_view
from thermscan.measure.placement_tiles import Tile, TileSums, smooth_columns, sum_tiles, tile_windows
from thermscan.model.board import Board
from thermscan.model.pose import map_points
from thermscan.model.settings import PlacementSettings


@dataclass(frozen=True)
class Surface:
    """Which board point each pixel of a picture sees.

    ``points_mm`` is ndarray (rows, columns, 2), mm; ``height_mm`` ndarray (rows, columns), how far that point
    stands above the board; ``on_board`` ndarray of bool, the board and a rim around it.
    """

    points_mm: np.ndarray
    height_mm: np.ndarray
    on_board: np.ndarray


def _seen_points(view: View, height_mm: float, window: tuple[slice, slice]) -> np.ndarray:
    y, x = np.mgrid[window].astype(float)
    return map_points(np.linalg.inv(view.homography(height_mm)), np.stack([x, y], axis=-1))


def seen_surface(
    board: Board, view: View, shape: tuple[int, int], *, side: str, settings: PlacementSettings
) -> Surface:
    """Return what each pixel sees of a board: its surface, or the top face of a part.

    Parameters
    ----------
    board : Board
    view : View
    shape : tuple of int
        Rows and columns.
    side : {'top', 'bottom'}
    settings : PlacementSettings
        ``rim_px`` of bench around the board take part.

    Returns
    -------
    Surface
    """
    points = _seen_points(view, 0.0, (slice(0, shape[0]), slice(0, shape[1])))
    height = np.zeros(shape)
    on_board = board.inside(points[..., 0], points[..., 1])
    for part in sorted(board.parts_on(side), key=lambda p: p.height_mm or 0.0):
        top = float(part.height_mm or 0.0)
        window = picture_window(map_points(view.homography(top), part.corners_mm()), 1.0, shape)
        if top == 0 or window is None:
            continue
        above = _seen_points(view, top, window)
        covered = part.contains(above[..., 0], above[..., 1])
        points[window][covered], height[window][covered] = above[covered], top
        on_board[window] |= covered
    return Surface(points, height, binary_dilation(on_board, iterations=max(1, round(settings.rim_px))))


def project(view: View, surface: Surface) -> np.ndarray:
    """Return where another view shows the points of a surface, ndarray (rows, columns, 2), px."""
    ground, above = view.projection()
    full = np.concatenate([surface.points_mm, np.ones((*surface.height_mm.shape, 1))], axis=-1)
    out = full @ ground.T + surface.height_mm[..., None] * above
    return out[..., :2] / out[..., 2:]


class Sampler:
    """Samples the pictures of a scene and their slopes at pixel places, by cubic splines."""

    def __init__(self, scene: Scene) -> None:
        self.shape = scene.shape
        slopes = [np.gradient(c) for c in scene.channels]
        pictures = (scene.channels, [s[1] for s in slopes], [s[0] for s in slopes])
        self.splines = [[spline_filter(p, order=3) for p in one] for one in pictures]
        self.held = scene.valid.astype(float)

    def __call__(self, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return values and slopes right and down, ndarray (3, channels, rows, columns), and which places are seen.

        ``places`` is ndarray (rows, columns, 2), px.
        """
        rows, columns = self.shape
        x, y = places[..., 0], places[..., 1]
        seen = (x > 0.5) & (y > 0.5) & (x < columns - 1.5) & (y < rows - 1.5)
        seen &= map_coordinates(self.held, [y, x], order=1, mode="constant") > 0.99
        at = [y, x]
        out = [[map_coordinates(s, at, order=3, mode="nearest", prefilter=False) for s in one] for one in self.splines]
        return np.array(out), seen


def pattern_measure(faulty: Scene, good: Scene, surface: Surface, *, settings: PlacementSettings) -> Measure:
    """Return the function that measures a view of the good recording against the faulty one.

    Parameters
    ----------
    faulty, good : Scene
        At the same shrink factor.
    surface : Surface
        What the pixels of ``faulty`` see.
    settings : PlacementSettings

    Returns
    -------
    callable
        View of the good board to ``TileSums`` on the pixels of the faulty picture.

    Notes
    -----
    In each tile every channel of the faulty picture is a free mixture of all channels of the good one and a
    smooth background: ambient, emissivity, power and camera gain drop out. What only the faulty board shows, a
    hotspot, is a residual, whose weight is bounded and whose tile has a large variance.
    """
    windows = tile_windows(faulty.shape, settings)
    floors = np.full(len(faulty.channels), settings.floor_share)
    sampler = Sampler(good)

    def measure(view: View) -> TileSums:
        places = project(view, surface)
        rows, columns = good.shape
        x, y = places[..., 0], places[..., 1]
        sampled, seen = sampler(places)
        valid = faulty.valid & surface.on_board & seen
        field = pixel_steps(view, good.shape)
        nearest = (np.clip(np.rint(y), 0, rows - 1).astype(int), np.clip(np.rint(x), 0, columns - 1).astype(int))
        steps = field[nearest]
        tiles = [pattern_tile(r, c, *sampled) for r, c in windows if valid[r, c].any()]
        return sum_tiles(tiles, faulty.channels, valid, floors=floors, steps=steps, settings=settings)

    return measure


def pattern_tile(rows: slice, columns: slice, values: np.ndarray, along_x: np.ndarray, along_y: np.ndarray) -> Tile:
    """Return a tile whose columns are sampled pictures, ndarray (pictures, rows, columns), and a smooth background."""
    smooth = smooth_columns(rows, columns, 1)
    still = np.zeros_like(smooth)

    def flat(pictures: np.ndarray) -> np.ndarray:
        return pictures[:, rows, columns].reshape(len(pictures), -1).T

    # A step of the good view carries the sampled place forward, which moves the pattern back: hence the minus.
    return Tile(
        rows,
        columns,
        np.hstack([flat(values), smooth]),
        np.hstack([-flat(along_x), still]),
        np.hstack([-flat(along_y), still]),
    )


def _both(first: Measure, second: Measure) -> Measure:
    """Return the function that adds the evidence of two."""

    def measure(view: View) -> TileSums:
        return first(view) + second(view)

    return measure


def _scale(view: View) -> float:
    """Return px/mm at the board centre."""
    return view.focal_px / float(view.shift_mm[2])


def equal_blurs(faulty: View, good: View, least_px: float, settings: PlacementSettings) -> tuple[float, float]:
    """Return blurs, px of each picture, that make both equally sharp on the board.

    Unequal sharpness moves whatever is not symmetric about its edge; optics and pixels blur each picture alike in
    its own pixels, so the picture taken from farther away needs less added.
    """
    own = settings.optics_blur_px**2 + 1.0 / 12.0
    ratio2 = (_scale(faulty) / _scale(good)) ** 2
    if ratio2 >= 1:
        return float(np.sqrt(ratio2 * (own + least_px**2) - own)), least_px
    return least_px, float(np.sqrt((own + least_px**2) / ratio2 - own))


@dataclass(frozen=True)
class Pair:
    """Two scenes of one board type to be matched.

    ``faulty`` and ``good`` are full-size scenes, ``faulty_view`` the view that is kept, ``has_layout`` tells whether
    the board file may be fitted to the good picture at the same time.
    """

    faulty: Scene
    good: Scene
    board: Board
    side: str
    faulty_view: View
    has_layout: bool = True


def refine_pattern(
    pair: Pair, start: View, *, settings: PlacementSettings, levels: Sequence[tuple[int, float]], rounds: int = 8
) -> Fit:
    """Fit the view of the good board so that its pictures explain the faulty ones, from coarse to fine.

    Parameters
    ----------
    pair : Pair
    start : View
        Of the good board, full-size pixels.
    settings : PlacementSettings
    levels : sequence of (int, float)
        Shrink factors and blurs (full-size px).
    rounds : int
        Most steps a level.

    Returns
    -------
    Fit
        View of the good board, full-size pixels. Its log-likelihood covers the pattern, then the layout if any.
    """
    view, fit = start, None
    for factor, blur in levels:
        measure = _pair_measure(pair, view, factor, blur, settings)
        width = max(pair.good.shape) / factor
        fit = fit_view(
            measure, shrink_view(view, factor), points=None, settings=settings, width_px=width, rounds=rounds
        )
        view = shrink_view(fit.view, 1 / factor)
    assert fit is not None
    return replace(fit, view=view)


def _pair_measure(pair: Pair, view: View, factor: int, blur: float, settings: PlacementSettings) -> Measure:
    blurs = equal_blurs(pair.faulty_view, view, max(blur, settings.pattern_blur_px), settings)
    first, second = shrink_scene(pair.faulty, factor, blurs[0]), shrink_scene(pair.good, factor, blurs[1])
    kept = shrink_view(pair.faulty_view, factor)
    surface = seen_surface(pair.board, kept, first.shape, side=pair.side, settings=settings)
    measure = pattern_measure(first, second, surface, settings=settings)
    if not pair.has_layout:
        return measure
    seen_blur = float(np.hypot(settings.optics_blur_px, blur)) / factor
    small = shrink_scene(pair.good, factor, blur)
    return _both(measure, layout_measure(small, pair.board, side=pair.side, blur_px=seen_blur, settings=settings))
