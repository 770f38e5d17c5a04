"""Runs of one length with one period, and how bodies answer to them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.measure.power_edges import TIME_CONSTANTS_S


@dataclass(frozen=True)
class Train:
    """Runs of equal length with one period.

    Attributes
    ----------
    first_s, period_s, run_s : float
        Start of the first try, from start to start, and how long each lasts, s.
    count : int
    sigmas_s : tuple of three float
        Standard errors of the three, s.
    last_run_s : float or None
        Of the last try where it is shorter: the supply was switched off in it.
    reason : str
        Why the tries, although seen, cannot be counted; empty where they can.
    """

    first_s: float
    period_s: float
    run_s: float
    count: int
    sigmas_s: tuple[float, float, float] = (0.0, 0.0, 0.0)
    last_run_s: float | None = None
    reason: str = ""

    @property
    def pause_s(self) -> float:
        """From the end of a try to the start of the next, s."""
        return self.period_s - self.run_s

    def moments(self) -> np.ndarray:
        """Return start and end of each try, ndarray (tries, 2), s."""
        starts = self.first_s + self.period_s * np.arange(self.count)
        ends = starts + self.run_s
        if self.last_run_s is not None:
            ends[-1] = starts[-1] + self.last_run_s
        return np.stack([starts, ends], axis=1)


def run_responses(times_s: np.ndarray, runs_s: np.ndarray) -> np.ndarray:
    """Return the answers of first-order bodies to power that is on during runs, ndarray (times, constants).

    ``runs_s`` holds start and end of each run in order, ndarray (runs, 2). Between two switchings each body goes
    exponentially towards 1 or 0, from where it was.
    """
    edges = runs_s.ravel()
    state = np.zeros((len(edges) + 1, len(TIME_CONSTANTS_S)))
    for i, length in enumerate(np.diff(edges), start=1):
        target = float(i % 2)
        state[i + 1] = target + (state[i] - target) * np.exp(-length / TIME_CONSTANTS_S)
    after = np.searchsorted(edges, times_s, side="right")
    since = times_s - np.r_[times_s[0], edges][after]
    target = (after % 2)[:, None].astype(float)
    return target + (state[after] - target) * np.exp(-np.maximum(since, 0.0)[:, None] / TIME_CONSTANTS_S)
