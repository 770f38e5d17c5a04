"""When a recording starts, when the board is switched and when frames are taken."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.simulate.load import Defect, on_grid, split_runs
from thermscan.simulate.options import CaseOptions
from thermscan.simulate.sensor import drop_frames

ON_BEFORE_S = -4.0  # a board that is on before the recording was switched on this long ago


@dataclass(frozen=True)
class Timeline:
    """One recording in time, s on its own clock.

    Attributes
    ----------
    times_s : ndarray of shape (frames,)
    on_s : float
        First power-on; negative where it was before the first frame.
    off_s : float or None
        Last power-off, None where still on at the end.
    power_s : ndarray of shape (power-ups, 2)
        Stretches switched on by the technician.
    runs_s : ndarray of shape (runs, 2)
        The same cut into the supply's tries, with an earlier run of a board that is still warm before them.
    lead_s : float
        How long before the first frame the heat has to be followed.
    warm : bool
    dropped : tuple of (word, frame, frames)
    """

    times_s: np.ndarray
    on_s: float
    off_s: float | None
    power_s: np.ndarray
    runs_s: np.ndarray
    lead_s: float
    warm: bool
    dropped: tuple[tuple[str, int, int], ...] = ()


def draw_timeline(
    options: CaseOptions, defect: Defect, random: np.random.Generator, *, frame_rate_hz: float, drops: bool
) -> Timeline:
    """Draw the times of one recording.

    Parameters
    ----------
    options : CaseOptions
        Uses the seconds, ``power_ups``, ``warm_start`` and ``spread``.
    defect : Defect
        May cut the runs into tries.
    random : numpy Generator
    frame_rate_hz : float
    drops : bool
        Whether frames may be missing.

    Returns
    -------
    Timeline
    """
    before = options.before_s
    if before is None:
        before = float(on_grid(random.uniform(1.5, 4.0))) if random.random() < 0.92 else ON_BEFORE_S
    after = options.after_s
    if after is None:
        after = float(on_grid(random.uniform(2.0, 6.0))) if random.random() < 0.5 else 0.0
    on = float(options.on_s or 8.0) + (float(on_grid(random.uniform(0, 0.5))) if options.spread else 0.0)
    pause = options.pause_s if options.pause_s is not None else max(after, 2.0)
    power = np.round([(before + i * (on + pause), before + i * (on + pause) + on) for i in range(options.power_ups)], 4)
    end = power[-1, 1] + after
    if after == 0:
        power[-1, 1] = end + 10.0
    warm = options.warm_start if options.warm_start is not None else bool(random.random() < 0.1)
    lead = max(0.0, -before) + 0.5
    earlier = np.zeros((0, 2))
    if warm:
        gap, ran = float(on_grid(random.uniform(4.0, 20.0))), float(on_grid(random.uniform(15.0, 40.0)))
        earlier = np.array([(before - gap - ran, before - gap)])
        lead = gap + ran - before + 0.5
    times = np.arange(0.0, max(end, 4 / frame_rate_hz), 1.0 / frame_rate_hz)
    times = times + random.normal(0, 0.01 / frame_rate_hz, len(times))
    dropped: list[tuple[str, int, int]] = []
    if drops and random.random() < 0.4:
        times, dropped = drop_frames(random, times, runs=int(random.integers(1, 3)))
    times = np.round(times - times[0], 4)
    off = round(float(power[-1, 1]), 4) if power[-1, 1] < times[-1] else None
    runs = np.concatenate([earlier, split_runs(power, defect.retry_s)])
    return Timeline(times, before, off, power, runs, round(lead, 2), warm, tuple(dropped))
