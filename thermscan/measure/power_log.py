"""Power-on and power-off as the supply log shows them, and whether the temperatures agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.model.quantity import Measured
from thermscan.model.recording import SupplyPoint
from thermscan.model.settings import TimingSettings


@dataclass(frozen=True)
class LogSwitch:
    """One change in the log: between the last line of the old state and the first of the new.

    ``is_on`` says which way; ``at_s`` is the middle with 95 % of the gap as interval, s.
    """

    is_on: bool
    at_s: Measured


@dataclass(frozen=True)
class LogReading:
    """What a supply log says.

    Attributes
    ----------
    switches : tuple of LogSwitch
        In order.
    starts_on : bool or None
        State in the first line; None where the log shows no two states.
    from_s, to_s : float
        First and last line.
    """

    switches: tuple[LogSwitch, ...]
    starts_on: bool | None
    from_s: float
    to_s: float


def read_supply_log(points: tuple[SupplyPoint, ...], *, settings: TimingSettings) -> LogReading | None:
    """Find the switchings in a supply log.

    Parameters
    ----------
    points : tuple of SupplyPoint
        Times strictly increasing, s.
    settings : TimingSettings

    Returns
    -------
    LogReading or None
        None for a log of fewer than two lines.

    Notes
    -----
    Power (volts times amps) above ``settings.log_on_share`` of its upper level counts as on; the upper level is the
    median of the upper half of the non-zero lines, so that an inrush peak does not set it. Where the power never
    falls below that share no two states are told apart: a stand-by current above it hides the switch.
    """
    if len(points) < 2:
        return None
    times = np.array([p.time_s for p in points])
    power = np.array([abs(p.volts * p.amps) for p in points])
    if not power.max() > 0:
        return LogReading(switches=(), starts_on=False, from_s=float(times[0]), to_s=float(times[-1]))
    upper = np.sort(power[power > 0])
    level = float(np.median(upper[len(upper) // 2 :]))
    state = power > settings.log_on_share * level
    switches = []
    for i in np.flatnonzero(state[1:] != state[:-1]):
        middle, half = (times[i] + times[i + 1]) / 2, (times[i + 1] - times[i]) / 2
        at = Measured(float(middle), float(middle - 0.95 * half), float(middle + 0.95 * half))
        switches.append(LogSwitch(bool(state[i + 1]), at))
    return LogReading(tuple(switches), bool(state[0]), float(times[0]), float(times[-1]))


def combined(log: Measured, seen: Measured | None, slack_s: float) -> tuple[Measured, bool]:
    """Join the log's moment with the one seen in the temperatures.

    Parameters
    ----------
    log, seen : Measured, s
    slack_s : float
        What the two clocks may differ by (one frame): the log's moment is that much less certain on the recording's.

    Returns
    -------
    moment : Measured
        The log's, narrowed to what both allow where they overlap; the temperatures' own where they disagree.
    agrees : bool
    """
    if seen is None:
        return Measured(log.value, log.low - slack_s, log.high + slack_s), True
    low, high = max(log.low - slack_s, seen.low), min(log.high + slack_s, seen.high)
    if low > high:
        return seen, False
    return Measured(
        min(max(log.value if log.high - log.low < seen.high - seen.low else seen.value, low), high), low, high
    ), True
