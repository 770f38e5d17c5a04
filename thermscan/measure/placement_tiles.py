"""Likelihood of pictures under regions of free brightness, tile by tile, and its steps by the pose.

The picture is cut into tiles. In each, every channel is explained by columns (coverages or another picture, and
smooth background) whose factors are free and eliminated by least squares (variable projection, Golub & Pereyra
1973), with a noise variance of its own: tiles that no model explains count little, by themselves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from thermscan.measure.placement_pose import PARAMETERS
from thermscan.model.settings import PlacementSettings

_RIDGE = 1e-4  # of each column's own energy: keeps nearly equal columns apart without moving the fit


@dataclass(frozen=True)
class Tile:
    """Columns of one tile.

    Attributes
    ----------
    rows, columns : slice
        Window in the picture.
    basis : ndarray of shape (pixels, columns)
    along_x, along_y : ndarray of shape (pixels, columns), 1/px
        Derivative of those columns by pixel position where they move with the board, else zero.
    moves : bool
        False where nothing in the tile moves with the board.
    """

    rows: slice
    columns: slice
    basis: np.ndarray
    along_x: np.ndarray
    along_y: np.ndarray
    moves: bool = True


@dataclass(frozen=True)
class TileSums:
    """What the tiles say about the pose.

    Attributes
    ----------
    curvature : ndarray of shape (8, 8)
        Gauss-Newton matrix of the log-likelihood.
    slope : ndarray of shape (8,)
        Its gradient.
    spread : ndarray of shape (8, 8)
        Sum over blocks of the outer product of their gradients (what the gradient really varies by).
    log_likelihood : ndarray of shape (blocks,)
        Sum over channels, a block, less one for each column fitted.
    informative : int
        Number of blocks that the slope comes from.
    """

    curvature: np.ndarray
    slope: np.ndarray
    spread: np.ndarray
    log_likelihood: np.ndarray
    informative: int = 0

    def __add__(self, other: TileSums) -> TileSums:
        """Join independent evidence about the same view."""
        return TileSums(
            self.curvature + other.curvature,
            self.slope + other.slope,
            self.spread + other.spread,
            np.concatenate([self.log_likelihood, other.log_likelihood]),
            self.informative + other.informative,
        )


def tile_windows(shape: tuple[int, int], settings: PlacementSettings) -> list[tuple[slice, slice]]:
    """Return windows of about ``tile_px`` that cover a picture of ``shape`` without overlap."""
    cuts = []
    for size in shape:
        count = max(1, round(size / settings.tile_px))
        cuts.append(np.linspace(0, size, count + 1).round().astype(int))
    rows = [slice(a, b) for a, b in zip(cuts[0][:-1], cuts[0][1:], strict=True)]
    columns = [slice(a, b) for a, b in zip(cuts[1][:-1], cuts[1][1:], strict=True)]
    return [(r, c) for r in rows for c in columns]


def smooth_columns(rows: slice, columns: slice, degree: int = 2) -> np.ndarray:
    """Return polynomials over a window, ndarray (pixels, columns): 1, x, y and for degree 2 also x2, xy, y2."""
    y, x = np.meshgrid(
        np.linspace(-1, 1, rows.stop - rows.start), np.linspace(-1, 1, columns.stop - columns.start), indexing="ij"
    )
    x, y = x.ravel(), y.ravel()
    out = [np.ones_like(x), x, y]
    if degree == 2:
        out += [x * x - 1 / 3, x * y, y * y - 1 / 3]
    return np.column_stack(out)


def solve_columns(basis: np.ndarray, weight: np.ndarray, targets: np.ndarray) -> np.ndarray:
    """Return the factors of the columns of ``basis`` that fit the targets best, weighted least squares with a ridge.

    ``basis`` is ndarray (pixels, columns), ``weight`` (pixels,), ``targets`` (pixels,) or (pixels, targets).
    """
    weighted, gram = _normal_columns(basis, weight)
    return np.linalg.solve(gram, weighted.T @ targets)


def _normal_columns(basis: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return weighted columns, ndarray (pixels, columns), and their normal matrix with its ridge."""
    weighted = basis * weight[:, None]
    gram = weighted.T @ basis
    diagonal = np.diagonal(gram)
    return weighted, gram + np.diag(_RIDGE * diagonal + 1e-9 * (diagonal.max() + 1e-12))


def huber_weight(residual: np.ndarray, inside: np.ndarray, limit: float) -> np.ndarray:
    """Return weights after Huber (1964), ndarray (pixels,): ``inside``, less beyond ``limit`` robust sigmas."""
    scale = 1.4826 * float(np.median(np.abs(residual[inside > 0]))) + 1e-12
    size = np.abs(residual) / (limit * scale)
    return inside / np.maximum(size, 1.0)


