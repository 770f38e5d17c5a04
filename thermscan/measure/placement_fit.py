"""Fit of a view to a scene: the layout of the board file against the pictures, from a start, with a prior."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from thermscan.measure.placement_corners import corner_covariance
from thermscan.measure.placement_layout import Layout, Region, draw_layout
from thermscan.measure.placement_pose import (
    PARAMETERS,
    View,
    homography_steps,
    point_steps,
    prior_residual,
    prior_steps,
)
from thermscan.measure.placement_scene import Scene, shrink_scene, shrink_view
from thermscan.measure.placement_tiles import Tile, TileSums, smooth_columns, sum_tiles, tile_residuals, tile_windows
from thermscan.model.board import Board
from thermscan.model.pose import map_points
from thermscan.model.settings import PlacementSettings

_LEAST_STRIPE = 8  # pixels of a row or column below which its median says little


@dataclass(frozen=True)
class PointPrior:
    """Board points known to lie near pixels: ndarray (points, 2) mm and px, and the standard error of a coordinate."""

    points_mm: np.ndarray
    points_px: np.ndarray
    sigma_px: float

    def residual(self, view: View) -> np.ndarray:
        """Return the distances in sigmas, ndarray (2 points,)."""
        return ((map_points(view.homography(), self.points_mm) - self.points_px) / self.sigma_px).ravel()

    def steps(self, view: View) -> np.ndarray:
        """Return the derivative of ``residual``, ndarray (2 points, 8)."""
        return point_steps(view, self.points_mm).reshape(-1, PARAMETERS) / self.sigma_px


@dataclass(frozen=True)
class Fit:
    """A fitted view.

    Attributes
    ----------
    view : View
    covariance : ndarray of shape (8, 8)
        Of the view's parameters, with the spread between blocks, not with the hopeful curvature.
    log_likelihood : ndarray of shape (blocks,)
    score : float
        Log-likelihood plus log prior.
    """

    view: View
    covariance: np.ndarray
    log_likelihood: np.ndarray
    score: float


def pixel_steps(view: View, shape: tuple[int, int]) -> np.ndarray:
    """Return how the board moves at each pixel by the parameters, ndarray (rows, columns, 2, 8), px."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(float)
    full = np.stack([x, y, np.ones_like(x)], axis=-1)
    turn = np.einsum("kij,jl->kil", homography_steps(view), np.linalg.inv(view.homography()))
    moved = np.einsum("kij,rcj->rcik", turn, full)
    return moved[..., :2, :] - full[..., :2, None] * moved[..., 2:, :]


def _outline_columns(layout: Layout, rows: slice, columns: slice) -> tuple[np.ndarray, np.ndarray, np.ndarray, bool]:
    cover = layout.outline.cover[rows, columns].ravel()
    smooth = smooth_columns(rows, columns)
    if cover.min() > 0.999 or cover.max() < 0.001:
        return smooth, np.zeros_like(smooth), np.zeros_like(smooth), False
    along_x = layout.outline.along_x[rows, columns].ravel()
    along_y = layout.outline.along_y[rows, columns].ravel()
    board, bench = (cover, along_x, along_y), (1 - cover, -along_x, -along_y)
    if layout.hidden is not None:  # nothing of the edge is seen through a body that leans over it
        board, bench = _beneath(layout.hidden, board, rows, columns), _beneath(layout.hidden, bench, rows, columns)
    flat = smooth[:, :3]
    basis, right, down = (
        np.hstack([smooth * b[:, None], flat * e[:, None]]) for b, e in zip(board, bench, strict=True)
    )
    return basis, right, down, True


def _beneath(hidden: Region, cover: tuple[np.ndarray, ...], rows: slice, columns: slice) -> tuple[np.ndarray, ...]:
    """Return what bodies leave to see of a coverage and its slopes, ndarray (pixels,) each, in a window."""
    values, along_x, along_y = cover
    body, body_x, body_y = (a[rows, columns].ravel() for a in (hidden.cover, hidden.along_x, hidden.along_y))
    return values * (1 - body), along_x * (1 - body) - values * body_x, along_y * (1 - body) - values * body_y


