"""Evidence about a pose unit by unit: each part may sit a little elsewhere on its board, and counts once.

Neighbouring pixels of one part err together: its body was placed a tenth of a millimetre off, its edge was dragged by
heat. The displacement of each unit (a part, or a block of the surface and the outline) is therefore taken as random,
with the tolerance of boards known and the rest estimated from how the units scatter; large contrast then does not
make one part rule the pose, and the covariance says what the pose can really be known to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from thermscan.measure.placement_layout import picture_window, polygon_cover
from thermscan.measure.placement_pose import PARAMETERS, View
from thermscan.measure.placement_tiles import Tile, huber_weight, solve_columns
from thermscan.model.board import Board
from thermscan.model.pose import map_points
from thermscan.model.settings import PlacementSettings

_TAILS = 4.0  # degrees of freedom of the Student distribution that displacements of units are taken from
_LEAST_ANSWER = 0.2  # of a weighted score to the score: Student's own is 0.5
_CLEAR = 1e-3  # of the best information of a channel, below which a direction of a unit says nothing


@dataclass(frozen=True)
class Units:
    """Which unit each pixel belongs to: ``label`` ndarray of int (rows, columns), ``tolerance_px`` ndarray (units,)."""

    label: np.ndarray
    tolerance_px: np.ndarray


@dataclass(frozen=True)
class UnitSums:
    """What each unit says about its displacement in the picture, channel by channel, as if noise were white.

    ``info`` is ndarray (channels, units, 2, 2), 1/px2, ``score`` ndarray (channels, units, 2), 1/px, ``response``
    ndarray (channels, units, 2, 2), 1/px2: how the score follows a displacement, ``info`` where it is None.
    """

    info: np.ndarray
    score: np.ndarray
    response: np.ndarray | None = None


@dataclass(frozen=True)
class Normal:
    """Normal equations of a pose.

    Attributes
    ----------
    curvature : ndarray of shape (8, 8)
        For steps: weights held.
    slope : ndarray of shape (8,)
    answer : ndarray of shape (8, 8)
        How the slope follows the pose, weights following too: less than ``curvature`` where units disagree.
    spread : ndarray of shape (8, 8)
        Covariance of the slope, neighbouring units erring alike.
    scatter_px : tuple of float
        Displacement of units beyond noise and tolerance, standard deviation, one a channel.
    units : float
        How many units count, weights included.
    discord : float
        Square root of the chi-square of the channels about their joint pose over its degrees of freedom, at least
        one (Birge, Physical Review 40, 1932, from memory): what contrast and heat change say differently.
    """

    curvature: np.ndarray
    slope: np.ndarray
    answer: np.ndarray
    spread: np.ndarray
    scatter_px: tuple[float, ...]
    units: float
    discord: float = 1.0

    def covariance(self, hold: np.ndarray) -> np.ndarray:
        """Return the covariance of the pose, ndarray (8, 8): that of an M-estimate (Huber 1967, from memory).

        ``hold`` is the information, ndarray (8, 8), of what else is known.
        """
        inverse = np.linalg.inv(self.answer + hold)
        return inverse @ (self.spread + hold) @ inverse


def draw_units(board: Board, view: View, shape: tuple[int, int], *, side: str, settings: PlacementSettings) -> Units:
    """Return the units of a picture: one for each part in view, blocks for all the rest.

    Parameters
    ----------
    board : Board
    view : View
    shape : tuple of int
        Rows and columns.
    side : {'top', 'bottom'}
    settings : PlacementSettings
        Tolerance of parts; the surface and the outline have half of it.
    """
    per_mm = view.focal_px / float(view.shift_mm[2])
    tolerance = settings.layout_tolerance_mm * per_mm
    label, count = _surface_units(board, view, shape, settings)
    parts = 0
    for part in sorted(board.parts_on(side), key=lambda p: p.height_mm or 0.0):
        top = view.homography(float(part.height_mm or 0.0))
        window = picture_window(map_points(top, part.corners_mm()), settings.part_rim_px, shape)
        if window is None:
            continue
        y, x = np.mgrid[window].astype(float)
        at = map_points(np.linalg.inv(top), np.stack([x, y], axis=-1)) - (part.x, part.y)
        turn, grown = np.radians(part.rotation), settings.part_rim_px / per_mm
        along = np.abs(at @ [np.cos(turn), np.sin(turn)]) < part.w / 2 + grown
        across = np.abs(at @ [-np.sin(turn), np.cos(turn)]) < part.h / 2 + grown
        label[window][along & across] = count + parts
        parts += 1
    return Units(label, np.r_[np.full(count, tolerance / 2), np.full(parts, tolerance)])


def _surface_units(
    board: Board, view: View, shape: tuple[int, int], settings: PlacementSettings
) -> tuple[np.ndarray, int]:
    """Return blocks of the surface, and for the rim one unit for each stretch of the outline nearest to one corner."""
    corners = map_points(view.homography(), _main_corners(board))
    longer = float(np.max(np.ptp(corners, axis=0)))
    edge = max(settings.least_block_px, longer / settings.blocks_across)
    row, column = (np.floor(np.arange(n) / edge).astype(int) for n in shape)
    label = row[:, None] * (column[-1] + 1) + column[None]
    blocks = int(label.max()) + 1
    outline = polygon_cover(map_points(view.homography(), board.outline_mm), shape, settings.outline_rim_px)
    rim = (outline.cover > 0.02) & (outline.cover < 0.98)
    y, x = np.nonzero(rim)
    away = np.hypot(x[:, None] - corners[None, :, 0], y[:, None] - corners[None, :, 1])
    label[rim] = blocks + np.argmin(away, axis=1)
    return label, blocks + len(corners)


def _main_corners(board: Board) -> np.ndarray:
    """Return corners of the outline, ndarray (n, 2) mm, those left out that lie near one before them."""
    near = 0.15 * float(np.max(np.ptp(board.outline_mm, axis=0)))
    kept: list[np.ndarray] = []
    for corner in board.outline_mm:
        if all(np.hypot(*(corner - other)) > near for other in kept):
            kept.append(corner)
    return np.array(kept)


def sum_units(
    tiles: Sequence[Tile],
    channels: np.ndarray,
    valid: np.ndarray,
    units: Units,
    *,
    settings: PlacementSettings,
    slopes: np.ndarray | None = None,
) -> UnitSums:
    """Return what the units say about their displacement under the columns of the tiles.

    Parameters
    ----------
    tiles : sequence of Tile
    channels : ndarray of shape (channels, rows, columns)
    valid : ndarray of bool, shape (rows, columns)
    units : Units
    settings : PlacementSettings
    slopes : ndarray of shape (channels, 2, rows, columns) or None, 1/px
        Of the channels themselves, along the axes that the columns' slopes run along; tells what the scores answer to.
    """
    count = len(units.tolerance_px)
    sums = np.zeros((len(channels), 9, count))
    for tile in tiles:
        window = (tile.rows, tile.columns)
        use = np.flatnonzero(valid[window])
        if not tile.moves or len(use) < 0.1 * len(tile.basis) + 3:
            continue
        basis, along_x, along_y = tile.basis[use], tile.along_x[use], tile.along_y[use]
        label = units.label[window].ravel()[use]
        for c, channel in enumerate(channels):
            data = channel[window].ravel()[use]
            weight, factors = _mixture(basis, data, np.ones(len(use)), settings)
            both = -np.column_stack([along_x @ factors, along_y @ factors])
            if slopes is not None:
                both = np.hstack([both, slopes[c][(slice(None), *window)].reshape(2, -1).T[use]])
            # A movement that looks like a change of brightness says nothing: what the columns explain is taken off.
            both = both - basis @ solve_columns(basis, weight, both)
            left = data - basis @ factors
            x, y = both.T[:2]
            u, v = both.T[-2:]
            for k, product in enumerate((x * x, x * y, y * y, x * left, y * left, x * u, x * v, y * u, y * v)):
                sums[c, k] += np.bincount(label, weight * product, count)
    info = np.stack([sums[:, [0, 1]], sums[:, [1, 2]]], axis=1).transpose(0, 3, 1, 2)
    response = np.stack([sums[:, [5, 6]], sums[:, [7, 8]]], axis=1).transpose(0, 3, 1, 2)
    return UnitSums(info, sums[:, 3:5].transpose(0, 2, 1), response)


def _mixture(
    basis: np.ndarray, data: np.ndarray, inside: np.ndarray, settings: PlacementSettings
) -> tuple[np.ndarray, np.ndarray]:
    """Return weights over variance, ndarray (pixels,), and the factors of the columns."""
    first = data - basis @ solve_columns(basis, inside, data)
    weight = huber_weight(first, inside, settings.huber)
    factors = solve_columns(basis, weight, data)
    total = float(weight.sum())
    variance = float(weight @ (data - basis @ factors) ** 2) / max(total - basis.shape[1], 0.25 * total, 1.0)
    return weight / (variance + settings.floor_share**2), factors


def unit_middles(units: Units, valid: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Return the mean of places, ndarray (rows, columns, 2), over the valid pixels of each unit, (units, 2)."""
    count = len(units.tolerance_px)
    label, shown = units.label[valid], places[valid]
    many = np.maximum(np.bincount(label, minlength=count), 1)
    return np.column_stack([np.bincount(label, shown[:, k], count) / many for k in range(2)])


