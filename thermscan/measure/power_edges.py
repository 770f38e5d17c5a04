"""Moments at which many places at once begin to warm or to cool: kinks in their time courses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import oaconvolve
from scipy.stats import norm

from thermscan.measure.power_cells import MAD_TO_SD, SECOND_DIFFERENCE, CellSeries
from thermscan.model.settings import TimingSettings


@dataclass(frozen=True)
class EdgeFit:
    """Kinks common to all cells, and how every cell answers each of them.

    Attributes
    ----------
    times_s : ndarray of shape (edges,), s
        Moments of the kinks, increasing.
    response : ndarray of shape (edges, cells), unit of the frames
        Change that the kink has made after ``horizon_s``; positive where the cell begins to warm.
    error : ndarray of shape (edges, cells), same unit
        Its standard error.
    history : ndarray of shape (cells,), same unit
        Change over the first ``horizon_s`` of the recording: heat of what happened before it.
    history_error : ndarray of shape (cells,)
    residual : ndarray of shape (samples, cells)
        Time courses less the fit.
    horizon_s : float
    """

    times_s: np.ndarray
    response: np.ndarray
    error: np.ndarray
    history: np.ndarray
    history_error: np.ndarray
    residual: np.ndarray
    horizon_s: float


def time_constants(duration_s: float, step_s: float, settings: TimingSettings) -> np.ndarray:
    """Time constants of the responses, s: from one sample to the length of the recording, equally spaced in log."""
    low = max(settings.fastest_s, step_s)
    count = max(2, int(np.ceil(np.log(max(duration_s / low, 3.0)) / np.log(settings.constant_ratio))) + 1)
    return low * settings.constant_ratio ** np.arange(count)


def onset(times_s: np.ndarray, when_s: float, constants_s: np.ndarray) -> np.ndarray:
    """First-order responses to a step of power at ``when_s``, ndarray (samples, constants), 0 before and 1 late."""
    since = np.clip(times_s - when_s, 0.0, None)[:, None]
    return -np.expm1(-since / constants_s)


def kink_kernel(half: int) -> np.ndarray:
    """Unit filter for a kink in the middle of ``2 half + 1`` samples, blind to any cubic drift.

    A kink is ``max(x, 0)``; what a cubic can imitate of it is removed, so that smooth warming, cooling and
    drift of camera or air give no answer.
    """
    x = np.arange(-half, half + 1) / half
    smooth = np.vander(x, 4)
    ramp = np.maximum(x, 0.0)
    rest = ramp - smooth @ np.linalg.lstsq(smooth, ramp, rcond=None)[0]
    return rest / np.linalg.norm(rest)


def _halves(samples: int, settings: TimingSettings) -> list[int]:
    """Half widths of the kink filters, samples."""
    out, half = [], float(settings.narrowest_half)
    while 2 * half + 1 <= samples and half <= settings.widest_half:
        out.append(round(half))
        half *= settings.width_ratio
    return out


def _kinks(series: np.ndarray, half: int) -> np.ndarray:
    """Kink filter of every cell, ndarray like ``series``; zero where the filter leaves the recording."""
    answer = oaconvolve(series, kink_kernel(half)[::-1, None], mode="valid", axes=0)
    out = np.zeros_like(series)
    out[half : half + len(answer)] = answer
    return out


def _inflation(z: np.ndarray, half: int) -> float:
    """How much wider the filtered noise of quiet cells is than white noise would be; at least 1."""
    inside = z[half : len(z) - half]
    if len(inside) < 4:
        return 1.0
    spread = MAD_TO_SD * np.median(np.abs(inside), axis=0)
    return max(1.0, float(np.median(spread)))


@dataclass
class _Search:
    """Working state of the search: whitened series and the columns explained so far."""

    times: np.ndarray
    series: np.ndarray  # (samples, cells), in units of each cell's noise
    basis: np.ndarray  # orthonormal columns explained so far
    residual: np.ndarray
    constants: np.ndarray
    inflation: dict[int, float]
    raw: dict[int, np.ndarray]
    floor: float

    def gain(self, when: float) -> tuple[np.ndarray, np.ndarray]:
        """Return the new orthonormal columns of a kink at ``when`` and the squared drop of each cell."""
        columns = onset(self.times, when, self.constants)
        columns = columns - self.basis @ (self.basis.T @ columns)
        left, size, _ = np.linalg.svd(columns, full_matrices=False)
        left = left[:, size > 1e-6 * max(size[0], 1e-12)]
        return left, np.square(left.T @ self.residual).sum(axis=0)

    def add(self, when: float) -> None:
        """Explain a kink at ``when``."""
        left, _ = self.gain(when)
        left = left - self.basis @ (self.basis.T @ left)
        self.basis = np.column_stack([self.basis, left])
        self.residual = self.residual - left @ (left.T @ self.residual)


def _base_columns(times: np.ndarray, constants: np.ndarray, breaks_s: np.ndarray, slow_s: float) -> np.ndarray:
    """Columns for what is no kink: level, trend, heat of earlier runs, and steps of the camera at known moments."""
    slow = constants[constants >= slow_s]
    columns = [np.ones_like(times), (times - times[0]) / (times[-1] - times[0])]
    if len(slow):
        columns.extend(onset(times, times[0], slow).T)
    columns.extend((times >= b).astype(float) for b in breaks_s if times[0] < b <= times[-1])
    return np.column_stack(columns)


def pooled_cells(cells: CellSeries) -> tuple[np.ndarray, np.ndarray]:
    """Add means of 3 x 3 and 9 x 9 cells to the cells: faint heat that spreads shows there.

    Returns
    -------
    values : ndarray of shape (samples, cells + pools)
        The cells' own series first.
    noise : ndarray of shape (cells + pools,)
    """
    parts, noises = [cells.values], [cells.noise]
    for side in (3, 9):
        label = (cells.places[:, 0] // side) * 100_000 + cells.places[:, 1] // side
        _, index, count = np.unique(label, return_inverse=True, return_counts=True)
        order = np.argsort(index, kind="stable")
        sums = np.add.reduceat(cells.values[:, order], np.r_[0, np.cumsum(count)[:-1]], axis=1)
        keep = count >= side * side / 2
        pool = sums[:, keep] / count[keep]
        second = np.abs(np.diff(pool, n=2, axis=0))
        measured = MAD_TO_SD * np.median(second, axis=0) / SECOND_DIFFERENCE
        squares = np.add.reduceat(np.square(cells.noise[order]), np.r_[0, np.cumsum(count)[:-1]])[keep]
        parts.append(pool)
        noises.append(np.maximum(measured, np.sqrt(squares) / count[keep]))
    return np.concatenate(parts, axis=1), np.concatenate(noises)


def find_edges(cells: CellSeries, breaks_s: np.ndarray, *, settings: TimingSettings) -> EdgeFit:
    """Find the moments at which places begin to warm or to cool.

    Parameters
    ----------
    cells : CellSeries
    breaks_s : ndarray of shape (events,), s
        Moments of known steps of the camera, which are allowed for in every cell.
    settings : TimingSettings

    Returns
    -------
    EdgeFit
        With no edges where no kink is significant.

    Notes
    -----
    All cells share the moments and each has its own response, a sum of first-order responses; moments are added
    one by one where matched filters at several widths still find kinks in what is left. A kink counts when it
    passes a limit that keeps the chance of any false one in the recording below ``settings.false_edge_rate``
    (Bonferroni over cells, samples and both signs), with the noise of each filter measured on the recording
    itself, and when it exceeds ``settings.tolerance`` of the cell's own strongest kink nearby. Not valid when a
    source reaches its end value within one sample: it then looks like a step of the camera.
    """
    search = _start(cells, breaks_s, settings)
    edges: list[float] = []
    while len(edges) < settings.most_edges:
        when = _next_edge(search, edges, cells.step_s)
        if when is None:
            break
        edges.append(when)
        search.add(when)
    return fit_edges(cells, np.sort(np.array(edges)), breaks_s, settings=settings)


def _start(cells: CellSeries, breaks_s: np.ndarray, settings: TimingSettings) -> _Search:
    """Whiten, remove the base, measure the noise of each filter and keep the cells that may hold a kink."""
    values, noise = pooled_cells(cells)
    times = cells.times_s
    constants = time_constants(times[-1] - times[0], cells.step_s, settings)
    base, _ = np.linalg.qr(_base_columns(times, constants, breaks_s, settings.slow_s))
    series = values / noise
    residual = series - base @ (base.T @ series)
    halves = _halves(len(times), settings)
    limit = float(norm.isf(settings.false_edge_rate / (2.0 * values.size)))
    inflation: dict[int, float] = {}
    raw: dict[int, np.ndarray] = {}
    peak = np.zeros(values.shape[1])
    for half in halves:
        z = _kinks(residual, half)
        inflation[half] = _inflation(z, half)
        raw[half] = settings.tolerance * np.abs(z).max(axis=0) / inflation[half]
        peak = np.maximum(peak, np.abs(z).max(axis=0) / inflation[half])
    active = np.argsort(-peak)[: settings.most_active]
    active = np.sort(active[peak[active] > limit])
    raw = {half: tolerance[active] for half, tolerance in raw.items()}
    return _Search(times, series[:, active], base, residual[:, active], constants, inflation, raw, limit)


def _next_edge(search: _Search, edges: list[float], step_s: float) -> float | None:
    """Return the moment of the strongest kink left, refined to a quarter of a sample; None where there is none."""
    if search.residual.shape[1] == 0:
        return None
    best, where = 0.0, -1
    for half, inflation in search.inflation.items():
        z = np.abs(_kinks(search.residual, half)) / inflation - search.raw[half]
        energy = np.where(z > search.floor, np.square(z), 0.0).sum(axis=1)
        for edge in edges:
            energy[np.abs(search.times - edge) < 0.75 * step_s] = 0.0
        top = int(np.argmax(energy))
        if energy[top] > best:
            best, where = float(energy[top]), top
    if where < 0:
        return None
    near = search.times[where] + step_s * np.arange(-2.0, 2.01, 0.25)
    gains = [float(search.gain(when)[1].sum()) for when in near]
    return float(near[int(np.argmax(gains))])


def fit_edges(cells: CellSeries, edges_s: np.ndarray, breaks_s: np.ndarray, *, settings: TimingSettings) -> EdgeFit:
    """Fit given edges together to every cell and read the early response to each.

    Parameters
    ----------
    cells : CellSeries
    edges_s : ndarray of shape (edges,), s
        Increasing.
    breaks_s : ndarray of shape (events,), s
        Known steps of the camera.
    settings : TimingSettings

    Returns
    -------
    EdgeFit

    Notes
    -----
    Responses are sums of few first-order responses with a normal prior of ``settings.prior_sigmas`` times the noise
    on each: wide for any response that can be told, yet enough to keep them from cancelling each other in noise.
    """
    times = cells.times_s
    constants = settings.response_fastest_s * settings.response_ratio ** np.arange(settings.response_constants)
    base = _base_columns(times, constants, breaks_s, settings.slow_s)
    blocks = [base, *(onset(times, edge, constants) for edge in edges_s)]
    design = np.concatenate(blocks, axis=1)
    prior = np.full(design.shape[1], 1.0 / settings.prior_sigmas)
    prior[: base.shape[1]] = 1e-6
    tall = len(times)
    inverse = np.linalg.pinv(np.concatenate([design, np.diag(prior)]), rcond=1e-12)[:, :tall]
    weights = inverse @ cells.values
    residual = cells.values - design @ weights
    horizon = max(2.0 * cells.step_s, settings.response_s)
    late = -np.expm1(-horizon / constants)
    spread = np.sqrt(np.square(residual).sum(axis=0) / max(1, tall - design.shape[1]))
    noise = np.maximum(spread, cells.noise)
    reads = [late @ inverse[base.shape[1] + i * len(constants) :][: len(constants)] for i in range(len(edges_s))]
    shape = (len(edges_s), tall)
    reads = np.reshape(reads, shape)
    slow = constants >= settings.slow_s
    trend = np.r_[horizon / (times[-1] - times[0]), late[slow]]
    past = trend @ inverse[1 : 2 + int(slow.sum())]
    return EdgeFit(
        np.asarray(edges_s, float),
        reads @ cells.values,
        np.linalg.norm(reads, axis=1)[:, None] * noise,
        past @ cells.values,
        np.linalg.norm(past) * noise,
        residual,
        horizon,
    )
