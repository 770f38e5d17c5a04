"""The moment of one kink with its interval, from the places that answer it first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.measure.power_edges import onset
from thermscan.measure.power_pools import PoolSeries
from thermscan.measure.power_response import EdgeFit
from thermscan.model.quantity import Measured
from thermscan.model.settings import TimingSettings


@dataclass(frozen=True)
class Profile:
    """Log-likelihood of the moment for each source.

    ``grid_s`` is ndarray (moments,), s; ``log`` is ndarray (sources, moments), 0 at each source's best.
    ``step_share`` is the share of the sources, by strength, that a plain step explains as well as heating does.
    """

    grid_s: np.ndarray
    log: np.ndarray
    step_share: float = 0.0


def moment_profile(
    pools: PoolSeries, fit: EdgeFit, number: int, chosen: np.ndarray, *, sign: float, settings: TimingSettings
) -> Profile:
    """Log-likelihood of the moment of edge ``number`` in each chosen cell.

    Parameters
    ----------
    pools : PoolSeries
    fit : EdgeFit
    number : int
        Which edge.
    chosen : ndarray of int, shape (sources,)
        Series.
    sign : float
        1 where the cells begin to warm, -1 to cool.
    settings : TimingSettings

    Returns
    -------
    Profile

    Notes
    -----
    The time course near the edge is a trend, what the edge before still does, and a response that starts at the trial
    moment. The response is one or two first-order responses with weights of the given sign, at once or through a
    first-order lag (a body over its source); all of these are averaged over, two costing ``settings.pair_cost``.
    The noise is what the best of them leaves, at least the white noise of the cell.
    """
    edge = fit.times_s[number]
    kept = np.abs(fit.times_s - edge) > (settings.rival_s if sign < 0 else 0.0)
    strong = np.abs(fit.response / fit.error).max(axis=1) > settings.source_sigmas if len(kept) else kept
    opposite = (fit.response * sign).sum(axis=1) < 0
    others = fit.times_s[strong & (kept | (opposite & (fit.times_s != edge)))]
    near, base = _neighbourhood(pools, edge, others, settings)
    rows = np.isin(pools.times_s, near)
    basis, _ = np.linalg.qr(base)
    series = sign * pools.values[np.ix_(rows, chosen)]
    series = series - basis @ (basis.T @ series)
    step = pools.step_s
    earlier = max(settings.grid_before, settings.grid_before_s / step)
    grid = edge + step * np.arange(-earlier, settings.grid_after + 1e-9, settings.grid_step)
    grid = grid[(grid > near[1]) & (grid < near[-2])]
    constants = settings.profile_fastest_s * settings.profile_ratio ** np.arange(settings.profile_constants)
    lags = [(0.0, 1.0 - settings.lag_share)]
    lags += [(settings.lag_s * k, settings.lag_share / 3.0) for k in (1.0, 2.5, 6.0)]
    gains = np.stack(
        [np.stack([_gain(near, when, constants, lag, (basis, series)) for when in grid]) for lag, _ in lags]
    )  # (lags, moments, models, sources)
    total = np.square(series).sum(axis=0)
    free = max(2, len(near) - base.shape[1] - 3)
    variance = np.maximum((total - gains.max(axis=(0, 1, 2))) / free, np.square(pools.noise[chosen]))
    singles = 2 * len(constants)
    cost = np.r_[np.zeros(singles), np.full(gains.shape[2] - singles, settings.pair_cost)]
    log = gains / (2 * variance) - cost[:, None] + np.log([share for _, share in lags])[:, None, None, None]
    log = np.logaddexp.reduce(log, axis=(0, 2)).T
    best = gains.max(axis=(0, 1, 2))
    step = _step_gain(near, grid, (basis, series))
    is_step = step > best - 2.0 * settings.pair_cost * variance
    share = float((best * is_step).sum() / max(best.sum(), 1e-30))
    return Profile(grid, log - log.max(axis=1, keepdims=True), share)


def _step_gain(near: np.ndarray, grid: np.ndarray, whitened: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Drop in the sum of squares by the best step from one value to another, ndarray (sources,)."""
    basis, series = whitened
    moments = near[(near > grid[0]) & (near <= grid[-1])]
    columns = (near[:, None] >= moments).astype(float)
    columns = columns - basis @ (basis.T @ columns)
    columns = columns / np.maximum(np.linalg.norm(columns, axis=0), 1e-12)
    return np.square(np.maximum(columns.T @ series, 0.0)).max(axis=0)


def _neighbourhood(
    pools: PoolSeries, edge: float, others: np.ndarray, settings: TimingSettings
) -> tuple[np.ndarray, np.ndarray]:
    """Return times near an edge, up to the edges beside it, and the columns of what goes on regardless of it."""
    times = pools.times_s
    least = pools.step_s * settings.fit_least
    before = max(least, min(settings.fit_before_s, _gap(edge - others, edge - times[0])))
    after = max(least, min(settings.fit_after_s, _gap(others - edge, times[-1] - edge)))
    near = times[pools.seen & (times >= edge - before - 1e-9) & (times <= edge + after + 1e-9)]
    columns = [np.ones_like(near), near - edge, np.square(near - edge)]
    last = others[others < edge]
    if len(last) and edge - last[-1] < 1.5 * settings.fit_before_s:
        columns.extend(onset(near, last[-1], np.array([1.0, 5.0]) * settings.response_fastest_s).T)
    return near, np.column_stack(columns)


