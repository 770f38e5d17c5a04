"""Power-on, power-off and restarts of the board in a recording, from temperatures and the supply log."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from thermscan.measure.power_cells import sample_cells, step_moments
from thermscan.measure.power_edges import find_kinks
from thermscan.measure.power_fit import first_moment
from thermscan.measure.power_log import LogReading, combined, read_supply_log
from thermscan.measure.power_pools import PoolSeries, pool_cells
from thermscan.measure.power_response import EdgeFit, fit_edges, history
from thermscan.measure.power_train import believable_train
from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Motion
from thermscan.model.quantity import Measured
from thermscan.model.recording import Recording
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import PowerUp, Timing

DEFAULTS = TimingSettings()
ON_BEFORE, NOT_SEEN, STILL_ON = "on_before_recording", "not_seen", "still_on"


def find_power(
    recording: Recording, camera: CameraState, motion: Motion, *, settings: TimingSettings = DEFAULTS
) -> Timing:
    """Find when the board was switched on and off.

    Parameters
    ----------
    recording : Recording
        Frames in degrees Celsius or counts, with ``times_s``; ``facts.supply`` is used where present.
    camera : CameraState
        Common offset, unusable frames and steps of the camera.
    motion : Motion
        Where the picture moved, so that places are followed.
    settings : TimingSettings

    Returns
    -------
    Timing
        Moments on the recording's own clock with 95 % intervals, or the reasons why they are not known.

    Notes
    -----
    Moments come from kinks shared by many places (``find_edges``), read as a train of switchings, each refined on
    the places that answer first (``first_moment``). Not valid when a source reaches its end value within one
    frame, or when the whole view is covered by something that moves.
    """
    if recording.times_s is None:
        why = f"{NOT_SEEN}: {recording.times_why or 'no frame times are known'}"
        return Timing(on_why=why, off_why=why)
    if recording.frames < settings.samples_min:
        why = f"{NOT_SEEN}: {recording.frames} frame(s) are too few to show a change in time"
        return _with_log(Timing(on_why=why, off_why=why), recording, settings)
    cells = sample_cells(recording, camera, motion, settings=settings)
    if cells is None:
        why = f"{NOT_SEEN}: too few frames or places could be followed"
        return _with_log(Timing(on_why=why, off_why=why), recording, settings)
    breaks = step_moments(recording, camera)
    pools = pool_cells(cells, settings=settings)
    kinks = find_kinks(pools, breaks, settings=settings)
    fit = fit_edges(pools, kinks, breaks, settings=settings)
    return _with_log(_seen(pools, fit, settings), recording, settings)


def _seen(pools: PoolSeries, fit: EdgeFit, settings: TimingSettings) -> Timing:
    """Read the timing from the temperatures alone."""
    train = believable_train(pools, fit, settings=settings)
    ups = []
    for start, stop in train.runs:
        on = None if start is None else first_moment(train.profiles[start], settings.prompt_share_on, settings=settings)
        off = None if stop is None else first_moment(train.profiles[stop], settings.prompt_share_off, settings=settings)
        ups.append((on, off))
    end = next((m.low for up in ups for m in up if m is not None), float(pools.times_s[-1]))
    sigmas = settings.source_sigmas if ups else settings.lone_sigmas
    warming, cooling = history(pools, fit.wander, end, sigmas=sigmas, settings=settings)
    if not ups:
        # kinks that are no switching mean that something else moves: warming then proves nothing
        return _nothing_seen(0.0 if len(fit.times_s) else warming, cooling)
    start = train.runs[0][0]
    strongest = 0.0 if start is None else float(np.max(fit.response[start]))
    is_warm = cooling > settings.history_share * strongest
    return _timing(ups, _was_on(pools, ups[0][0], warming, strongest, settings), is_warm)


def _was_on(pools: PoolSeries, on: Measured | None, warming: float, strongest: float, settings: TimingSettings) -> bool:
    """Say whether the board was on at the first frame: places warm already, or the moment reaches back to it."""
    if on is None:
        return True
    return warming > settings.history_share * strongest or on.low <= pools.times_s[1]


def _nothing_seen(warming: float, cooling: float) -> Timing:
    """Write the timing where no switching was seen."""
    if warming > 0:
        return Timing(
            on_why=f"{ON_BEFORE}: places warm from the first frame on",
            off_why=f"{STILL_ON}: places warm and nothing begins to cool",
        )
    return Timing(
        on_why=f"{NOT_SEEN}: no moment at which places begin to warm stands out of the noise",
        off_why=f"{NOT_SEEN}: no moment at which places begin to cool stands out of the noise",
        warm_start=cooling > 0,
    )


def _timing(ups: list[tuple[Measured | None, Measured | None]], was_on: bool, is_warm: bool) -> Timing:
    """Write the moments, or why they are missing."""
    known = tuple(PowerUp(on, off) for on, off in ups if on is not None)
    first_on, first_off = ups[0]
    on_why = ""
    if was_on:
        first_on = None
        on_why = f"{ON_BEFORE}: places are warm or warming in the first frames"
        known = known[1:] if ups[0][0] is not None else known
    off_why = "" if first_off else f"{STILL_ON}: nothing begins to cool before the recording ends"
    warm = is_warm and first_on is not None
    return Timing(first_on, first_off, on_why, off_why, known, len(ups) - 1, warm_start=warm)


def _with_log(timing: Timing, recording: Recording, settings: TimingSettings) -> Timing:
    """Let the supply log decide where it agrees with the temperatures, and report where it does not."""
    log = read_supply_log(recording.facts.supply, settings=settings)
    if log is None or recording.times_s is None:
        return timing
    frame_s = float(np.median(np.diff(recording.times_s))) if recording.frames > 1 else 0.0
    slack = settings.log_slack_frames * frame_s
    inside = [s for s in log.switches if recording.times_s[0] <= s.at_s.high and s.at_s.low <= recording.times_s[-1]]
    ons = [s.at_s for s in inside if s.is_on]
    offs = [s.at_s for s in inside if not s.is_on]
    timing = _join_on(timing, ons, log, slack, float(recording.times_s[0]))
    return _join_off(timing, offs, log, slack, float(recording.times_s[-1]))


def _join_on(timing: Timing, ons: list[Measured], log: LogReading, slack: float, start_s: float) -> Timing:
    """Join power-on from both sources."""
    if ons and timing.on_s is not None:
        moment, agrees = combined(ons[0], timing.on_s, slack)
        if agrees:
            return replace(timing, on_s=moment, source="both")
        return _disagreement(timing, "power-on", ons[0], timing.on_s)
    if ons and timing.on_why.startswith(ON_BEFORE):
        text = (
            f"the supply log switches on at {ons[0].value:.2f} s, but places are warm before; the log is not believed"
        )
        return replace(timing, warnings=(*timing.warnings, text))
    if ons:
        return replace(timing, on_s=ons[0], on_why="", source="supply log")
    if log.starts_on and log.from_s <= start_s and timing.on_s is None:
        return replace(timing, on_why=f"{ON_BEFORE}: the supply log is on from its first line", source="supply log")
    return timing


def _join_off(timing: Timing, offs: list[Measured], log: LogReading, slack: float, end_s: float) -> Timing:
    """Join power-off from both sources."""
    if offs and timing.off_s is not None:
        moment, agrees = combined(offs[0], timing.off_s, slack)
        if agrees:
            return replace(timing, off_s=moment, source="both")
        return _disagreement(timing, "power-off", offs[0], timing.off_s)
    if offs:
        return replace(timing, off_s=offs[0], off_why="", source="supply log" if timing.on_s is None else "both")
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
