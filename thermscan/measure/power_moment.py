"""One moment refined below a frame, with its interval; and which places begin to warm or cool at it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular
from scipy.ndimage import uniform_filter1d

from thermscan.measure.power_courses import Courses, with_wander
from thermscan.measure.power_edges import responses
from thermscan.model.quantity import Measured
from thermscan.model.settings import TimingSettings

PROMPT_CONSTANTS_S = np.array([0.1, 0.4, 1.6])


@dataclass(frozen=True)
class Stretch:
    """The samples about a moment, with neither the moment before nor the one after among them."""

    times_s: np.ndarray
    values: np.ndarray
    early: np.ndarray


def stretch_about(
    courses: Courses, moment: float, between: tuple[float, float], *, settings: TimingSettings
) -> Stretch | None:
    """Cut out the samples about a moment; None where fewer than nine remain."""
    step = courses.step_s
    start = max(moment - max(settings.fit_before_s, 8 * step), between[0] + 2 * step)
    stop = min(moment + max(settings.fit_after_s, 7 * step), between[1] - step)
    inside = (courses.times_s >= start - 1e-9) & (courses.times_s <= stop + 1e-9)
    times = courses.times_s[inside]
    if len(times) < 9:
        return None
    early = times < moment - 2 * step
    if early.sum() < 3:
        early = np.arange(len(times)) < 3
    return Stretch(times, courses.values[inside], early)


def _trend(stretch: Stretch, jumps: np.ndarray) -> np.ndarray:
    """Return the columns of the trend: a level, a slope where it can be told before the moment, jumps of the camera."""
    since = stretch.times_s - stretch.times_s[stretch.early].mean()
    columns = [np.ones_like(since)] + ([since] if stretch.early.sum() >= 5 else [])
    return np.hstack([np.stack(columns, axis=1), jumps])


def _departure(stretch: Stretch, trend: np.ndarray, courses: Courses, from_s: float) -> np.ndarray:
    """Return by how much each course has left its early trend so far, ndarray (samples, courses), noise taken off.

    A jump of the camera counts as what lies between the samples beside it.
    """
    values = courses.joined(stretch.times_s, stretch.values)
    early = np.linalg.lstsq(trend[stretch.early], values[stretch.early], rcond=None)[0]
    size = uniform_filter1d(np.abs(values - trend @ early), 3, axis=0)
    size[stretch.times_s < from_s] = 0.0
    steps = np.sqrt(np.arange(len(size)))[:, None]
    return np.maximum(np.maximum.accumulate(size, axis=0) - 2 * courses.white - 2 * courses.wander * steps, 0.0)


def refine_moment(
    courses: Courses,
    moment: float,
    between: tuple[float, float],
    lags_s: tuple[float, ...] = (0.0,),
    *,
    settings: TimingSettings,
) -> Measured:
    """Return a moment with its 95 % interval, s.

    Parameters
    ----------
    courses : Courses
    moment : float, s
        First guess, good to ``fine_reach`` samples.
    between : (float, float), s
        Moments before and after, which bound the samples used.
    lags_s : tuple of float, s
        Lags of the answers (``late_responses``) that are equally likely beforehand.
    settings : TimingSettings

    Notes
    -----
    Posterior over a grid of moments, lags, the trend before and the answers after it integrated out, all courses
    together.
    The noise is white plus a random walk measured before the moment, plus a share of how far the course has left its
    trend: what the answers cannot follow grows with the heat. Then widened by the misfit, and towards earlier
    moments by ``moment_lag_s``, since heat reaches the surface of a body late, and towards later ones by
    ``moment_lead_s``.
    """
    step = courses.step_s
    plain = Measured(moment, moment - 2 * step, moment + 2 * step)
    for _ in range(settings.fine_turns):
        stretch = stretch_about(courses, moment, between, settings=settings)
        if stretch is None:
            return plain
        wandering = with_wander(courses, moment - 2 * step, settings=settings)
        grid, weight = _posterior(stretch, wandering, moment, lags_s, settings)
        if len(grid) < 3:
            return plain
        best = float(grid[int(np.argmax(weight))])
        is_at_end = min(best - grid[0], grid[-1] - best) < 1.5 * step
        if not is_at_end or abs(best - moment) < step:
            break
        moment = best  # the first guess was off by more than the grid reaches
    share = np.cumsum(weight) / weight.sum()
    low, high = np.interp([0.025, 0.975], share, grid)
    middle = float(np.clip((weight * grid).sum() / weight.sum(), low, high))
    slack = settings.moment_slack * step
    early, late = _hidden(courses, (float(low - slack), middle, float(high + slack)), settings)
    return Measured(middle, early - settings.moment_lag_s, late + settings.moment_lead_s)


def _posterior(
    stretch: Stretch, courses: Courses, moment: float, lags_s: tuple[float, ...], settings: TimingSettings
) -> tuple[np.ndarray, np.ndarray]:
    """Return a grid of moments about one, s, and the weight of each; both ndarray (moments,)."""
    step = courses.step_s
    grid = moment + step * np.arange(-settings.fine_reach, settings.fine_reach + 0.01, settings.grid_step)
    grid = grid[(grid > stretch.times_s[1]) & (grid < stretch.times_s[-3])]
    if len(grid) < 3:
        return grid, np.ones(len(grid))
    tried = [_costs(stretch, courses, grid, lag, settings) for lag in lags_s]
    cost, misfit = (np.stack(values) for values in zip(*tried, strict=True))
    best = np.unravel_index(int(np.argmin(cost)), cost.shape)
    freedom = stretch.values.size - 5 * stretch.values.shape[1]
    scale = max(1.0, misfit[best] / max(freedom, 1))
    return grid, np.exp(-0.5 * (cost - cost[best]) / scale).sum(axis=0)


def _hidden(courses: Courses, found: tuple[float, float, float], settings: TimingSettings) -> tuple[float, float]:
    """Return low and high of a moment, widened where the camera stepped or was not seen nearby, s.

    What a body did beside a gap or a step is taken for part of it, so that a moment moves by up to what lies between
    them and the length of the gap: it may lie that far to either side.
    """
    low, middle, high = found
    times, step = courses.times_s, courses.step_s
    wide = np.flatnonzero(np.diff(times) > 1.5 * step)
    spans = [(float(times[i]), float(times[i + 1])) for i in wide] + [(float(b), float(b)) for b in courses.breaks_s]
    for start, stop in spans:
        apart = max(start - middle, middle - stop, 0.0)
        if apart < settings.moment_near_s:
            reach = apart + (stop - start) + step
            low, high = min(low, middle - reach), max(high, middle + reach)
    return low, high


def late_responses(times_s: np.ndarray, moment_s: float, constants_s: np.ndarray, lag_s: float) -> np.ndarray:
    """Return the answers of bodies whose heat reaches the surface through one more body, ndarray (times, constants).

    ``responses`` seen through a first-order lag: 1 - (tau exp(-t / tau) - lag exp(-t / lag)) / (tau - lag). The two
    time constants must differ.
    """
    if lag_s <= 0:
        return responses(times_s, moment_s, constants_s)
    own, late = responses(times_s, moment_s, constants_s), responses(times_s, moment_s, np.array([lag_s]))
    return (constants_s * own - lag_s * late) / (constants_s - lag_s)


def _costs(
    stretch: Stretch, courses: Courses, grid: np.ndarray, lag_s: float, settings: TimingSettings
) -> tuple[np.ndarray, np.ndarray]:
    """Return minus twice the log posterior, and the weighted misfit, at each moment of the grid, for one lag."""
    trend = _trend(stretch, courses.jumps(stretch.times_s))
    since = (stretch.times_s - stretch.times_s[0]) / courses.step_s
    walk = np.minimum.outer(since, since)
    left = _departure(stretch, _trend(stretch, np.zeros((len(since), 0))), courses, float(grid[0]))
    wide = 2.0 * np.ptp(stretch.values, axis=0)
    cost, misfit = np.zeros(len(grid)), np.zeros(len(grid))
    answers = [late_responses(stretch.times_s, g, PROMPT_CONSTANTS_S, lag_s) for g in grid]
    for k in range(stretch.values.shape[1]):
        spread = courses.white[k] ** 2 + (settings.departure_error * left[:, k]) ** 2
        root = cholesky(np.diag(spread) + courses.wander[k] ** 2 * walk, lower=True)
        value = solve_triangular(root, stretch.values[:, k], lower=True)
        before = solve_triangular(root, trend, lower=True)
        prior = np.r_[np.full(trend.shape[1], 1e-9), np.full(len(PROMPT_CONSTANTS_S), 1 / max(wide[k], 1e-9) ** 2)]
        for i, answer in enumerate(answers):
            columns = np.hstack([before, solve_triangular(root, answer, lower=True)])
            normal = columns.T @ columns + np.diag(prior)
            right = columns.T @ value
            fitted = np.linalg.solve(normal, right)
            cost[i] += value @ value - right @ fitted + np.linalg.slogdet(normal)[1]
            misfit[i] += ((value - columns @ fitted) ** 2).sum()
    return cost, misfit


@dataclass(frozen=True)
class SlopeMaps:
    """Change of each cell's slope at a moment, cell noise per second, and its standard error, each (cells,)."""

    change: np.ndarray
    error: np.ndarray


