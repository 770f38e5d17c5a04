"""The level of a supply log while the board is on, and how long each of its lines stands for."""

from __future__ import annotations

import numpy as np


def line_seconds(times_s: np.ndarray) -> np.ndarray:
    """Return how long each line of a log stands for, s, ndarray (lines,): until the next; the last as long as usual."""
    steps = np.diff(np.asarray(times_s, float))
    return np.append(steps, np.median(steps)) if steps.size else np.ones(np.size(times_s))


def on_level(values: np.ndarray, times_s: np.ndarray) -> float:
    """Return the level of current or power at which half of all charge or energy has flowed.

    Neither an inrush, high but short, nor a leakage through hours of standing by, long but low, sets it.

    Parameters
    ----------
    values : ndarray of shape (lines,)
        Current or power, not negative, any unit.
    times_s : ndarray of shape (lines,), s
        Strictly increasing.

    Returns
    -------
    float
        Unit of ``values``; 0 where nothing flows.
    """
    values = np.asarray(values, float)
    order = np.argsort(values)
    share = np.cumsum((values * line_seconds(times_s))[order])
    if not share.size or share[-1] <= 0:
        return 0.0
    return float(values[order][np.searchsorted(share, share[-1] / 2)])
