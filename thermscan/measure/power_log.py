"""Power-on and power-off as the supply log shows them, and whether the temperatures agree."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from thermscan.model.quantity import Measured
from thermscan.model.recording import Recording, SupplyPoint
from thermscan.model.settings import TimingSettings
from thermscan.model.supply_level import on_level
from thermscan.model.timing import PowerUp, Timing

GONE_VOLTS, HALF_VOLTS = 0.1, 0.5  # of the volts while on: less shows that the log follows the output; judgement
ON_BEFORE, STILL_ON = "on_before_recording", "still_on"
IN_BURSTS = (
    "bursts with slower stretches between: its loads come and go, or its supply tries again and again; restarts are not"
    " counted: log the supply, or film at more frames a second"
)


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
    Power (volts times amps) above ``settings.log_on_share`` of its level while on counts as on; neither an inrush peak
    nor a leakage that lasts sets that level (``model.supply_level``). Where the power never falls below that share no
    two states are told apart: a stand-by current above it hides the switch. Where the volts go as well, half of theirs
    counts as on too: a regulator on the board that tries again draws next to nothing in between.
    """
    if len(points) < 2:
        return None
    times = np.array([p.time_s for p in points])
    power = np.array([abs(p.volts * p.amps) for p in points])
    if not power.max() > 0:
        return LogReading(switches=(), starts_on=False, from_s=float(times[0]), to_s=float(times[-1]))
    state = power > settings.log_on_share * on_level(power, times)
    volts = np.array([abs(p.volts) for p in points])
    if volts.min() < GONE_VOLTS * volts.max():
        state = state | (volts > HALF_VOLTS * on_level(volts, times))
    switches = []
    for i in np.flatnonzero(state[1:] != state[:-1]):
        middle, half = (times[i] + times[i + 1]) / 2, (times[i + 1] - times[i]) / 2
        at = Measured(float(middle), float(middle - 0.95 * half), float(middle + 0.95 * half))
        switches.append(LogSwitch(bool(state[i + 1]), at))
    return LogReading(tuple(switches), bool(state[0]), float(times[0]), float(times[-1]))


def logged_on(points: tuple[SupplyPoint, ...], *, settings: TimingSettings) -> Measured | None:
    """Return the first power-on in a supply log, s, None where it shows none."""
    log = read_supply_log(points, settings=settings)
    return None if log is None else next((s.at_s for s in log.switches if s.is_on), None)


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


def with_log(timing: Timing, recording: Recording, settings: TimingSettings) -> Timing:
    """Let the supply log decide where it agrees with the temperatures, and report where it does not."""
    log = read_supply_log(recording.facts.supply, settings=settings)
    if log is None or recording.times_s is None:
        return timing
    frame_s = float(np.median(np.diff(recording.times_s))) if recording.frames > 1 else 0.0
    slack = settings.log_slack_frames * frame_s
    inside = [s for s in log.switches if recording.times_s[0] <= s.at_s.high and s.at_s.low <= recording.times_s[-1]]
    ons = [s.at_s for s in inside if s.is_on]
    offs = [s.at_s for s in inside if not s.is_on]
    seen = timing
    clock_holds = bool(offs) and seen.off_s is not None and combined(offs[0], seen.off_s, slack)[1]
    timing = _join_on(timing, ons, log, slack, float(recording.times_s[0]), clock_holds=clock_holds)
    timing = _join_off(timing, offs, log, slack, float(recording.times_s[-1]))
    if timing.source == "both" and seen.on_s is None and seen.off_s is None:
        timing = replace(timing, source="supply log")
    return _join_runs(timing, seen, inside, slack)