class _Sums:
    """Running sums over tiles and channels."""

    def __init__(self, shape: tuple[int, int], block: int) -> None:
        self.block = block
        self.blocks = ((shape[0] - 1) // block + 1, (shape[1] - 1) // block + 1)
        self.curvature = np.zeros((PARAMETERS, PARAMETERS))
        self.scores = np.zeros((self.blocks[0] * self.blocks[1], PARAMETERS))
        self.log_likelihood = np.zeros(self.blocks[0] * self.blocks[1])

    def labels(self, tile: Tile) -> np.ndarray:
        row = np.arange(tile.rows.start, tile.rows.stop) // self.block
        column = np.arange(tile.columns.start, tile.columns.stop) // self.block
        return (row[:, None] * self.blocks[1] + column[None, :]).ravel()

    def done(self) -> TileSums:
        return TileSums(
            self.curvature,
            self.scores.sum(axis=0),
            self.scores.T @ self.scores,
            self.log_likelihood,
            int(self.scores.any(axis=1).sum()),
        )


def _add_channel(
    sums: _Sums,
    tile: Tile,
    data: np.ndarray,
    first: np.ndarray,
    inside: np.ndarray,
    floor: float,
    steps: np.ndarray | None,
    limit: float,
) -> None:
    """Add one channel of a tile; ``first`` is what its columns leave before pixels are weighted."""
    basis = tile.basis
    weight = huber_weight(first, inside, limit)
    weighted, gram = _normal_columns(basis, weight)
    factors = np.linalg.solve(gram, weighted.T @ data)
    residual = data - basis @ factors
    total = float(weight.sum())
    variance = float(weight @ residual**2) / max(total - basis.shape[1], 0.25 * total, 1.0) + floor**2
    labels = sums.labels(tile)
    # Every column fits some noise; without its cost the layout with most columns would win (Akaike 1974).
    cost = basis.shape[1] / max(float(inside.sum()), 1.0)
    value = -inside * (0.5 * np.log(variance) + cost) - 0.5 * weight * residual**2 / variance
    sums.log_likelihood += np.bincount(labels, value, len(sums.log_likelihood))
    if steps is None or not tile.moves:
        return
    slope_x, slope_y = tile.along_x @ factors, tile.along_y @ factors
    jacobian = -(slope_x[:, None] * steps[:, 0] + slope_y[:, None] * steps[:, 1])
    jacobian = jacobian - basis @ np.linalg.solve(gram, weighted.T @ jacobian)
    pull = jacobian * (weight / variance)[:, None]
    sums.curvature += pull.T @ jacobian
    for k, score in enumerate((pull * residual[:, None]).T):
        sums.scores[:, k] += np.bincount(labels, score, len(sums.scores))


def sum_tiles(
    tiles: Sequence[Tile],
    channels: np.ndarray,
    valid: np.ndarray,
    *,
    floors: np.ndarray,
    steps: np.ndarray | None,
    settings: PlacementSettings,
) -> TileSums:
    """Return likelihood and pose steps of the channels under the columns of the tiles.

    Parameters
    ----------
    tiles : sequence of Tile
    channels : ndarray of shape (channels, rows, columns)
        Finite everywhere.
    valid : ndarray of bool, shape (rows, columns)
    floors : ndarray of shape (channels,), unit of the channels
        Standard deviation below which a residual is not believed to be noise free.
    steps : ndarray of shape (rows, columns, 2, 8) or None
        Movement of the board at each pixel by the pose parameters, px; None for the likelihood alone.
    settings : PlacementSettings

    Returns
    -------
    TileSums

    Notes
    -----
    Residuals are weighted after Huber (1964), so a hotspot that no column explains pulls little. Neighbouring
    pixels are not independent; ``TileSums.spread`` says what the errors really are, ``curvature`` is too hopeful.
    """
    shape = valid.shape
    sums = _Sums((shape[0], shape[1]), max(2, round(settings.block_px)))
    for tile in tiles:
        window = (tile.rows, tile.columns)
        inside = valid[window].ravel().astype(float)
        if inside.sum() < 0.25 * inside.size + 3:
            continue
        local = None
        if steps is not None and tile.moves:
            local = steps[window].reshape(-1, 2, PARAMETERS)
        data = channels[:, tile.rows, tile.columns].reshape(len(channels), -1)
        firsts = data - (tile.basis @ solve_columns(tile.basis, inside, data.T)).T
        for values, first, floor in zip(data, firsts, floors, strict=True):
            _add_channel(sums, tile, values, first, inside, float(floor), local, settings.huber)
    return sums.done()


def tile_residuals(
    tiles: Sequence[Tile], channels: np.ndarray, valid: np.ndarray, *, settings: PlacementSettings
) -> np.ndarray:
    """Return what the columns of the tiles leave unexplained, ndarray (channels, rows, columns), zero where not valid.

    Parameters
    ----------
    tiles : sequence of Tile
    channels : ndarray of shape (channels, rows, columns)
    valid : ndarray of bool, shape (rows, columns)
    settings : PlacementSettings
    """
    out = np.zeros_like(channels)
    for tile in tiles:
        window = (tile.rows, tile.columns)
        inside = valid[window].ravel().astype(float)
        if inside.sum() < 0.25 * inside.size + 3:
            continue
        for number, channel in enumerate(channels):
            data = channel[window].ravel()
            first = data - tile.basis @ solve_columns(tile.basis, inside, data)
            weight = huber_weight(first, inside, settings.huber)
            left = (data - tile.basis @ solve_columns(tile.basis, weight, data)) * inside
            out[number][window] = left.reshape(valid[window].shape)
    return out


def vuong_z(best: np.ndarray, rival: np.ndarray) -> float:
    """Return the z value of the test that one set of log-likelihoods beats another on the same blocks.

    Parameters
    ----------
    best, rival : ndarray of the same shape
        Log-likelihood a block.

    Returns
    -------
    float
        Mean difference over its standard error (Vuong, Econometrica 1989, for models that do not contain each
        other); blocks are taken as independent. The standard error of few blocks is itself uncertain: the ratio is
        Student's and is returned as the normal value that is as rare (Wallace's approximation, 1959, from memory).
    """
    gap = (best - rival).ravel()
    if gap.size < 2:
        return 0.0
    ratio = float(gap.sum() / np.sqrt(gap.size * gap.var(ddof=1) + 1e-12))
    free = gap.size - 1
    size = (8 * free + 1) / (8 * free + 3) * np.sqrt(free * np.log1p(ratio**2 / free))
    return float(np.copysign(size, ratio))
