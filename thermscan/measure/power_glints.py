"""What looks like the power going off and is none: reflections of what moves, and of what leaves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import ndimage

from thermscan.measure.power_cells import CellSeries
from thermscan.measure.power_courses import Courses
from thermscan.model.quantity import Measured
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import Timing

_FEW = 5  # samples whose median is a level
_TOP = 3  # cells whose mean is the most that places change


def warms_on(cells: CellSeries, off_s: Measured, until_s: float, *, settings: TimingSettings) -> bool:
    """Tell whether places warm after a power-off by as much as places cool, so that it was none.

    Parameters
    ----------
    cells : CellSeries
    off_s : Measured, s
    until_s : float, s
        The next power-on, infinite where there is none.
    settings : TimingSettings

    Notes
    -----
    A board without power loses heat; what spreads warms places by less than their sources lose.
    """
    after = np.flatnonzero((cells.times_s > off_s.low) & (cells.times_s < until_s))
    if len(after) < 2 * _FEW:
        return False
    change = np.median(cells.values[after[-_FEW:]], axis=0) - np.median(cells.values[after[:_FEW]], axis=0)
    gain, loss = _most(change), _most(-change)
    return gain > settings.warms_on_share * loss and gain > settings.source_sigmas * float(np.median(cells.noise))


def without_cooling(cells: CellSeries) -> CellSeries | None:
    """Return the cells that end no cooler than they began, beyond noise and a share of what the others gain.

    None where few are left.
    """
    change = np.median(cells.values[-_FEW:], axis=0) - np.median(cells.values[:_FEW], axis=0)
    kept = change > -np.maximum(3.0 * cells.noise, 0.05 * _most(change))
    if kept.all() or kept.mean() < 0.5:
        return None
    return replace(cells, values=cells.values[:, kept], noise=cells.noise[kept], places=cells.places[kept])


def is_one_board(lost: np.ndarray, made: np.ndarray, *, settings: TimingSettings) -> bool:
    """Tell whether the places that cool where a run ends are those that warm where the next one begins.

    Both are changes of slope, ndarray (cells,), any unit, counted where they are above zero.
    """
    lost, made = np.maximum(lost, 0.0), np.maximum(made, 0.0)
    return bool(lost @ made > settings.same_places * np.linalg.norm(lost) * np.linalg.norm(made))


def next_on_s(timing: Timing) -> float:
    """Return when the board is switched on for the first time after its first power-off, s; infinite for never."""
    ons = [up.on_s.low for up in timing.power_ups if timing.off_s is not None and up.on_s.value > timing.off_s.value]
    return min(ons, default=np.inf)


def comes_back(courses: Courses, lost: np.ndarray, from_s: float, until_s: float, settings: TimingSettings) -> bool:
    """Tell whether what a switch takes away returns before the next one: heat does not, what moved or passed does.

    ``lost`` is ndarray (cells,), any unit; the switch is at ``from_s``, the next one at ``until_s``.
    """
    sources = lost > max(settings.source_share * float(lost.max(initial=0.0)), 1e-12)
    times = courses.times_s
    after = (times >= from_s) & (times <= until_s)
    if after.sum() < 5 or not sources.any():
        return False
    level = ndimage.uniform_filter1d(courses.values[after] @ courses.maps[:, sources].mean(axis=1), 3)
    lowest = int(np.argmin(level))
    fall = float(level[: lowest + 1].max() - level[lowest])
    return bool(level[lowest:].max() - level[lowest] > settings.back_share * fall)


def _most(change: np.ndarray) -> float:
    """Return the mean of the largest few changes, ndarray (cells,)."""
    return float(np.sort(change)[-_TOP:].mean())