def _join_runs(timing: Timing, seen: Timing, inside: list[LogSwitch], slack: float) -> Timing:
    """Take all runs from the log where it is believed, and say where the temperatures counted others."""
    if timing.source == "temperature" or timing.on_s is None or any("is not believed" in w for w in timing.warnings):
        return timing
    ons = [k for k, switch in enumerate(inside) if switch.is_on]
    ends = [inside[k + 1].at_s if k + 1 < len(inside) else None for k in ons]
    moments = [(combined(inside[k].at_s, None, slack)[0], end) for k, end in zip(ons, ends, strict=True)]
    ups = [PowerUp(on, None if end is None else combined(end, None, slack)[0]) for on, end in moments]
    if not ups:
        return timing
    ups[0] = PowerUp(timing.on_s, timing.off_s if ups[0].off_s is not None else None)
    warnings = tuple(w for w in timing.warnings if not w.endswith(IN_BURSTS))  # the log tells which of the two it is
    if seen.restarts is not None and seen.restarts != len(ups) - 1:
        text = f"the supply log shows {len(ups)} power-up(s), the temperatures {seen.restarts + 1}; the log's are taken"
        warnings = (*warnings, text)
    return replace(timing, power_ups=tuple(ups), restarts=len(ups) - 1, warnings=warnings)


def _join_on(
    timing: Timing, ons: list[Measured], log: LogReading, slack: float, start_s: float, *, clock_holds: bool
) -> Timing:
    """Join power-on from both sources; ``clock_holds`` says that they agree on power-off.

    Then the log's clock is right, and a power-on before anything is seen to warm is one whose first loads are small.
    """
    if ons and timing.on_s is not None:
        moment, agrees = combined(ons[0], timing.switched_s, slack)
        if agrees:
            return replace(timing, on_s=moment, source="both")
        if clock_holds and ons[0].high < timing.on_s.low:
            late = timing.on_s.value - ons[0].value
            text = f"places are seen to warm {late:.1f} s after the power-on of the supply log, whose power-off agrees"
            on_s = combined(ons[0], None, slack)[0]
            return replace(timing, on_s=on_s, source="both", warnings=(*timing.warnings, text))
        return _disagreement(timing, "power-on", ons[0], timing.switched_s)
    if log.starts_on and log.from_s <= start_s + slack and timing.on_s is None:
        return replace(timing, on_why=f"{ON_BEFORE}: the supply log is on from its first line", source="supply log")
    if ons and timing.on_why.startswith(ON_BEFORE):
        text = (
            f"the supply log switches on at {ons[0].value:.2f} s, but places are warm before; the log is not believed"
        )
        return replace(timing, warnings=(*timing.warnings, text))
    if ons:
        return replace(timing, on_s=combined(ons[0], None, slack)[0], on_why="", source="supply log")
    return timing


def _join_off(timing: Timing, offs: list[Measured], log: LogReading, slack: float, end_s: float) -> Timing:
    """Join power-off from both sources.

    A log whose power-on agrees has the right clock: what cools before its power-off is a load that ends.
    """
    if offs and timing.off_s is not None:
        moment, agrees = combined(offs[0], timing.off_s, slack)
        if agrees:
            return replace(timing, off_s=moment, source="both")
        if timing.source == "both" and offs[0].low > timing.off_s.high:
            early = offs[0].value - timing.off_s.value
            text = (
                f"places are seen to cool {early:.1f} s before the power-off of the supply log, whose power-on agrees"
            )
            off_s = combined(offs[0], None, slack)[0]
            return replace(timing, off_s=off_s, warnings=(*timing.warnings, text))
        return _disagreement(timing, "power-off", offs[0], timing.off_s)
    if offs:
        return replace(
            timing,
            off_s=combined(offs[0], None, slack)[0],
            off_why="",
            source="supply log" if timing.on_s is None else "both",
        )
    if timing.off_s is None and timing.on_s is not None and log.to_s >= end_s:
        return replace(timing, off_why=f"{STILL_ON}: the supply log is on to its last line")
    return timing


def _disagreement(timing: Timing, what: str, log: Measured, seen: Measured) -> Timing:
    """Keep the temperatures and say that the log differs."""
    text = (
        f"{what}: the supply log says {log.value:.2f} s ({log.low:.2f} to {log.high:.2f}), the temperatures "
        f"{seen.value:.2f} s ({seen.low:.2f} to {seen.high:.2f}); the log is not believed, check its clock"
    )
    return replace(timing, warnings=(*timing.warnings, text))
