"""The supply's log in numbers: mean, peak, plateau, surge at switch-on, later steps, bursts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.model.recording import SupplyPoint
from thermscan.model.supply_level import on_level

NEAR_LIMIT = 0.03  # within this share of the limit counts as at it; a bench supply's resolution, judgement
ON_SHARE = 0.1  # of the current while on: above it the board counts as drawing; inrush does not set it
SURGE_S = 0.5  # after switch-on; capacitors of a board are charged by then, common practice, no source
STEP_WINDOW_S = 0.4  # before and after a step; judgement
STEP_SHARE = 0.15  # of the largest later current: a smaller step is not counted; judgement
STEP_NOISE = 4.0  # standard deviations of the log's own jitter that a step must exceed
LEAST_POINTS = 3  # of a log within a window, below which nothing is said of it


@dataclass(frozen=True)
class CurrentShape:
    """A supply log in numbers.

    Attributes
    ----------
    mean_a, mean_w : float
        Mean of the later half of its seconds on.
    peak_a : float
    plateau_share : float
        Share of the seconds on at the limit.
    bursts_s : tuple of (start, end)
    surge_a : float or None
        Largest current within half a second of switch-on, less the mean that follows in that burst; None where the log
        is too coarse, starts with the board on, or the burst is over too soon.
    steps_s : tuple of float
        When the current stepped up later, seconds after switch-on; empty for several bursts.
    has_steps : bool
        Whether the log is fine enough, and the run long enough, to tell steps at all.
    """

    mean_a: float
    peak_a: float
    mean_w: float
    plateau_share: float
    bursts_s: tuple[tuple[float, float], ...]
    surge_a: float | None = None
    steps_s: tuple[float, ...] = ()
    has_steps: bool = False

    @property
    def retry_s(self) -> float | None:
        """Mean time from burst to burst, None for a single one."""
        starts = [a for a, _ in self.bursts_s]
        return float(np.mean(np.diff(starts))) if len(starts) > 1 else None


def shape_of(supply: tuple[SupplyPoint, ...], *, limit_a: float | None = None) -> CurrentShape | None:
    """Describe a supply log; None where it shows no current.

    ``limit_a`` is the current limit that was set; without it the plateau is looked for at the largest current.
    """
    if len(supply) < LEAST_POINTS:
        return None
    time = np.array([p.time_s for p in supply])
    amps = np.array([p.amps for p in supply])
    volts = np.array([p.volts for p in supply])
    peak = float(amps.max())
    if peak <= 0:
        return None
    on = amps > ON_SHARE * on_level(np.maximum(amps, 0.0), time)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(int)))
    bursts = tuple((float(time[a]), float(time[min(b, len(time) - 1)])) for a, b in edges.reshape(-1, 2))
    late = on & (time >= np.median(time[on]))
    level = limit_a if limit_a else peak
    plateau = float(np.mean(amps[on] >= (1 - NEAR_LIMIT) * level))
    first = slice(int(edges[0]), int(edges[1]))
    steps = _steps(time[first] - time[first.start], amps[first]) if len(bursts) == 1 else None
    return CurrentShape(
        float(amps[late].mean()),
        peak,
        float((amps * volts)[late].mean()),
        plateau,
        bursts,
        _surge(time[first] - time[first.start], amps[first]) if edges[0] > 0 else None,
        steps or (),
        steps is not None,
    )


def _surge(time: np.ndarray, amps: np.ndarray) -> float | None:
    """Return the surge of one burst; ``time`` in s from its start."""
    early, later = time <= SURGE_S, time > SURGE_S
    if early.sum() < LEAST_POINTS or later.sum() < LEAST_POINTS:
        return None
    return float(amps[early].max() - np.median(amps[later]))


def _steps(time: np.ndarray, amps: np.ndarray) -> tuple[float, ...] | None:
    """Return when the current stepped up after the surge; None where the log cannot tell.

    A step is the largest difference of the medians just after and just before, one per window.
    """
    inside = np.flatnonzero((time >= SURGE_S + STEP_WINDOW_S) & (time <= time[-1] - STEP_WINDOW_S))
    if len(inside) < LEAST_POINTS or np.sum(time <= STEP_WINDOW_S) < LEAST_POINTS:
        return None
    jitter = 1.4826 * float(np.median(np.abs(np.diff(amps[time > SURGE_S])))) / np.sqrt(2.0)
    needed = max(STEP_SHARE * float(amps[time > SURGE_S].max()), STEP_NOISE * jitter)
    rise = np.array([_rise(time, amps, i) for i in inside])
    found: list[float] = []
    while rise.size and rise.max() >= needed:
        at = time[inside[int(np.argmax(rise))]]
        found.append(float(at))
        rise = np.where(np.abs(time[inside] - at) <= 2 * STEP_WINDOW_S, -np.inf, rise)
    return tuple(sorted(found))


def _rise(time: np.ndarray, amps: np.ndarray, at: int) -> float:
    before = (time >= time[at] - STEP_WINDOW_S) & (time < time[at])
    after = (time >= time[at]) & (time <= time[at] + STEP_WINDOW_S)
    return float(np.median(amps[after]) - np.median(amps[before])) if before.any() else -np.inf