def _region_columns(layout: Layout, rows: slice, columns: slice, most: int) -> list[tuple[np.ndarray, ...]]:
    """Return coverage and slopes of the regions that have an edge in a window, the strongest first."""
    found = []
    for region in layout.regions:
        r0, r1 = max(region.rows.start, rows.start), min(region.rows.stop, rows.stop)
        c0, c1 = max(region.columns.start, columns.start), min(region.columns.stop, columns.stop)
        if r0 >= r1 or c0 >= c1:
            continue
        source = (
            slice(r0 - region.rows.start, r1 - region.rows.start),
            slice(c0 - region.columns.start, c1 - region.columns.start),
        )
        target = (slice(r0 - rows.start, r1 - rows.start), slice(c0 - columns.start, c1 - columns.start))
        energy = float(np.sum(region.along_x[source] ** 2 + region.along_y[source] ** 2))
        if energy < 0.02:
            continue
        pieces = []
        for values in (region.cover, region.along_x, region.along_y):
            whole = np.zeros((rows.stop - rows.start, columns.stop - columns.start))
            whole[target] = values[source]
            pieces.append(whole.ravel())
        found.append((energy, pieces))
    found.sort(key=lambda item: -item[0])
    return [tuple(pieces) for _, pieces in found[:most]]


def layout_tiles(layout: Layout, windows: Sequence[tuple[slice, slice]]) -> list[Tile]:
    """Return the columns of a layout for each window: board and bench apart, then each region with an edge in it."""
    tiles = []
    for rows, columns in windows:
        basis, along_x, along_y, moves = _outline_columns(layout, rows, columns)
        most = max(4, basis.shape[0] // 24)
        regions = _region_columns(layout, rows, columns, most)
        if regions:
            basis = np.column_stack([basis, *(r[0] for r in regions)])
            along_x = np.column_stack([along_x, *(r[1] for r in regions)])
            along_y = np.column_stack([along_y, *(r[2] for r in regions)])
        tiles.append(Tile(rows, columns, basis, along_x, along_y, moves or bool(regions)))
    return tiles


Measure = Callable[[View], TileSums]


def smooth_likelihood(scene: Scene, settings: PlacementSettings) -> np.ndarray:
    """Return the log-likelihood a block of a scene without any board: smooth background in each tile, no more."""
    tiles = []
    for rows, columns in tile_windows(scene.shape, settings):
        smooth = smooth_columns(rows, columns)
        still = np.zeros_like(smooth)
        tiles.append(Tile(rows, columns, smooth, still, still, moves=False))
    floors = np.full(len(scene.channels), settings.floor_share)
    return sum_tiles(tiles, scene.channels, scene.valid, floors=floors, steps=None, settings=settings).log_likelihood


def layout_measure(scene: Scene, board: Board, *, side: str, blur_px: float, settings: PlacementSettings) -> Measure:
    """Return the function that measures a view against a scene by the layout of the board."""
    windows = tile_windows(scene.shape, settings)
    floors = np.full(len(scene.channels), settings.floor_share)

    def measure(view: View) -> TileSums:
        layout = draw_layout(board, view, scene.shape, side=side, blur_px=blur_px)
        steps = pixel_steps(view, scene.shape)
        tiles = layout_tiles(layout, windows)
        return sum_tiles(tiles, scene.channels, scene.valid, floors=floors, steps=steps, settings=settings)

    return measure


def _prior(
    view: View, points: PointPrior | None, settings: PlacementSettings, width: float
) -> tuple[np.ndarray, np.ndarray]:
    residual, steps = [prior_residual(view, settings, width)], [prior_steps(settings)]
    if points is not None:
        residual.append(points.residual(view))
        steps.append(points.steps(view))
    # A weak pull to the start keeps directions without any evidence where they are.
    residual.append(np.zeros(PARAMETERS))
    steps.append(np.eye(PARAMETERS))
    return np.concatenate(residual), np.vstack(steps)


def _temper(sums: TileSums, prior: np.ndarray) -> float:
    """Return the factor by which the log-likelihood is too sure of itself, seen in the directions that matter.

    Slopes of blocks cancel where they were fitted to: of ``n`` blocks only ``n`` less the parameters tell their spread.
    """
    cover = np.linalg.inv(sums.curvature + prior)
    plain, real = float(np.trace(cover @ sums.curvature)), float(np.trace(cover @ sums.spread))
    left = max(sums.informative - plain, 1.0) / max(sums.informative, 1)
    return float(np.clip(left * plain / max(real, 1e-12), 1e-3, 1.0))


def fit_view(
    measure: Measure,
    start: View,
    *,
    points: PointPrior | None,
    settings: PlacementSettings,
    width_px: float,
    rounds: int,
    close: float = 0.03,
) -> Fit:
    """Climb to the most probable view near a start.

    Parameters
    ----------
    measure : callable
        Log-likelihood and its steps at a view.
    start : View
    points : PointPrior or None
        Clicked marks, or the trust in a coarser fit.
    settings : PlacementSettings
    width_px : float
        Longer side of the picture, px.
    rounds : int
        Most Gauss-Newton steps.
    close : float
        Stop at a step smaller than this, in standard errors.

    Returns
    -------
    Fit

    Notes
    -----
    The likelihood of neighbouring pixels as if they were independent is too sure; it is multiplied by the ratio
    of its curvature to the spread of its gradient between blocks (magnitude-adjusted composite likelihood), so
    that it weighs rightly against the prior. Steps that lower the score are halved.
    """
    view, sums = start, measure(start)
    residual, steps = _prior(view, points, settings, width_px)
    temper = _temper(sums, steps.T @ steps)

    def score(some: TileSums, prior_res: np.ndarray) -> float:
        return temper * float(some.log_likelihood.sum()) - 0.5 * float(prior_res @ prior_res)

    damping = 0.0
    for _ in range(rounds):
        curvature = temper * sums.curvature + steps.T @ steps
        slope = temper * sums.slope - steps.T @ residual
        step = np.linalg.solve(curvature + damping * np.diag(np.diag(curvature)), slope)
        tried = view.moved(step)
        new_sums = measure(tried)
        new_residual, new_steps = _prior(tried, points, settings, width_px)
        if score(new_sums, new_residual) < score(sums, residual) - 1e-9:
            damping = max(4 * damping, 0.5)
            if damping > 200:
                break
            continue
        size = float(np.sqrt(step @ curvature @ step))
        view, sums, residual, steps = tried, new_sums, new_residual, new_steps
        damping = damping / 4 if damping > 0.1 else 0.0
        temper = _temper(sums, steps.T @ steps)
        if size < close:
            break
    prior = steps.T @ steps
    cover = np.linalg.inv(sums.curvature * temper + prior)
    return Fit(view, cover, sums.log_likelihood, score(sums, residual))


def rms_error_px(view: View, covariance: np.ndarray, points_mm: np.ndarray) -> float:
    """Return the root mean square standard error (2-D distance) of mapped points, px."""
    steps = point_steps(view, points_mm)
    variance = np.einsum("nik,kl,nil->n", steps, covariance, steps)
    return float(np.sqrt(np.mean(variance)))


def _stripes(residual: np.ndarray, valid: np.ndarray) -> np.ndarray:
    """Return what whole columns, then whole rows, of a residual share, ndarray (rows, columns): medians."""
    out = np.zeros_like(residual)
    for axis in (0, 1):
        left = np.where(valid, residual - out, np.nan)
        enough = valid.sum(axis=axis) >= _LEAST_STRIPE
        line = np.zeros(len(enough))
        lines = left[:, enough] if axis == 0 else left[enough]
        if enough.any():
            line[enough] = np.nanmedian(lines, axis=axis)
        out = out + (line[None, :] if axis == 0 else line[:, None])
    return out


def without_stripes(scene: Scene, board: Board, view: View, *, side: str, settings: PlacementSettings) -> Scene:
    """Return the scene without what whole rows and columns of it share beyond the layout of the board.

    Parameters
    ----------
    scene : Scene
    board : Board
    view : View
        Good to a pixel or two: the layout explains the edges, so that they are not taken for stripes.
    side : {'top', 'bottom'}
    settings : PlacementSettings

    Returns
    -------
    Scene

    Notes
    -----
    Uncooled sensors carry a fixed offset a row and a column, which no averaging over frames on a tripod removes and
    which pulls edges that run along them. Medians of the residual are subtracted. An edge of something that is not
    in the board file and runs exactly along the rows or columns loses part of its contrast.
    """
    layout = draw_layout(board, view, scene.shape, side=side, blur_px=settings.optics_blur_px)
    tiles = layout_tiles(layout, tile_windows(scene.shape, settings))
    residuals = tile_residuals(tiles, scene.channels, scene.valid, settings=settings)
    stripes = np.array([_stripes(r, scene.valid) for r in residuals])
    return replace(scene, channels=scene.channels - stripes)


def levels_for(shape: tuple[int, int]) -> list[tuple[int, float]]:
    """Return shrink factors and blurs (full-size px), coarse to fine, for a start that is a few px off."""
    longer = max(shape)
    if longer >= 300:
        return [(4, 2.0), (2, 1.0), (1, 0.0)]
    if longer >= 100:
        return [(2, 1.0), (1, 0.5), (1, 0.0)]
    return [(1, 1.0), (1, 0.0)]


def tolerance_px(view: View, settings: PlacementSettings) -> float:
    """Return how far a point may be off because outlines depart from their file, by half of what parts do, px (2-D)."""
    return float(np.sqrt(2.0) * settings.layout_tolerance_mm / 2 * view.focal_px / view.shift_mm[2])


def refine(
    scene: Scene,
    board: Board,
    start: View,
    *,
    side: str,
    points: PointPrior | None,
    settings: PlacementSettings,
    levels: Sequence[tuple[int, float]],
    rounds: int = 8,
) -> Fit:
    """Fit the layout from coarse to fine, and from the start at the finest, and return the more likely fit.

    Coarse pictures lead a start that is some pixels off to the right place, and one that is right already sometimes
    away from it.

    Parameters
    ----------
    scene : Scene
        Full size.
    board : Board
    start : View
        In full-size pixels.
    side : {'top', 'bottom'}
    points : PointPrior or None
        In full-size pixels.
    settings : PlacementSettings
    levels : sequence of (int, float)
        Factor by which pictures are shrunk, and blur in full-size px, from coarse to fine.
    rounds : int
        Most steps a level.

    Returns
    -------
    Fit
        In full-size pixels.
    """
    view = start
    fit = None
    for factor, blur in levels:
        if fit is not None:
            scene = without_stripes(scene, board, view, side=side, settings=settings)
        climb = _climber(scene, board, (factor, blur), side=side, points=points, settings=settings, rounds=rounds)
        last = fit is not None and (factor, blur) == tuple(levels[-1])
        fit = climb(view)
        if last:
            again = climb(start)
            fit = max(fit, again, key=lambda f: float(f.log_likelihood.sum()))
        view = fit.view
    assert fit is not None
    return fit


def _climber(
    scene: Scene,
    board: Board,
    level: tuple[int, float],
    *,
    side: str,
    points: PointPrior | None,
    settings: PlacementSettings,
    rounds: int,
) -> Callable[[View], Fit]:
    """Return the function that fits a view, in full-size pixels, to a scene shrunk and blurred."""
    factor, blur = level
    small = shrink_scene(scene, factor, blur)
    seen_blur = float(np.hypot(settings.optics_blur_px, blur)) / factor
    measure = layout_measure(small, board, side=side, blur_px=seen_blur, settings=settings)
    prior = points
    if points is not None:
        prior = PointPrior(points.points_mm, (points.points_px + 0.5) / factor - 0.5, points.sigma_px / factor)

    def climb(view: View) -> Fit:
        fit = fit_view(
            measure,
            shrink_view(view, factor),
            points=prior,
            settings=settings,
            width_px=max(small.shape),
            rounds=rounds,
        )
        return replace(fit, view=shrink_view(fit.view, 1 / factor))

    return climb


def layout_covariance(fit: Fit, board: Board, settings: PlacementSettings) -> np.ndarray:
    """Return the covariance of the corners, ndarray (8, 8) px2.

    Noise, made larger since blocks of one edge err together, and each corner off by the board's tolerance and by what
    the model of flat regions does not know: walls, solder, heat that drags edges; all of it larger where no part is
    listed (``bare_doubt``).
    """
    each = float(np.hypot(tolerance_px(fit.view, settings), settings.layout_floor_px))
    cover = corner_covariance(fit.view, fit.covariance * settings.layout_doubt**2, board, each_px=each)
    return cover * bare_doubt(board, settings) ** 2


def bare_doubt(board: Board, settings: PlacementSettings) -> float:
    """Return the factor on a layout's error for what a board file leaves out: connectors that lean over its edge."""
    return 1.0 if board.parts else settings.bare_doubt
