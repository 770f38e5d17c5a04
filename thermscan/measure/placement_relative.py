"""One recording registered to another on the thermal pattern, unit by unit, with an honest covariance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from thermscan.measure.placement_layout import draw_layout
from thermscan.measure.placement_pattern import Pair, Sampler, equal_blurs, pattern_tile, project, seen_surface
from thermscan.measure.placement_pose import (
    PARAMETERS,
    View,
    homography_steps,
    point_steps,
    prior_residual,
    prior_steps,
)
from thermscan.measure.placement_scene import shrink_scene, shrink_view
from thermscan.measure.placement_search import board_points
from thermscan.measure.placement_tiles import tile_windows
from thermscan.measure.placement_units import Normal, draw_units, gather, sum_units, unit_middles
from thermscan.model.pose import map_points
from thermscan.model.settings import PlacementSettings

_MOST_PX = 2.0  # a single step moves the board no farther
_DONE_PX = 0.005  # a step this small ends the fit


@dataclass(frozen=True)
class UnitFit:
    """A view fitted unit by unit.

    Attributes
    ----------
    view : View
        Full-size pixels.
    covariance : ndarray of shape (8, 8)
        Of its parameters.
    scatter_px : tuple of float
        How far units lie from where the fit puts them beyond noise and tolerance, one a channel.
    units : float
        How many units the fit rests on, weights counted.
    last_px : float
        How far the last step still moved the board.
    discord : float
        How much farther apart the channels put the board than their errors allow, one where they agree; the
        covariance is scaled by it.
    """

    view: View
    covariance: np.ndarray
    scatter_px: tuple[float, ...]
    units: float
    last_px: float
    discord: float = 1.0


def _steps_at(view: View, middles: np.ndarray) -> np.ndarray:
    """Return how a view moves the board at pixel places, ndarray (places, 2), px: ndarray (places, 2, 8), px."""
    full = np.column_stack([middles, np.ones(len(middles))])
    turn = np.einsum("kij,jl->kil", homography_steps(view), np.linalg.inv(view.homography()))
    moved = np.einsum("kij,uj->uik", turn, full)
    return moved[:, :2] - full[:, :2, None] * moved[:, 2:]


def _step(normal: Normal, view: View, settings: PlacementSettings, width_px: float) -> tuple[np.ndarray, np.ndarray]:
    """Return a Gauss-Newton step, ndarray (8,), and the information of what else is known, ndarray (8, 8)."""
    steps = prior_steps(settings)
    slope = normal.slope - steps.T @ prior_residual(view, settings, width_px)
    hold = steps.T @ steps + np.eye(PARAMETERS)
    return np.linalg.solve(normal.curvature + hold, slope), hold


def _near_edges(pair: Pair, view: View, shape: tuple[int, int], settings: PlacementSettings) -> np.ndarray:
    """Return the pixels near an edge of the layout, ndarray of bool (rows, columns); all where there is no layout.

    Elsewhere the sensor's own pattern is most of what is sharp, and says nothing about the board.
    """
    if not pair.has_layout:
        return np.ones(shape, bool)
    layout = draw_layout(pair.board, view, shape, side=pair.side, blur_px=settings.part_rim_px)
    slope = np.hypot(layout.outline.along_x, layout.outline.along_y)
    for region in layout.regions:
        window = (region.rows, region.columns)
        slope[window] = np.maximum(slope[window], np.hypot(region.along_x, region.along_y))
    return slope > settings.edge_slope


def _own_slopes(channels: np.ndarray, step: np.ndarray) -> np.ndarray:
    """Return slopes of pictures along the axes of another picture, ndarray (channels, 2, rows, columns).

    ``step`` is the homography, ndarray (3, 3), of their pixels to those of the other.
    """
    rows, columns = channels.shape[1:]
    y, x = np.mgrid[:rows, :columns].astype(float)
    places = map_points(step, np.stack([x, y], axis=-1))
    lead = np.stack(np.gradient(places, axis=(1, 0)), axis=-1)  # (rows, columns, other axis, own axis)
    back = np.linalg.inv(lead)
    down, right = np.gradient(channels, axis=(1, 2))
    along = np.stack([right, down], axis=-1)
    return np.einsum("krcj,rcji->kirc", along, back)


def register(
    pair: Pair, start: View, *, settings: PlacementSettings, levels: Sequence[tuple[int, float]], rounds: int = 8
) -> UnitFit:
    """Fit the view of the good board so that its pictures explain the faulty ones.

    Parameters
    ----------
    pair : Pair
    start : View
        Of the good board, full-size pixels, good to about two pixels.
    settings : PlacementSettings
    levels : sequence of (int, float)
        Shrink factors and blurs (full-size px), from coarse to fine.
    rounds : int
        Most steps a level.

    Returns
    -------
    UnitFit
        Its covariance holds while the faulty view is held.

    Notes
    -----
    In each tile every faulty picture is a free mixture of all good pictures and a smooth background, so ambient,
    emissivity, power and gain drop out; material contrast and heat change are channels of their own with their own
    noise and scatter. What only one board shows is a residual of bounded weight, and its unit one of many.
    """
    tiling = replace(settings, tile_px=settings.pattern_tile_px)
    view, last, normal, hold = start, np.inf, None, np.eye(PARAMETERS)
    points = board_points(pair.board)
    for factor, blur in levels:
        blurs = equal_blurs(pair.faulty_view, view, max(blur, settings.pattern_blur_px), settings)
        first, second = shrink_scene(pair.faulty, factor, blurs[0]), shrink_scene(pair.good, factor, blurs[1])
        kept, small = shrink_view(pair.faulty_view, factor), shrink_view(view, factor)
        surface = seen_surface(pair.board, kept, first.shape, side=pair.side, settings=settings)
        units = draw_units(pair.board, kept, first.shape, side=pair.side, settings=settings)
        edges = surface.on_board & _near_edges(pair, kept, first.shape, settings)
        sampler = Sampler(second)
        own = _own_slopes(first.channels, small.homography() @ np.linalg.inv(kept.homography()))  # hardly turns later
        loose_px = np.sqrt(2) * units.tolerance_px  # both boards have their parts off
        size = float(np.max(np.ptp(map_points(small.homography(), points), axis=0)))
        for _ in range(rounds):
            places = project(small, surface)
            sampled, seen = sampler(places)
            valid = first.valid & edges & seen
            tiles = [pattern_tile(*w, *sampled) for w in tile_windows(first.shape, tiling) if valid[w].any()]
            sums = sum_units(tiles, first.channels, valid, units, settings=settings, slopes=own)
            middles = unit_middles(units, valid, places)
            steps = _steps_at(small, middles)
            normal = gather(sums, loose_px, steps, settings=settings)
            step, hold = _step(normal, small, settings, max(second.shape))
            last = _moved_px(small, points, step) * factor
            small = small.moved(step * min(1.0, _MOST_PX * factor / max(last, 1e-9)))
            if last < _DONE_PX * factor:
                break
        normal = gather(sums, loose_px, steps, settings=settings, places=middles / size)
        view = shrink_view(small, 1 / factor)
    assert normal is not None
    cover = normal.covariance(hold) * (settings.pattern_doubt * normal.discord) ** 2
    return UnitFit(view, cover, normal.scatter_px, normal.units, last, normal.discord)


def _moved_px(view: View, points_mm: np.ndarray, step: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.sum((point_steps(view, points_mm) @ step) ** 2, axis=-1))))