def _gain(
    near: np.ndarray, when: float, constants: np.ndarray, lag: float, whitened: tuple[np.ndarray, np.ndarray]
) -> np.ndarray:
    """Drop in the sum of squares by one or two responses of positive weight, ndarray (models, sources)."""
    basis, series = whitened
    columns = responses(near, when, constants, lag)
    columns = columns - basis @ (basis.T @ columns)
    columns = columns / np.maximum(np.linalg.norm(columns, axis=0), 1e-12)
    gram, pull = columns.T @ columns, columns.T @ series
    single = np.square(np.maximum(pull, 0.0))
    one, two = np.triu_indices(columns.shape[1], 1)
    cross = gram[one, two][:, None]
    free = np.maximum(1.0 - cross**2, 1e-9)
    first, second = (pull[one] - cross * pull[two]) / free, (pull[two] - cross * pull[one]) / free
    pair = np.where((first > 0) & (second > 0), first * pull[one] + second * pull[two], 0.0)
    return np.concatenate([single, pair])


def _gap(distances: np.ndarray, end: float) -> float:
    """Distance to the nearest edge on one side, or to the end of the recording."""
    ahead = distances[distances > 0]
    return float(min(ahead.min(), end)) if len(ahead) else float(end)


def responses(times_s: np.ndarray, when_s: float, constants_s: np.ndarray, lag_s: float) -> np.ndarray:
    """Shapes that a place may follow after a step of power at ``when_s``.

    Parameters
    ----------
    times_s : ndarray of shape (samples,), s
    when_s : float
    constants_s : ndarray of shape (constants,), s
    lag_s : float
        First-order lag in series (a body over its source); 0 for none.

    Returns
    -------
    ndarray of shape (samples, 2 constants)
        First ``1 - exp(-t/a)`` (a body that loses heat), then ``ln(1 + t/a)`` (a Gaussian source of variance s2 in a
        plate of diffusivity D, a = s2 / (2 D): Carslaw and Jaeger, Conduction of Heat in Solids, line source spread
        out in time). A lag b turns the first into ``1 - (a exp(-t/a) - b exp(-t/b)) / (a - b)`` and delays the
        second by b.
    """
    since = np.clip(times_s - when_s, 0.0, None)[:, None]
    late = np.clip(since - lag_s, 0.0, None)
    spread = np.log1p(late / constants_s)
    if lag_s <= 0:
        return np.concatenate([onset(times_s, when_s, constants_s), spread], axis=1)
    a = np.where(np.abs(constants_s - lag_s) < 1e-3 * lag_s, constants_s * 1.01, constants_s)
    body = 1.0 - (a * np.exp(-since / a) - lag_s * np.exp(-since / lag_s)) / (a - lag_s)
    return np.concatenate([body, spread], axis=1)


def first_moment(profile: Profile, prompt_share: float, *, settings: TimingSettings) -> Measured | None:
    """Combine sources into the moment of switching, which every source follows at once or later.

    Parameters
    ----------
    profile : Profile
    prompt_share : float
        Share of sources expected to answer at once.
    settings : TimingSettings

    Returns
    -------
    Measured or None
        Peak and central 95 % of the posterior with a flat prior; None where it runs off the grid.

    Notes
    -----
    Each source starts a delay after the switch: with ``prompt_share`` exponential with a mean of
    ``settings.prompt_s``, otherwise with ``settings.stagger_s``; a share ``settings.stray_share`` says nothing.
    So the earliest well-supported sources decide, and later ones, however strong, cannot pull.
    """
    grid = profile.grid_s
    pitch = grid[1] - grid[0]
    delay = np.arange(len(grid)) * pitch
    weight = sum(
        share * np.exp(-delay / mean) / np.exp(-delay / mean).sum()
        for share, mean in (
            (prompt_share, settings.prompt_s),
            ((1.0 - prompt_share), settings.stagger_s),
        )
    )
    posterior = np.zeros(len(grid))
    reach = np.arange(-len(grid) + 1, len(grid)) * pitch
    blur = np.exp(-0.5 * np.square(reach / settings.shape_error_s))
    blur /= blur.sum()
    for log in profile.log:
        like = np.convolve(np.exp(log), blur, mode="full")[len(grid) - 1 : 2 * len(grid) - 1]
        late = np.correlate(np.r_[like, np.zeros(len(grid) - 1)], weight, mode="valid")
        posterior += np.log((1.0 - settings.stray_share) * late + settings.stray_share * like.mean() + 1e-300)
    posterior = np.exp(posterior - posterior.max())
    cumulative = np.cumsum(posterior) - 0.5 * posterior
    cumulative /= posterior.sum()
    low, high = np.interp([0.025, 0.975], cumulative, grid)
    value = grid[int(np.argmax(posterior))]
    return Measured(float(np.clip(value, low, high)), float(low), float(high))
