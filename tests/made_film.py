"""A film of an invented board of 30 by 20 mm at rest, for tests of what is left out of a rise or an excess."""

import numpy as np

from thermscan.model.film import BoardGrid, Film

GRID = BoardGrid(0.5, 0.5, 1.0, 30, 20)
NOISE_K = 0.05


def noisy(change, *, seed=0):
    """Return a change, ndarray (bins, rows, columns), with camera noise."""
    return (change + NOISE_K * np.random.default_rng(seed).normal(size=change.shape)).astype(np.float32)


def film_of(values, *, width_s):
    """Return the film that shows these values, K, over a board of 23 C, bins of a width."""
    return Film(
        grid=GRID, edges_s=np.arange(len(values) + 1) * width_s, clock="power_on", mean=values + 23,
        frames=np.ones(len(values), int), cold=np.full(GRID.shape, 23.0), cold_frames=20,
        noise=np.full(GRID.shape, NOISE_K), correlation_mm=0.3, position_error_mm=0.02,
        inside=np.ones(GRID.shape, bool), readable=np.ones(GRID.shape, bool), pixel_mm=1.0,
    )  # fmt: skip
