"""What looks like the power going off and is none: reflections of what moves, and of what leaves."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import ndimage

from thermscan.measure.power_cells import CellSeries
from thermscan.measure.power_courses import Courses
from thermscan.measure.power_moment import Switch
from thermscan.model.quantity import Measured
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import Timing

_FEW = 5  # samples whose median is a level
_LEVEL = 7  # the same for courses, which have been taken from many places
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


def ends_warmer(cells: CellSeries) -> np.ndarray:
    """Return which cells end no cooler than they began, beyond noise and a share of what the others gain, (cells,)."""
    change = np.median(cells.values[-_FEW:], axis=0) - np.median(cells.values[:_FEW], axis=0)
    return change > -np.maximum(3.0 * cells.noise, 0.05 * _most(change))


def is_glow(
    courses: Courses, switch: Switch, visits: Sequence[tuple[float, float]], *, settings: TimingSettings
) -> bool:
    """Tell whether a switch lies within a visit, and what warms at it does not stay when the visitor is gone.

    What cools at it does not count as heat that goes: nothing was seen to warm before. ``visits`` are spans, s.
    """
    during = [stop for start, stop in visits if start <= switch.at_s.value <= stop]
    if not during:
        return False
    change = switch.maps.change
    sources = change > max(settings.source_share * float(change.max(initial=0.0)), 1e-12)
    if switch.balance < -settings.purity or not sources.any():
        return True
    times, level = courses.times_s, courses.values @ courses.maps[:, sources].mean(axis=1)
    before = level[times < switch.at_s.low][-_LEVEL:]
    inside = level[(times >= switch.at_s.low) & (times <= during[-1])]
    after = level[times > during[-1]][:_LEVEL]
    if not (len(before) and len(inside) and len(after)):
        return False
    start = float(np.median(before))
    return float(np.median(after)) - start < settings.kept_share * (float(inside.max()) - start)


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
