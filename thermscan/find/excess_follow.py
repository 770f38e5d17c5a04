"""How far one map of a board follows another, with an error that holds where neighbouring cells err together."""

from __future__ import annotations

import numpy as np


def follows(values: np.ndarray, by: np.ndarray, known: np.ndarray, *, tiles: int) -> tuple[float, float]:
    """Return the slope of one map by another, level taken off, and its standard error.

    Parameters
    ----------
    values, by : ndarray of shape (rows, columns)
    known : ndarray of bool, shape (rows, columns)
        Cells that count.
    tiles : int
        Tiles along each side of what is known.

    Returns
    -------
    slope, error : float
        The error is infinite where fewer than four tiles say anything, or one of them nearly all.

    Notes
    -----
    Least squares; the error is the scatter of the tiles' own contributions (a clustered, 'sandwich' estimate): noise
    that is smooth over a tile, a reflection say, is no more certain for being seen in many cells.
    """
    if not known.any():
        return 0.0, np.inf
    x = by[known] - by[known].mean()
    y = values[known] - values[known].mean()
    size = float(x @ x)
    if size <= 0:
        return 0.0, np.inf
    slope = float(x @ y) / size
    rows, columns = np.nonzero(known)
    across = [_numbered(place, tiles) for place in (rows, columns)]
    label = across[0] * tiles + across[1]
    scores = np.bincount(label, x * (y - slope * x), minlength=tiles**2)
    weights = np.bincount(label, x * x, minlength=tiles**2) / size
    used = int((weights > 0).sum())
    effective = 1 / float(weights @ weights)
    if used < 4 or effective < 2:
        return slope, np.inf
    return slope, float(np.sqrt(scores @ scores * effective / (effective - 1))) / size


def _numbered(place: np.ndarray, tiles: int) -> np.ndarray:
    first, last = int(place.min()), int(place.max())
    return np.minimum((place - first) * tiles // max(last - first + 1, 1), tiles - 1)
