"""What misplacing does to the mean over some cells: slopes on opposite sides take each other off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

RIM = 2  # cells around those asked for that their slopes and curvatures come from


def slope_along(field: np.ndarray, axis: int) -> np.ndarray:
    """Return the difference a cell along an axis of a field, same shape.

    The mean of the differences to both neighbours, of those that are known: beside cells that are not (NaN: hidden
    behind a tall part, say) from the other side, and 0 where neither is.
    """
    field = np.asarray(field)
    step = np.diff(field, axis=axis)
    known = np.isfinite(step)
    rim = [(0, 0)] * field.ndim
    rim[axis] = (1, 1)
    total, count = (np.pad(a, rim) for a in (np.where(known, step, 0), known.astype(np.int8)))
    first, second = np.arange(field.shape[axis]), np.arange(1, field.shape[axis] + 1)
    sides = np.take(count, first, axis) + np.take(count, second, axis)
    return (np.take(total, first, axis) + np.take(total, second, axis)) / np.maximum(sides, 1)


def mean_over_cells(field: np.ndarray, weights: np.ndarray, *, least_seen: float = 0.0) -> np.ndarray:
    """Return the weighted mean of (bins, rows, columns) over cells whose weights add to one, ndarray (bins,).

    NaN where cells of no more than ``least_seen`` of the weight are known.
    """
    cells = weights > 0
    values, share = field[:, cells], weights[cells]
    known = np.isfinite(values)
    seen = known @ share
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(seen > least_seen, np.where(known, values, 0) @ share / seen, np.nan)


@dataclass(frozen=True)
class Shift:
    """A picture that may lie elsewhere than thought: what it then changes looks like excess.

    Attributes
    ----------
    field : ndarray of shape (rows, columns) or (bins, rows, columns), K (or counts)
    error_mm : float or ndarray of shape (bins,)
        Standard error of its place, 2-D distance, alike in all directions.
    """

    field: np.ndarray
    error_mm: float | np.ndarray

    def error_of(self, weights: np.ndarray, step_mm: float) -> np.ndarray:
        """Return the standard error of the mean over cells of ``weights``, (rows, columns), ndarray (bins,) or (1,).

        The mean over the cells moves by its slope times the displacement and half its curvature times that squared;
        for a normal displacement of variance v along each axis the first adds v (gx2 + gy2), the second
        v2 (3 gxx2 + 2 gxx gyy + 3 gyy2) / 4 to the mean square.
        """
        rows, columns = np.nonzero(weights)
        near = tuple(slice(max(0, a.min() - RIM), a.max() + RIM + 1) for a in (rows, columns))
        field, share = self.field[..., near[0], near[1]], weights[near]
        down, right = (slope_along(field, axis) / step_mm for axis in (-2, -1))
        bent = [slope_along(slope, axis) / step_mm for slope, axis in ((down, -2), (right, -1))]
        share = np.where(np.isfinite(field), share, 0.0)
        total = np.maximum(share.sum(axis=(-2, -1)), 1e-12)
        gy, gx, cy, cx = ((a * share).sum(axis=(-2, -1)) / total for a in (down, right, *bent))
        variance = np.asarray(self.error_mm, float) ** 2 / 2
        first = variance * (gx**2 + gy**2)
        second = variance**2 * (3 * cx**2 + 2 * cx * cy + 3 * cy**2) / 4
        return np.atleast_1d(np.sqrt(first + second))