@dataclass(frozen=True)
class Switch:
    """A moment at which the power changed: when, which way (``balance``), and what it did to each cell."""

    at_s: Measured
    balance: float
    maps: SlopeMaps


def slope_maps(courses: Courses, moment: float, between: tuple[float, float], *, settings: TimingSettings) -> SlopeMaps:
    """Measure how each cell's slope changes at a moment, from a line with one bend over ``slope_s`` each side."""
    step = courses.step_s
    reach = max(settings.slope_s, 4 * step)
    start = min(max(moment - 1.5 * reach, between[0] + 2 * step), moment - 3 * step)
    stop = max(min(moment + reach, between[1]), moment + 3 * step)
    inside = (courses.times_s >= start) & (courses.times_s <= stop)
    since = courses.times_s[inside] - moment
    bent = np.stack([np.ones_like(since), since, np.clip(since, 0, None)], axis=1)
    solver = np.linalg.pinv(np.hstack([bent, courses.jumps(courses.times_s[inside])]))
    level = np.sqrt((courses.maps**2 * courses.white[:, None] ** 2).sum(axis=0))
    bend = solver[2]
    return SlopeMaps(bend @ courses.values[inside] @ courses.maps, np.sqrt((bend**2).sum()) * level)


def first_slopes(courses: Courses, before_s: float, *, settings: TimingSettings) -> tuple[np.ndarray, np.ndarray]:
    """Return each cell's slope over the first second, at most up to ``before_s``, and its error; ndarray (cells,)."""
    stop = min(courses.times_s[0] + max(settings.slope_s, 4 * courses.step_s), before_s)
    inside = courses.times_s <= stop
    if inside.sum() < 4:
        return np.zeros(courses.maps.shape[1]), np.ones(courses.maps.shape[1])
    since = courses.times_s[inside] - courses.times_s[0]
    line = np.stack([np.ones_like(since), since], axis=1)
    solver = np.linalg.pinv(np.hstack([line, courses.jumps(courses.times_s[inside])]))[1]
    level = np.sqrt((courses.maps**2 * courses.white[:, None] ** 2).sum(axis=0))
    return solver @ courses.values[inside] @ courses.maps, np.sqrt((solver**2).sum()) * level


def balance(change: np.ndarray, error: np.ndarray, *, sigmas: float) -> float:
    """Return 1 where all significant cells warm, -1 where all cool, 0 where as much does either or nothing does."""
    z = change / np.maximum(error, 1e-12)
    up, down = (np.where(sign * z > sigmas, change**2, 0.0).sum() for sign in (1, -1))
    return float((up - down) / (up + down)) if up + down > 0 else 0.0
