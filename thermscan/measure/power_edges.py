"""Moments at which many places at once begin to warm or to cool: kinks in their time courses."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import oaconvolve
from scipy.stats import norm

from thermscan.measure.power_pools import PoolSeries
from thermscan.model.settings import TimingSettings


def time_constants(duration_s: float, step_s: float, settings: TimingSettings) -> np.ndarray:
    """Time constants of the responses, s: from one sample to the length of the recording, equally spaced in log."""
    low = max(settings.fastest_s, step_s)
    count = max(2, int(np.ceil(np.log(max(duration_s / low, 3.0)) / np.log(settings.constant_ratio))) + 1)
    return low * settings.constant_ratio ** np.arange(count)


def onset(times_s: np.ndarray, when_s: float, constants_s: np.ndarray) -> np.ndarray:
    """First-order responses to a step of power at ``when_s``, ndarray (samples, constants), 0 before and 1 late."""
    since = np.clip(times_s - when_s, 0.0, None)[:, None]
    return -np.expm1(-since / constants_s)


def kink_kernel(half: int, bend: float = 0.0) -> np.ndarray:
    """Make a unit filter, 2 half + 1 samples, for the start of a response in its middle, blind to quadratic drift.

    The response is a ramp ``max(x, 0)`` for ``bend`` 0, else ``1 - exp(-x / bend)``, with x = 1 at the end of the
    filter; what a parabola can imitate of it is removed, so that smooth warming, cooling and drift give no answer.
    """
    x = np.arange(-half, half + 1) / half
    smooth = np.vander(x, 3)
    late = np.maximum(x, 0.0)
    shape = -np.expm1(-late / bend) if bend > 0 else late
    rest = shape - smooth @ np.linalg.lstsq(smooth, shape, rcond=None)[0]
    return rest / np.linalg.norm(rest)


def _filters(samples: int, settings: TimingSettings) -> list[tuple[int, float]]:
    """Half widths, samples, and bends of the kink filters."""
    out: list[tuple[int, float]] = []
    half = float(settings.narrowest_half)
    while 2 * half + 1 <= samples and half <= settings.widest_half:
        out.extend([(round(half), 0.0), (round(half), settings.kernel_bend)])
        half *= settings.width_ratio
    return out


def _kinks(series: np.ndarray, kernel: tuple[int, float]) -> np.ndarray:
    """Kink filter of every cell, ndarray like ``series``; zero where the filter leaves the recording."""
    half = kernel[0]
    answer = oaconvolve(series, kink_kernel(*kernel)[::-1, None], mode="valid", axes=0)
    out = np.zeros_like(series)
    out[half : half + len(answer)] = answer
    return out


def _inflation(z: np.ndarray, half: int, settings: TimingSettings) -> float:
    """How much wider the filtered noise is than white noise would be, in all but the most restless cells; at least 1.

    A low quantile over time and one over cells leave room for kinks, which are rare in time and in place.
    """
    inside = z[half : len(z) - half]
    if len(inside) < 4:
        return 1.0
    spread = np.quantile(np.abs(inside), settings.calm_times, axis=0) / norm.ppf((1.0 + settings.calm_times) / 2.0)
    return max(1.0, float(np.quantile(spread, settings.calm_cells)))


def _inflations(residual: np.ndarray, settings: TimingSettings) -> dict[tuple[int, float], float]:
    """Inflation of every filter; those too wide to be measured among kinks follow the trend of the narrower ones."""
    out: dict[tuple[int, float], float] = {}
    narrow: dict[float, list[tuple[int, float]]] = {}
    for half, bend in _filters(len(residual), settings):
        known = narrow.setdefault(bend, [])
        if len(known) < 2 or 2 * half * settings.windows_needed <= len(residual):
            known.append((half, _inflation(_kinks(residual, (half, bend)), half, settings)))
            out[half, bend] = known[-1][1]
            continue
        (a, first), (b, last) = known[-2:]
        slope = float(np.clip(np.log(last / first) / np.log(b / a), 0.0, settings.steepest_wander))
        out[half, bend] = last * (half / b) ** slope
    return out


@dataclass
class _Search:
    """Working state of the search: whitened series and the columns explained so far."""

    times: np.ndarray
    series: np.ndarray  # (samples, cells), in units of each cell's noise
    basis: np.ndarray  # orthonormal columns explained so far
    residual: np.ndarray
    constants: np.ndarray
    inflation: dict[tuple[int, float], np.ndarray]
    raw: dict[tuple[int, float], np.ndarray]
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


def base_columns(times: np.ndarray, constants: np.ndarray, breaks_s: np.ndarray, slow_s: float) -> np.ndarray:
    """Columns for what is no kink: level, trend, heat of earlier runs, and steps of the camera at known moments."""
    slow = constants[constants >= slow_s]
    columns = [np.ones_like(times), (times - times[0]) / (times[-1] - times[0])]
    if len(slow):
        columns.extend(onset(times, times[0], slow).T)
    columns.extend((times >= b).astype(float) for b in breaks_s if times[0] < b <= times[-1])
    return np.column_stack(columns)


@dataclass(frozen=True)
class Kinks:
    """Moments at which places begin to warm or cool, and how much the noise wanders.

    ``times_s`` is ndarray (kinks,), s, increasing; ``wander`` is ndarray (series,), how much wider noise is, within
    about ``settings.response_s``, than the white noise of the series makes it.
    """

    times_s: np.ndarray
    wander: np.ndarray


def find_kinks(pools: PoolSeries, breaks_s: np.ndarray, *, settings: TimingSettings) -> Kinks:
    """Find the moments at which places begin to warm or to cool.

    Parameters
    ----------
    pools : PoolSeries
    breaks_s : ndarray of shape (events,), s
        Moments of known steps of the camera, which are allowed for in every cell.
    settings : TimingSettings

    Returns
    -------
    Kinks
        With no moments where nothing is significant.

    Notes
    -----
    All cells share the moments and each has its own response, a sum of first-order responses; moments are added
    one by one where matched filters at several widths still find kinks in what is left. A kink counts when it
    passes a limit that keeps the chance of any false one in the recording below ``settings.false_edge_rate``
    (Bonferroni over cells, samples and both signs), with the noise of each filter measured on the recording
    itself, and when it exceeds ``settings.tolerance`` of the cell's own strongest kink nearby. Not valid when a
    source reaches its end value within one sample: it then looks like a step of the camera.
    """
    search, wander = _start(pools, breaks_s, settings)
    edges: list[float] = []
    barred: list[float] = []
    while len(barred) < settings.most_edges:
        found = _next_edge(search, (edges, barred), pools.step_s, settings)
        if found is None:
            break
        seen, when = found
        barred.append(seen)
        if min((abs(when - e) for e in edges), default=np.inf) > 0.5 * pools.step_s:
            edges.append(when)
            barred.append(when)
            search.add(when)
    moments = polished(search, np.sort(np.array(edges)), breaks_s, pools.step_s, settings=settings)
    moments = merged(search, moments, breaks_s, settings=settings)
    return Kinks(moments, wander)


def _start(pools: PoolSeries, breaks_s: np.ndarray, settings: TimingSettings) -> tuple[_Search, np.ndarray]:
    """Whiten, remove the base, measure the noise of each filter and keep the series that may hold a kink."""
    times = pools.times_s
    constants = time_constants(times[-1] - times[0], pools.step_s, settings)
    base, _ = np.linalg.qr(base_columns(times, constants, breaks_s, settings.slow_s))
    series = pools.values / pools.noise
    residual = series - base @ (base.T @ series)
    limit = float(norm.isf(settings.false_edge_rate / (2.0 * series.size)))
    inflation = {kernel: np.ones(series.shape[1]) for kernel in _filters(len(times), settings)}
    for group in np.unique(pools.group):
        members = pools.group == group
        for kernel, size in _inflations(residual[:, members], settings).items():
            inflation[kernel][members] = size
    raw: dict[tuple[int, float], np.ndarray] = {}
    peak = np.zeros(series.shape[1])
    for kernel, size in inflation.items():
        top = np.abs(_kinks(residual, kernel)).max(axis=0) / size
        raw[kernel] = settings.tolerance * top
        peak = np.maximum(peak, top)
    active = np.argsort(-peak)[: settings.most_active]
    active = np.sort(active[peak[active] > limit])
    wander = np.ones(series.shape[1])
    if inflation:
        wander = inflation[min(inflation, key=lambda k: (abs(np.log(k[0] * pools.step_s / settings.response_s)), k[1]))]
    raw = {kernel: tolerance[active] for kernel, tolerance in raw.items()}
    inflation = {kernel: size[active] for kernel, size in inflation.items()}
    return _Search(times, series[:, active], base, residual[:, active], constants, inflation, raw, limit), wander


def _next_edge(
    search: _Search, known: tuple[list[float], list[float]], step_s: float, settings: TimingSettings
) -> tuple[float, float] | None:
    """Return where the clearest kink left is seen and its own moment; None where there is none.

    Narrow filters tell the moment best and see no second edge, wide ones see faint kinks: the narrowest filter decides
    whose best answer reaches ``settings.narrow_share`` of the best of all.
    """
    if search.residual.shape[1] == 0:
        return None
    edges, barred = known
    taken = np.zeros(len(search.times), bool)
    near = np.zeros((len(search.times), 1))
    for edge in edges:
        near[np.abs(search.times - edge) < settings.near_s] = settings.near_tolerance / settings.tolerance - 1.0
    for edge in barred:
        taken |= np.abs(search.times - edge) < 0.75 * step_s
    seen: list[tuple[int, float, float, int]] = []
    for kernel, inflation in search.inflation.items():
        z = np.abs(_kinks(search.residual, kernel)) / inflation - search.raw[kernel] * (1.0 + near)
        z[taken] = 0.0
        energy = np.where(z > search.floor, np.square(z), 0.0).sum(axis=1)
        top = int(np.argmax(energy))
        if energy[top] > 0:
            seen.append((kernel[0], float(energy[top]), float(z.max()), top))
    if not seen:
        return None
    limit = settings.narrow_share * max(best for _, _, best, _ in seen)
    half = min(width for width, _, best, _ in seen if best >= limit)
    _, _, _, where = max((s for s in seen if s[0] == half), key=lambda s: s[1])
    return float(search.times[where]), _placed(search, where, half, step_s)


def _placed(search: _Search, where: int, half: int, step_s: float) -> float:
    """Move a kink seen at sample ``where`` to where it explains most of the samples under the filter alone.

    Looking no further keeps other kinks, not found yet, from pulling it.
    """
    rows = slice(max(0, where - 2 * half), where + 2 * half + 1)
    times = search.times[rows]
    middle = search.times[where]
    base, _ = np.linalg.qr(np.vander((times - middle) / (half * step_s), 3))
    series = search.residual[rows]
    local = replace(search, times=times, basis=base, residual=series - base @ (base.T @ series))
    trials = middle + step_s * np.linspace(-1.0, 1.0, 17) * max(2.0, half / 2)
    gains = [float(local.gain(when)[1].sum()) for when in trials]
    return float(trials[int(np.argmax(gains))])


def _explained(search: _Search, edges: list[float], breaks_s: np.ndarray, settings: TimingSettings) -> _Search:
    """Return the search with just these edges explained."""
    base = base_columns(search.times, search.constants, breaks_s, settings.slow_s)
    blocks = [base, *(onset(search.times, edge, search.constants) for edge in edges)]
    left, size, _ = np.linalg.svd(np.concatenate(blocks, axis=1), full_matrices=False)
    basis = left[:, size > 1e-9 * size[0]]
    return replace(search, basis=basis, residual=search.series - basis @ (basis.T @ search.series))


def polished(
    search: _Search, edges_s: np.ndarray, breaks_s: np.ndarray, step_s: float, *, settings: TimingSettings
) -> np.ndarray:
    """Move each edge to where it explains most beside the others, and drop those that explain next to nothing.

    Parameters
    ----------
    search : _Search
    edges_s : ndarray of shape (edges,), s
    breaks_s : ndarray of shape (events,), s
    step_s : float
        Time between samples.
    settings : TimingSettings

    Returns
    -------
    ndarray of shape (edges left,), s
        Increasing.

    Notes
    -----
    An edge goes where no cell's gain passes the limit of the search, or where its gain is under
    ``settings.merge_share`` of that of an edge within ``settings.merge_s``: it then mends the shape of the response.
    """
    moments, gains = list(edges_s), {}
    for edge in list(edges_s):
        others = [m for m in moments if m != edge]
        alone = _explained(search, others, breaks_s, settings)
        gap = min((abs(m - edge) for m in others), default=np.inf)
        reach = min(settings.polish_s, max(step_s, gap / 2))
        trials = edge + reach * np.linspace(-1.0, 1.0, 2 * settings.polish_trials + 1)
        found = [alone.gain(when)[1] for when in trials]
        best = int(np.argmax([gain.sum() for gain in found]))
        moments.remove(edge)
        near = [gains[m] for m in others if m in gains and abs(m - edge) < settings.merge_s]
        enough = found[best].max() > search.floor**2 and found[best].sum() > settings.merge_share * max(
            near, default=0.0
        )
        if enough:
            moments.append(float(trials[best]))
            gains[float(trials[best])] = float(found[best].sum())
    return np.sort(np.array(moments))


def merged(search: _Search, edges_s: np.ndarray, breaks_s: np.ndarray, *, settings: TimingSettings) -> np.ndarray:
    """Join edges within ``settings.merge_s`` of each other where one alone explains nearly as much.

    Parameters
    ----------
    search : _Search
    edges_s : ndarray of shape (edges,), s
        Increasing.
    breaks_s : ndarray of shape (events,), s
    settings : TimingSettings

    Returns
    -------
    ndarray of shape (edges left,), s

    Notes
    -----
    Nearly: the gain in chi-square of the pair is less than ``settings.pair_share`` above that of one at its best
    moment. A short run has edges of opposite sign and is never joined.
    """
    moments = list(edges_s)
    place = 0
    while place + 1 < len(moments):
        first, second = moments[place], moments[place + 1]
        if second - first > settings.merge_s:
            place += 1
            continue
        rest = [m for m in moments if m not in (first, second)]
        alone = _explained(search, rest, breaks_s, settings)
        before = np.square(alone.residual).sum()
        trials = np.linspace(first - 0.2 * settings.merge_s, second + 0.2 * settings.merge_s, 25)
        single = [float(alone.gain(when)[1].sum()) for when in trials]
        alone.add(first)
        pair = before - np.square(alone.residual).sum()
        pair += float(alone.gain(second)[1].sum())
        if max(single) * (1.0 + settings.pair_share) > pair:
            moments[place : place + 2] = [float(trials[int(np.argmax(single))])]
        else:
            place += 1
    return np.array(moments)
