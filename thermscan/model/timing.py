"""When the board was switched on and off, on the recording's own clock."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from thermscan.model.quantity import Measured

# What stands first in a reason, and how it is said; a reason that only says "not seen" is told by its sentence.
REASONS = {"not_seen": "", "on_before_recording": "on before the recording", "still_on": "still on"}
BEFORE_S = 2.0  # seconds to film before switching on; common practice, no source
START_UP_S = 0.4  # from the switch to what is seen to warm: soft starts, one rail after another; made boards
BEFORE_FRAMES = 4  # and as many frames: what is cold has a level, a drift and a noise to be told from them


def reason_words(why: str) -> str:
    """Say in words why a moment is not known: ``on_why`` or ``off_why`` of a Timing."""
    code, _, sentence = why.partition(": ")
    if code not in REASONS:
        return why
    return ": ".join(text for text in (REASONS[code], sentence) if text) or code.replace("_", " ")


def rate_of(times_s: np.ndarray | None) -> float | None:
    """Return the usual frames a second of frame times, ndarray (frames,); None where they tell none."""
    if times_s is None or len(times_s) < 2:
        return None
    return float(1 / np.median(np.diff(times_s)))


def too_few_words(times_s: np.ndarray, needed: int) -> str:
    """Say that frames are too few to show a change in time, and how long a recording would have to be."""
    count, rate = len(times_s), rate_of(times_s)
    took = "" if rate is None else f", {needed / rate:.2g} s at {rate:.2g} frames/s"
    held = "1 frame is" if count == 1 else f"{count} frames are"
    return f"{held} too few to show a change in time: {needed} are needed{took}"


def before_words(rate_hz: float | None) -> str:
    """Say how long to film before switching on: two seconds, or longer where that gives too few frames."""
    if rate_hz is None or BEFORE_S * rate_hz >= BEFORE_FRAMES:
        return "two seconds"
    return f"{math.ceil(BEFORE_FRAMES / rate_hz)} seconds ({BEFORE_FRAMES} frames at {rate_hz:.2g} frames/s)"


@dataclass(frozen=True)
class PowerUp:
    """One run: switched on at ``on_s``, off at ``off_s`` (None: still on at the end)."""

    on_s: Measured
    off_s: Measured | None


@dataclass(frozen=True)
class Timing:
    """Power-on and power-off with their intervals, or the reason why they are not known.

    Attributes
    ----------
    on_s, off_s : Measured or None
        Of the first power-up, seconds on the recording's own clock.
    on_why : str
        ``'on_before_recording'``, ``'not_seen'`` or empty; a sentence may follow after a colon.
    off_why : str
        ``'still_on'``, ``'not_seen'`` or empty.
    power_ups : tuple of PowerUp
        All of them, in order; restarts are these minus one where the pauses are short.
    restarts : int or None
    warm_start : bool
        True where regions were cooling before power-on (heat of an earlier run).
    source : str
        ``'temperature'``, ``'supply log'`` or ``'both'``.
    warnings : tuple of str
    visits : tuple of (float, float)
        From when to when something stood before the camera (a hand, a tool, a cable), seconds.
    """

    on_s: Measured | None = None
    off_s: Measured | None = None
    on_why: str = ""
    off_why: str = ""
    power_ups: tuple[PowerUp, ...] = ()
    restarts: int | None = None
    warm_start: bool = False
    source: str = "temperature"
    warnings: tuple[str, ...] = field(default=())
    visits: tuple[tuple[float, float], ...] = ()

    @property
    def switched_s(self) -> Measured | None:
        """Power-on with what temperatures leave open of it: converters start softly, and one after another.

        ``on_s`` is when places begin to warm, from which rises count.
        """
        if self.on_s is None or self.source != "temperature":
            return self.on_s
        return Measured(self.on_s.value, self.on_s.low - START_UP_S, self.on_s.high)
