"""Time courses of cells, of their neighbourhoods and of whole patterns of heat: faint heat shows in the larger ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from thermscan.measure.power_cells import MAD_TO_SD, SECOND_DIFFERENCE, CellSeries
from thermscan.model.settings import TimingSettings

CELL, NEAR, COARSE = 0, 1, 2  # groups of series whose noise is alike


@dataclass(frozen=True)
class PoolSeries:
    """Weighted means of cells against time.

    Attributes
    ----------
    times_s : ndarray of shape (samples,), s
    values : ndarray of shape (samples, series), unit of the frames
    noise : ndarray of shape (series,), same unit
        White part of the noise of a sample.
    group : ndarray of int, shape (series,)
        0 for cells, 1 for neighbourhoods of 3 x 3, 2 for blocks and patterns.
    weights : sparse matrix of shape (series, cells)
        Rows of unit length; none is negative.
    step_s, frame_s : float
        Median time between samples and between frames, s.
    seen : ndarray of bool, shape (samples,)
        False for samples drawn across missing frames.
    """

    times_s: np.ndarray
    values: np.ndarray
    noise: np.ndarray
    group: np.ndarray
    weights: sparse.csr_matrix
    step_s: float
    frame_s: float
    seen: np.ndarray


def pool_cells(cells: CellSeries, *, settings: TimingSettings) -> PoolSeries:
    """Add to the cells their means over neighbours, over blocks, and over patterns that warm or cool together.

    Parameters
    ----------
    cells : CellSeries
    settings : TimingSettings

    Returns
    -------
    PoolSeries
        The cells' own series first.

    Notes
    -----
    Patterns are the positive and the negative parts of the leading right singular vectors of the series in units
    of their noise, as many as stand above the largest singular value of pure noise, sqrt(samples) + sqrt(cells)
    (Geman 1980, Annals of Probability 8). Their weights have one sign, so that a pattern warms when its cells do.
    """
    count = len(cells.places)
    rows = [sparse.identity(count, format="csr"), _neighbours(cells), _blocks(cells, settings.block_cells)]
    rows.append(_patterns(cells, settings))
    group = np.repeat([CELL, NEAR, COARSE, COARSE], [r.shape[0] for r in rows])
    weights = sparse.vstack(rows).tocsr()
    share = np.asarray(weights.sum(axis=1)).ravel()
    values = (weights @ cells.values.T).T / share
    second = np.abs(np.diff(values, n=2, axis=0))
    measured = MAD_TO_SD * np.median(second, axis=0) / SECOND_DIFFERENCE
    expected = np.sqrt(weights.multiply(weights) @ np.square(cells.noise)) / share
    length = np.sqrt(np.asarray(weights.multiply(weights).sum(axis=1)).ravel())
    weights = sparse.diags(1.0 / length) @ weights
    noise = np.maximum(measured, expected)
    timing = (cells.step_s, cells.frame_s, cells.seen)
    return PoolSeries(cells.times_s, values, noise, group, weights.tocsr(), *timing)


def _grid_numbers(cells: CellSeries) -> np.ndarray:
    """Return the number of the cell at each place of the grid, widened by one on every side; -1 for none."""
    rows, columns = cells.places.max(axis=0) + 1
    number = np.full((rows + 2, columns + 2), -1)
    number[cells.places[:, 0] + 1, cells.places[:, 1] + 1] = np.arange(len(cells.places))
    return number


def _neighbours(cells: CellSeries) -> sparse.csr_matrix:
    """Weights of the 3 x 3 neighbourhood of each cell."""
    number = _grid_numbers(cells)
    row, column = cells.places[:, 0] + 1, cells.places[:, 1] + 1
    around = np.stack([number[row + i, column + j] for i in (-1, 0, 1) for j in (-1, 0, 1)], axis=1)
    centre, which = np.nonzero(around >= 0)
    shape = (len(cells.places), len(cells.places))
    return sparse.csr_matrix((np.ones(len(centre)), (centre, around[centre, which])), shape=shape)


def _blocks(cells: CellSeries, side: int) -> sparse.csr_matrix:
    """Weights of square blocks of cells."""
    label = (cells.places[:, 0] // side) * 100_000 + cells.places[:, 1] // side
    _, index = np.unique(label, return_inverse=True)
    shape = (int(index.max()) + 1, len(label))
    return sparse.csr_matrix((np.ones(len(label)), (index, np.arange(len(label)))), shape=shape)


def _patterns(cells: CellSeries, settings: TimingSettings) -> sparse.csr_matrix:
    """Weights of the patterns, positive and negative parts apart."""
    white = (cells.values - cells.values.mean(axis=0)) / cells.noise
    samples, count = white.shape
    if samples <= count:
        values, vectors = np.linalg.eigh(white @ white.T)
        right = white.T @ vectors[:, ::-1][:, : settings.most_patterns]
    else:
        values, vectors = np.linalg.eigh(white.T @ white)
        right = vectors[:, ::-1][:, : settings.most_patterns]
    size = np.sqrt(np.maximum(values[::-1][: settings.most_patterns], 0.0))
    right = right[:, size > np.sqrt(samples) + np.sqrt(count)]
    if not right.shape[1]:
        return sparse.csr_matrix((0, count))
    right = right / np.linalg.norm(right, axis=0)
    parts = np.concatenate([np.maximum(right, 0.0), np.maximum(-right, 0.0)], axis=1) / cells.noise[:, None]
    parts = parts[:, parts.max(axis=0) > 0]
    faint = parts < settings.pattern_edge * parts.max(axis=0)
    return sparse.csr_matrix(np.where(faint, 0.0, parts).T)


def choose_apart(pools: PoolSeries, strength: np.ndarray, *, settings: TimingSettings) -> np.ndarray:
    """Choose the series that answer most clearly and hardly share cells with each other.

    Parameters
    ----------
    pools : PoolSeries
    strength : ndarray of shape (series,)
        Response over its error, positive where the series answers.
    settings : TimingSettings

    Returns
    -------
    ndarray of int, shape (sources,)
        Strongest first, at most ``settings.most_sources``; empty where nothing is significant.
    """
    order = np.argsort(-strength)[: settings.most_active]
    order = order[strength[order] > settings.source_sigmas]
    rows = pools.weights[order]
    chosen: list[int] = []
    for k in range(len(order)):
        if chosen and np.max((rows[chosen] @ rows[k].T).toarray()) > settings.shared_most:
            continue
        chosen.append(k)
        if len(chosen) == settings.most_sources:
            break
    return order[chosen]
