"""What the board heats turns to cooling and back, or warms in bursts: tries too short to stand out alone."""

from __future__ import annotations

import numpy as np
from scipy.signal import find_peaks

from thermscan.measure.power_courses import Courses
from thermscan.model.settings import TimingSettings


def source_level(courses: Courses, change: np.ndarray, *, settings: TimingSettings) -> tuple[np.ndarray, float]:
    """Return the mean course of the cells that a switch heats most, ndarray (samples,), and its white noise.

    ``change`` is what the switch did to each cell, ndarray (cells,).
    """
    sources = change > settings.source_share * float(change.max(initial=0.0))
    weights = courses.maps[:, sources].mean(axis=1)
    level = courses.joined(courses.times_s, courses.values) @ weights
    return level, float(np.sqrt((weights**2 * courses.white**2).sum()))


def find_turns(
    courses: Courses, change: np.ndarray, from_s: float, edges: tuple[float, ...], *, settings: TimingSettings
) -> tuple[float, ...]:
    """Return moments at which the heated cells turn, where no known moment explains it, s.

    Parameters
    ----------
    courses : Courses
    change : ndarray of shape (cells,)
        What the first power-on did to each cell.
    from_s : float, s
        The first power-on; nothing before it counts.
    edges : tuple of float, s
        Moments known already.
    settings : TimingSettings

    Notes
    -----
    A place that is heated with constant power never cools: the step response of a passive thermal network at a heated
    node rises all the time (a sum of decaying exponentials with positive weights). Where it falls by more than
    ``turn_sigmas`` of its noise and ``turn_share`` of its range the power went, at or just before the peak; where it
    turns up again, the power came back. Not valid for places that something passes in front of.
    """
    level, noise = source_level(courses, change, settings=settings)
    times, step = courses.times_s, courses.step_s
    late = times >= from_s - step
    if late.sum() < 5 or float(np.ptp(level[late])) <= 0:
        return ()
    least = max(settings.turn_sigmas * noise, settings.turn_share * float(np.ptp(level[late])))
    ahead = int(np.argmax(late))
    peaks = find_peaks(level[ahead:], prominence=least)[0]
    valleys = find_peaks(-level[ahead:], prominence=least)[0]
    events = sorted([(int(p) + ahead, -1.0) for p in peaks] + [(int(v) + ahead, 1.0) for v in valleys])
    bend = np.zeros(len(level))
    bend[2:-2] = level[4:] - 2 * level[2:-2] + level[:-4]
    out, before = [], ahead
    known = np.searchsorted(times, edges)  # counted in samples: across a gap, neighbours may lie far apart in time
    for at, sign in events:
        # a body turns late: the sharpest bend within its lag is nearer to the moment
        start = max(before, int(np.searchsorted(times, times[at] - settings.turn_lag_s)))
        began = start + int(np.argmax(sign * bend[start : at + 1]))
        before = at
        if not ((began - settings.turn_steps <= known) & (known <= at + settings.turn_steps)).any():
            out.append(float(times[began]))
    return tuple(out)


def count_bursts(courses: Courses, change: np.ndarray, from_s: float, *, settings: TimingSettings) -> int:
    """Return in how many bursts the cells that a power-on heats warm, with clearly slower stretches between.

    Parameters
    ----------
    courses : Courses
    change : ndarray of shape (cells,)
        What the power-on did to each cell.
    from_s : float, s
        The power-on; nothing before it counts.
    settings : TimingSettings

    Notes
    -----
    Under constant power the slope of a heated place falls all the time, once its lag is over (as in ``find_turns``).
    Where it grows again the power came back, or a further load started. A burst counts where the slope stands out of
    the lower stretches beside it by ``burst_share`` of the steepest slope and by ``turn_sigmas`` of its noise.
    """
    level, noise = source_level(courses, change, settings=settings)
    times, step = courses.times_s, courses.step_s
    reach = max(1, round(settings.burst_s / (2 * step)))
    if len(level) < 6 * reach + 3:
        return 0
    slope = (level[2 * reach :] - level[: -2 * reach]) / (times[2 * reach :] - times[: -2 * reach])
    slope = slope[times[reach:-reach] >= from_s - step]
    if len(slope) < 3 or slope.max() <= 0:
        return 0
    least = max(settings.burst_share * float(slope.max()), settings.turn_sigmas * noise / (2**0.5 * reach * step))
    return len(find_peaks(np.r_[0.0, slope, slope.min()], prominence=least)[0])
