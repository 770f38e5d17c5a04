"""How every place answers each edge, all edges and places fitted together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.measure.power_edges import Kinks, base_columns, onset
from thermscan.measure.power_pools import PoolSeries
from thermscan.model.settings import TimingSettings


@dataclass(frozen=True)
class EdgeFit:
    """How every cell answers each edge.

    Attributes
    ----------
    times_s : ndarray of shape (edges,), s
        Moments of the edges, increasing.
    response : ndarray of shape (edges, cells), unit of the frames
        Change that the edge has made after ``horizon_s``; positive where the cell begins to warm.
    error : ndarray of shape (edges, cells), same unit
        Its standard error.
    wander : ndarray of shape (series,)
        See ``Kinks``.
    horizon_s : float
    """

    times_s: np.ndarray
    response: np.ndarray
    error: np.ndarray
    wander: np.ndarray
    horizon_s: float


@dataclass(frozen=True)
class _Normal:
    """Normal equations of all cells; ``blocks`` lists the columns of each edge, ``first`` counts those of no edge."""

    gram: np.ndarray
    pull: np.ndarray
    total: np.ndarray
    first: int
    width: int

    def columns(self, edges: list[int]) -> np.ndarray:
        """Return the column numbers of the base and of some edges."""
        parts = [np.arange(self.first + self.width * e, self.first + self.width * (e + 1)) for e in edges]
        return np.concatenate([np.arange(self.first), *parts]).astype(int)

    def solve(self, edges: list[int]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return weights (columns, cells), inverse (columns, columns) and what is left of each cell's squares."""
        at = self.columns(edges)
        inverse = np.linalg.inv(self.gram[np.ix_(at, at)])
        weights = inverse @ self.pull[at]
        return weights, inverse, self.total - (weights * self.pull[at]).sum(axis=0)


def fit_edges(pools: PoolSeries, kinks: Kinks, breaks_s: np.ndarray, *, settings: TimingSettings) -> EdgeFit:
    """Read how much each cell answers each edge.

    Parameters
    ----------
    pools : PoolSeries
    kinks : Kinks
    breaks_s : ndarray of shape (events,), s
        Known steps of the camera.
    settings : TimingSettings

    Returns
    -------
    EdgeFit

    Notes
    -----
    All edges are fitted together, each with a few first-order responses under a normal prior of
    ``settings.prior_sigmas`` times the noise. Two edges close to each other can stand in for one another, which would
    leave the size of both open; so a cell is given the one of them that it can spare least, and its size is read
    without the other.
    """
    times, edges = pools.times_s, kinks.times_s
    horizon = max(2.0 * pools.step_s, settings.response_s)
    constants = settings.response_fastest_s * settings.response_ratio ** np.arange(settings.response_constants)
    normal = _normal(pools, kinks, breaks_s, constants, settings)
    late = -np.expm1(-horizon / constants)
    everything = list(range(len(edges)))
    _, _, left = normal.solve(everything)
    free = max(1, len(times) - len(normal.gram))
    noise = pools.noise * np.maximum(np.sqrt(np.maximum(left, 0.0) / free), kinks.wander)
    units = (pools.noise, noise)
    loss = np.array([normal.solve([k for k in everything if k != e])[2] - left for e in everything])
    response, error = np.zeros((2, len(edges), pools.values.shape[1]))
    for e in everything:
        rivals = [k for k in everything if k != e and abs(edges[k] - edges[e]) < settings.rival_s]
        response[e], error[e] = _size(normal, e, everything, late, units)
        if rivals:
            alone = _size(normal, e, [k for k in everything if k not in rivals], late, units)
            owner = loss[e] > loss[rivals].max(axis=0)
            response[e], error[e] = np.where(owner, alone, (response[e], error[e]))
    return EdgeFit(edges, response, error, kinks.wander, horizon)


def _normal(
    pools: PoolSeries, kinks: Kinks, breaks_s: np.ndarray, constants: np.ndarray, settings: TimingSettings
) -> _Normal:
    """Set up the normal equations in units of each cell's noise."""
    base = base_columns(pools.times_s, constants, breaks_s, settings.slow_s)
    base, _ = np.linalg.qr(base)
    design = np.concatenate([base, *(onset(pools.times_s, edge, constants) for edge in kinks.times_s)], axis=1)
    series = pools.values / pools.noise
    prior = np.full(design.shape[1], settings.prior_sigmas**-2.0)
    prior[: base.shape[1]] = 1e-9
    gram = design.T @ design + np.diag(prior)
    return _Normal(gram, design.T @ series, np.square(series).sum(axis=0), base.shape[1], len(constants))


def _size(
    normal: _Normal, edge: int, kept: list[int], late: np.ndarray, units: tuple[np.ndarray, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Response to one edge at the horizon and its error, two ndarrays (pools,), K."""
    weights, inverse, _ = normal.solve(kept)
    at = normal.first + normal.width * kept.index(edge) + np.arange(normal.width)
    size = late @ weights[at]
    error = np.sqrt(late @ inverse[np.ix_(at, at)] @ late)
    return size * units[0], error * units[1]


def history(
    pools: PoolSeries, wander: np.ndarray, until_s: float, *, sigmas: float, settings: TimingSettings
) -> tuple[float, float]:
    """Largest warming and largest cooling that went on before a moment, K over ``settings.response_s``.

    Parameters
    ----------
    pools : PoolSeries
    wander : ndarray of shape (series,)
    until_s : float
        Samples up to here, and at most ``settings.history_s`` of them, are looked at.
    sigmas : float
        Trend over its error from which a place counts.
    settings : TimingSettings

    Returns
    -------
    warming, cooling : float
        The one that outweighs the other by ``settings.history_balance``; zero where not significant.
    """
    times = pools.times_s
    rows = (times <= until_s) & (times >= until_s - settings.history_s)
    if rows.sum() < settings.fit_least:
        return 0.0, 0.0
    since = times[rows] - times[rows].mean()
    change = since @ pools.values[rows] / np.square(since).sum() * settings.response_s
    error = pools.noise * wander / np.sqrt(np.square(since).sum()) * settings.response_s
    sure = np.abs(change) > sigmas * error
    warming = float(np.max(change, where=sure, initial=0.0))
    cooling = float(-np.min(change, where=sure, initial=0.0))
    if warming > settings.history_balance * cooling:
        return warming, 0.0
    return 0.0, cooling if cooling > settings.history_balance * warming else 0.0
