"""When the board was switched on and off, on the recording's own clock."""

from __future__ import annotations

from dataclasses import dataclass, field

from thermscan.model.quantity import Measured


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
