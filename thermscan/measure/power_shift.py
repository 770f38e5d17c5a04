"""By how much one board's start-up lags behind another's: the courses of the same places, one beside the other."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from thermscan.measure.power_cells import CellSeries
from thermscan.model.board import Board
from thermscan.model.pose import map_points
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import Timing

_BEFORE_S, _AFTER_S = 3.0, 12.0  # about power-on, that courses are compared over
_STEP_S = 0.05  # between the shifts tried
_GROUPS = 6  # of places, left out in turn


@dataclass(frozen=True)
class BoardCourses:
    """Temperatures of square places of a board over a recording.

    Attributes
    ----------
    timing : Timing
        Read from this recording alone.
    times_s : ndarray of shape (samples,), s
        On the recording's own clock.
    values : ndarray of shape (samples, places), unit of the frames
        NaN where a place is not seen.
    noise : ndarray of shape (places,), same unit
    """

    timing: Timing
    times_s: np.ndarray
    values: np.ndarray
    noise: np.ndarray


@dataclass(frozen=True)
class Shift:
    """By how much later than on the first board's clock the second one's places do the same, s, with its error.

    ``alike`` is the share of the variance of the first board's courses that the second's explain there, median over
    places; ``gain`` how many times the second's rises the first's are, and ``gain_spread`` the standard deviation of
    the logarithm of that.
    """

    seconds: float
    error_s: float
    alike: float = 1.0
    gain: float = 1.0
    gain_spread: float = 0.0


def board_courses(
    cells: CellSeries, matrix: np.ndarray, board: Board, timing: Timing, *, settings: TimingSettings
) -> BoardCourses:
    """Average cells of a picture over square places of the board.

    Parameters
    ----------
    cells : CellSeries
    matrix : ndarray of shape (3, 3)
        Board mm to pixels of the reference picture.
    board : Board
    timing : Timing
    settings : TimingSettings
        ``align_across`` places lie along the longer side.
    """
    middles = (cells.places[:, ::-1] + 0.5) * cells.cell_px - 0.5
    at = map_points(np.linalg.inv(matrix), middles)
    x0, y0, x1, y1 = board.box_mm
    size = max(x1 - x0, y1 - y0) / settings.align_across
    columns, rows = int(np.ceil((x1 - x0) / size)), int(np.ceil((y1 - y0) / size))
    column, row = (np.floor((at - (x0, y0)) / size).astype(int)).T
    inside = (column >= 0) & (column < columns) & (row >= 0) & (row < rows)
    label = np.where(inside, row * columns + column, -1)
    values = np.full((len(cells.times_s), rows * columns), np.nan)
    noise = np.full(rows * columns, np.nan)
    for place in np.unique(label[label >= 0]):
        here = label == place
        values[:, place] = cells.values[:, here].mean(axis=1)
        noise[place] = np.sqrt((cells.noise[here] ** 2).sum()) / here.sum()
    return BoardCourses(timing, cells.times_s, values, noise)


def shift_between(first: BoardCourses, second: BoardCourses, *, settings: TimingSettings) -> Shift | None:
    """Return by how much the second board's places lag behind the first's, each since its own power-on.

    Parameters
    ----------
    first, second : BoardCourses
        With a power-on each.
    settings : TimingSettings

    Returns
    -------
    Shift or None
        None where too few places warm on both, where the best shift lies at the end of those tried, or where it hangs
        on single places (the error is that of leaving out a sixth of them in turn, the jackknife of Quenouille 1956,
        from memory).

    Notes
    -----
    At each shift tried every place of the first board is a level plus a gain times the second's; the gain is held near
    the one that most places share, since healthy power differs little. The misfit of a place has a variance of its own,
    so that a place which one board heats and the other does not says little.
    """
    both = _on_one_grid(first, second, settings)
    if both is None:
        return None
    tried, cost = _costs(*both, settings)
    if len(tried) < 3:
        return None
    best = int(np.argmin(cost.sum(axis=1)))
    if best in (0, len(tried) - 1):
        return None
    places = np.arange(cost.shape[1])
    without = [float(tried[int(np.argmin(cost[:, places % _GROUPS != group].sum(axis=1)))]) for group in range(_GROUPS)]
    error = float(np.sqrt((_GROUPS - 1) / _GROUPS * np.sum((np.array(without) - np.mean(without)) ** 2)))
    error = float(np.hypot(error, settings.align_floor_s))
    if error > settings.align_error_s:
        return None
    return Shift(float(tried[best]), error, *_likeness(*both, float(tried[best])))


@dataclass(frozen=True)
class _Side:
    """One board's places that warm on both: seconds since its own power-on, values, noise and rise."""

    times_s: np.ndarray
    values: np.ndarray
    noise: np.ndarray
    rise: np.ndarray
    until_s: float