@dataclass(frozen=True)
class _Channel:
    """What the clear axes of all units say in one channel.

    ``score`` ndarray (axes,), ``pull`` (axes, 8) how the pose moves it, ``variance`` and ``weight`` (axes,), ``unit``
    (axes,) and ``along`` (axes, 2) px, its direction. ``answer`` is how a weighted score in sigmas follows the score,
    ``power`` its mean square (Huber 1964: the asymptotic variance is power over answer squared).
    """

    score: np.ndarray
    pull: np.ndarray
    variance: np.ndarray
    weight: np.ndarray
    unit: np.ndarray
    along: np.ndarray
    answer: float
    power: float
    scatter_px: float

    def normal(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the curvature, ndarray (8, 8), and the slope, ndarray (8,), of this channel alone."""
        share = self.weight / self.variance
        return (self.pull.T * share) @ self.pull, self.pull.T @ (share * self.score)

    def plain(self) -> np.ndarray:
        """Return the curvature, ndarray (8, 8), with all weights one."""
        return (self.pull.T / self.variance) @ self.pull


def gather(
    sums: UnitSums,
    tolerance_px: np.ndarray,
    steps: np.ndarray,
    *,
    settings: PlacementSettings,
    places: np.ndarray | None = None,
) -> Normal:
    """Return the normal equations of the pose, each unit's displacement taken as random.

    Parameters
    ----------
    sums : UnitSums
    tolerance_px : ndarray of shape (units,)
        Standard deviation of a displacement that boards are known to have.
    steps : ndarray of shape (units, 2, 8)
        How the pose moves each unit, px.
    settings : PlacementSettings
    places : ndarray of shape (units, 2) or None
        In sizes of the board; units that are near each other err alike. None: each by itself.

    Notes
    -----
    A unit of information a (along one of its two independent axes) whose score answers to a displacement by b has,
    displaced by d, the score b d, whose variance is ``noise a + (tolerance2 + scatter2) b2``; a marginal likelihood
    (Student, so that a hotspot or a part that is missing weighs little) gives noise and scatter, channel by channel.
    The information alone would be too hopeful: slopes of noise, and edges that only one picture shows, are in it.
    """
    responses = sums.info if sums.response is None else sums.response
    channels = [
        _channel(info, score, response, tolerance_px, steps)
        for info, score, response in zip(sums.info, sums.score, responses, strict=True)
    ]
    each = [c.normal() for c in channels]
    answer = sum(c.answer * c.plain() for c in channels)
    counted = [c.weight[np.unique(c.unit, return_index=True)[1]].sum() for c in channels]
    spread = _slope_spread(channels, places, settings)
    scatters = tuple(c.scatter_px for c in channels)
    units = float(np.mean(counted))
    return Normal(sum(c for c, _ in each), sum(s for _, s in each), answer, spread, scatters, units, _discord(each))


def _channel(
    info: np.ndarray, score: np.ndarray, response: np.ndarray, tolerance_px: np.ndarray, steps: np.ndarray
) -> _Channel:
    values, axes = np.linalg.eigh(info)
    values = np.maximum(values, 0)
    scores = np.einsum("bij,bi->bj", axes, score)
    follows = np.maximum(np.einsum("bij,bik,bkj->bj", axes, response, axes), 0)
    clear = (values > _CLEAR * max(float(values.max()), 1e-12)) & (follows > 0)
    known2 = np.broadcast_to(tolerance_px[:, None] ** 2, values.shape)
    noise, scatter2 = _spread(values[clear], follows[clear], scores[clear], known2[clear])
    variance = noise * np.maximum(values, 1e-12) + (known2 + scatter2) * follows**2
    square = np.where(clear, scores**2 / variance, 0)
    odd = _TAILS + square.sum(axis=1, keepdims=True)
    weight = np.broadcast_to((_TAILS + 2) / odd, values.shape)
    follow = (weight - 2 * (_TAILS + 2) * square / odd**2)[clear]
    power = (weight**2 * square)[clear]
    unit, side = np.nonzero(clear)
    along = axes[unit, :, side]
    pull = np.einsum("ni,nij->nj", along, steps[unit]) * follows[clear][:, None]
    answer = max(float(follow.mean()), _LEAST_ANSWER) if len(follow) else 1.0
    return _Channel(
        score=scores[clear],
        pull=pull,
        variance=variance[clear],
        weight=weight[clear],
        unit=unit,
        along=along,
        answer=answer,
        # units that agree by chance do not make the pose surer than the tolerance of boards
        power=max(float(power.mean()), answer**2) if len(power) else 1.0,
        scatter_px=float(np.sqrt(scatter2)),
    )


def _slope_spread(channels: Sequence[_Channel], places: np.ndarray | None, settings: PlacementSettings) -> np.ndarray:
    """Return the covariance of the slope, ndarray (8, 8), from how alike the errors of near units are."""
    pull = np.concatenate([c.pull * np.sqrt(c.power / c.variance)[:, None] for c in channels])
    alone = pull.T @ pull
    if places is None:
        return alone
    at, along = (np.concatenate(v) for v in zip(*((places[c.unit], c.along) for c in channels), strict=True))
    number = np.repeat(np.arange(len(channels)), [len(c.unit) for c in channels])
    gap = np.sqrt(((at[:, None] - at[None]) ** 2).sum(axis=-1))
    alike = settings.alike_share * np.exp(-gap / settings.alike_reach) * (along @ along.T)
    alike *= np.where(number[:, None] == number[None], 1.0, settings.alike_channels)
    np.fill_diagonal(alike, 0.0)
    return alone + pull.T @ alike @ pull


def _discord(each: list[tuple[np.ndarray, np.ndarray]]) -> float:
    """Return how much farther the poses of single channels lie apart than their information allows, at least one."""
    information = float(np.trace(sum(c for c, _ in each)))
    if len(each) < 2 or information <= 0:
        return 1.0
    weak = 1e-6 * information / PARAMETERS * np.eye(PARAMETERS)
    joint = np.linalg.solve(sum(c for c, _ in each) + weak, sum(s for _, s in each))
    square = 0.0
    for curvature, slope in each:
        gap = np.linalg.solve(curvature + weak, slope) - joint
        square += float(gap @ curvature @ gap)
    return float(np.sqrt(max(square / (PARAMETERS * (len(each) - 1)), 1.0)))


def _spread(values: np.ndarray, follows: np.ndarray, scores: np.ndarray, known2: np.ndarray) -> tuple[float, float]:
    """Return the factor on white noise and the scatter, px2, that make the scores of units most likely."""
    if len(values) < 6:
        return 10.0, 0.1
    z = scores**2
    noise = np.geomspace(0.5, 300.0, 25)[:, None, None]
    scatter2 = np.concatenate([[0.0], np.geomspace(0.02, 1.5, 20)])[None, :, None] ** 2
    variance = noise * values + (scatter2 + known2) * follows**2
    cost = (0.5 * np.log(variance) + 0.5 * (_TAILS + 1) * np.log1p(z / (_TAILS * variance))).sum(axis=-1)
    i, j = np.unravel_index(int(np.argmin(cost)), cost.shape)
    return float(noise[i, 0, 0]), float(scatter2[0, j, 0])
