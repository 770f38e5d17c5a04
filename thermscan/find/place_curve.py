"""The excess of a place at the full frame rate: the faulty board's curve minus the good boards' at equal seconds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class PlaceCurve:
    """Seconds since power-on and the rise at them, each ndarray (frames,); NaN where a frame does not show it."""

    seconds: np.ndarray
    rise_k: np.ndarray


def rise_curve(times_s: np.ndarray, values: np.ndarray, *, on_s: float) -> PlaceCurve:
    """Return a curve over its own mean before power-on (over its first sample where there is none before)."""
    seconds = np.asarray(times_s, float) - on_s
    known = np.isfinite(values)
    cold = known & (seconds < 0)
    if cold.any():
        level = float(np.mean(values[cold]))
    elif known.any():
        level = float(values[known][0])
    else:
        level = 0.0
    return PlaceCurve(seconds, np.asarray(values, float) - level)


def excess_curve(faulty: PlaceCurve, goods: Sequence[PlaceCurve], *, until_s: float | None) -> PlaceCurve:
    """Return the faulty curve minus the mean of the good ones, with power on, up to ``until_s``.

    Good curves are interpolated linearly at the faulty one's seconds; seconds that a good board does not show are
    compared with the other good boards alone.
    """
    stop = np.inf if until_s is None else until_s
    on = (faulty.seconds >= 0) & (faulty.seconds <= stop)
    seconds, rise = faulty.seconds[on], faulty.rise_k[on]
    if not goods:
        return PlaceCurve(seconds, rise)
    total, count = np.zeros(seconds.size), np.zeros(seconds.size)
    for good in goods:
        known = np.isfinite(good.rise_k)
        if known.sum() < 2:
            continue
        t = good.seconds[known]
        within = (seconds >= t[0]) & (seconds <= t[-1])
        total[within] += np.interp(seconds[within], t, good.rise_k[known])
        count += within
    with np.errstate(invalid="ignore", divide="ignore"):
        return PlaceCurve(seconds, np.where(count > 0, rise - total / count, np.nan))