def _on_one_grid(
    first: BoardCourses, second: BoardCourses, settings: TimingSettings
) -> tuple[_Side, _Side, np.ndarray] | None:
    """Return both boards' places that warm on each, and the seconds to compare them at; None where they are few."""
    sides = [_since_on(b) for b in (first, second)]
    low = max(-_BEFORE_S, *(s.times_s[0] for s in sides))
    high = min(_AFTER_S, *(s.until_s for s in sides))
    if high - low < settings.align_least_s:
        return None
    step = max(0.1, *(float(np.median(np.diff(s.times_s))) for s in sides))
    a, b = (_smoothed(_with_rise(s, low, high), step) for s in sides)
    warm = np.isfinite(a.rise) & np.isfinite(b.rise)
    for side in (a, b):
        top = float(np.quantile(side.rise[warm], 0.97)) if warm.any() else 0.0
        warm &= (side.rise > settings.align_sigmas * side.noise) & (side.rise > settings.source_share * top)
    factor = np.divide(a.rise, b.rise, out=np.zeros_like(a.rise), where=warm)
    warm &= (factor < settings.align_factor) & (factor > 1 / settings.align_factor)
    if warm.sum() < settings.align_places:
        return None
    a, b = (replace(s, values=s.values[:, warm], noise=s.noise[warm], rise=s.rise[warm]) for s in (a, b))
    return a, b, np.arange(low, high, step)


def _since_on(board: BoardCourses) -> _Side:
    timing = board.timing
    assert timing.on_s is not None
    since = board.times_s - timing.on_s.value
    until = float(since[-1]) if timing.off_s is None else timing.off_s.low - timing.on_s.value
    return _Side(since, board.values, board.noise, np.zeros(board.values.shape[1]), until)


def _with_rise(side: _Side, low: float, high: float) -> _Side:
    """Return the same with how much each place is warmer at the end of the seconds compared than at their start."""
    inside = np.flatnonzero((side.times_s >= low) & (side.times_s <= high))
    few = max(3, len(inside) // 10)
    rise = side.values[inside[-few:]].mean(axis=0) - side.values[inside[:few]].mean(axis=0)
    return replace(side, rise=rise)


def _smoothed(side: _Side, step_s: float) -> _Side:
    size = max(1, round(step_s / float(np.median(np.diff(side.times_s)))))
    return replace(side, values=ndimage.uniform_filter1d(side.values, size, axis=0))


def _costs(a: _Side, b: _Side, seconds: np.ndarray, settings: TimingSettings) -> tuple[np.ndarray, np.ndarray]:
    """Return the shifts tried, s, and minus the log likelihood of each place at each, ndarray (shifts, places)."""
    usual = float(np.median(a.rise / b.rise))
    variance = a.noise**2 + (usual * b.noise) ** 2 + (settings.align_model * a.rise) ** 2
    hold = variance / (settings.align_gain * usual) ** 2
    pace = min(1.0, float(seconds[1] - seconds[0]) / settings.align_correlation_s)
    target = _sampled(a, seconds)
    reach = settings.align_reach_s
    tried, costs = [], []
    for shift in np.arange(-reach, reach + _STEP_S / 2, _STEP_S):
        seen = (seconds + shift >= b.times_s[0]) & (seconds + shift <= b.until_s)
        if seen.mean() < settings.align_seen:
            continue
        x, y = _sampled(b, seconds[seen] + shift), target[seen]
        x, y = x - x.mean(axis=0), y - y.mean(axis=0)
        gain = ((x * y).sum(axis=0) + hold * usual) / ((x**2).sum(axis=0) + hold)
        misfit = ((y - gain * x) ** 2).sum(axis=0) + hold * (gain - usual) ** 2
        tried.append(shift)
        costs.append(0.5 * seen.sum() * pace * np.log(misfit / seen.sum() + variance))
    return np.array(tried), np.array(costs)


def _likeness(a: _Side, b: _Side, seconds: np.ndarray, shift: float) -> tuple[float, float, float]:
    """Return which share of a place's variance the other board explains at a shift, the gain, and its log's spread."""
    seen = (seconds + shift >= b.times_s[0]) & (seconds + shift <= b.until_s)
    x, y = _sampled(b, seconds[seen] + shift), _sampled(a, seconds[seen])
    x, y = x - x.mean(axis=0), y - y.mean(axis=0)
    gain = (x * y).sum(axis=0) / (x**2).sum(axis=0)
    alike = 1 - ((y - gain * x) ** 2).sum(axis=0) / (y**2).sum(axis=0)
    usual = float(np.median(gain))
    return float(np.median(alike)), usual, float(np.std(np.log(np.maximum(gain / usual, 0.1))))


def _sampled(side: _Side, seconds: np.ndarray) -> np.ndarray:
    return np.stack([np.interp(seconds, side.times_s, course) for course in side.values.T], axis=1)
