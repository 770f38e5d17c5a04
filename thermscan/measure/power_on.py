"""Power-on, power-off and restarts of the board in a recording, from temperatures and the supply log."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from thermscan.measure.power_cells import CellSeries, sample_cells
from thermscan.measure.power_edges import EdgeFit, find_edges
from thermscan.measure.power_fit import first_moment, moment_profile, source_cells
from thermscan.measure.power_log import LogReading, combined, read_supply_log
from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Motion
from thermscan.model.quantity import Measured
from thermscan.model.recording import Recording
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import PowerUp, Timing

ON_BEFORE, NOT_SEEN, STILL_ON = "on_before_recording", "not_seen", "still_on"


@dataclass(frozen=True)
class SwitchTrain:
    """Edges read as switchings.

    ``runs`` holds (edge of power-on or None, edge of power-off or None) a power-up; None for on: it was on before.
    """

    runs: tuple[tuple[int | None, int | None], ...]


def find_power(
    recording: Recording, camera: CameraState, motion: Motion, *, settings: TimingSettings = TimingSettings()
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
    breaks = np.array([recording.times_s[e.frame] for e in camera.events if e.kind == "offset_step" and e.frame])
    fit = find_edges(cells, breaks, settings=settings)
    return _with_log(_seen(cells, fit, settings), recording, settings)


def _seen(cells: CellSeries, fit: EdgeFit, settings: TimingSettings) -> Timing:
    """Timing from the temperatures alone."""
    train = read_train(fit, settings=settings)
    ups = []
    for start, stop in train.runs:
        on = None if start is None else _moment(cells, fit, start, 1.0, settings)
        off = None if stop is None else _moment(cells, fit, stop, -1.0, settings)
        ups.append((on, off))
    began_warm, began_cooling = history_signs(cells, fit, settings=settings)
    return _timing(ups, began_warm, began_cooling)


def _timing(ups: list[tuple[Measured | None, Measured | None]], was_on: bool, was_cooling: bool) -> Timing:
    """Write the moments, or why they are missing."""
    known = tuple(PowerUp(on, off) for on, off in ups if on is not None)
    if not ups:
        why = (
            f"{ON_BEFORE}: places warm from the first frame on"
            if was_on
            else f"{NOT_SEEN}: no moment at which places begin to warm stands out of the noise"
        )
        off = f"{STILL_ON}: places warm and nothing cools" if was_on else f"{NOT_SEEN}: nothing begins to cool at once"
        return Timing(on_why=why, off_why=off, warm_start=was_cooling)
    first_on, first_off = ups[0]
    on_why = "" if first_on else f"{ON_BEFORE}: the first change seen is the power going off"
    if was_on and first_on:
        first_on, on_why = None, f"{ON_BEFORE}: places warm from the first frame on"
    off_why = "" if first_off else f"{STILL_ON}: nothing begins to cool before the recording ends"
    return Timing(
        first_on, first_off, on_why, off_why, known, max(0, len(ups) - 1), warm_start=was_cooling and first_on is not None
    )


def _moment(cells: CellSeries, fit: EdgeFit, number: int, sign: float, settings: TimingSettings) -> Measured:
    """Refine one edge on the places that answer it first."""
    strength = sign * fit.response[number] / fit.error[number]
    chosen = source_cells(cells, strength, settings=settings)
    if not len(chosen):
        chosen = np.argsort(-strength)[:3]
    profile = moment_profile(cells, fit, number, chosen, sign=sign, settings=settings)
    share = settings.prompt_share_on if sign > 0 else settings.prompt_share_off
    moment = first_moment(profile, share, settings=settings)
    edge = float(fit.times_s[number])
    return moment or Measured(edge, edge - cells.step_s, edge + cells.step_s)


def edge_signs(fit: EdgeFit, *, settings: TimingSettings) -> np.ndarray:
    """Return 1 for an edge at which places begin to warm, -1 to cool, 0 where both or none do."""
    z = fit.response / fit.error
    up = np.square(np.where(z > settings.source_sigmas, z, 0.0)).sum(axis=1)
    down = np.square(np.where(z < -settings.source_sigmas, z, 0.0)).sum(axis=1)
    balance = (up - down) / np.maximum(up + down, 1e-12)
    return np.where(balance > settings.purity, 1, np.where(balance < -settings.purity, -1, 0))


def read_train(fit: EdgeFit, *, settings: TimingSettings) -> SwitchTrain:
    """Read edges as a train of switchings.

    The board is on from a warming edge until the power left, the median over the places that warmed of their
    share, falls below ``settings.off_share``; later warming edges are stages of the same start.
    """
    signs = edge_signs(fit, settings=settings)
    runs: list[tuple[int | None, int | None]] = []
    start: int | None = None
    is_on = False
    level = np.zeros(fit.response.shape[1])
    for number, sign in enumerate(signs):
        if sign > 0 and not is_on:
            start, is_on, level = number, True, np.clip(fit.response[number], 0, None)
        elif sign > 0:
            level = level + fit.response[number]
        elif sign < 0 and is_on:
            if _share_left(level, fit, number, settings) < settings.off_share:
                runs.append((start, number))
                is_on = False
            else:
                level = np.clip(level + fit.response[number], 0, None)
        elif sign < 0 and not runs:
            runs.append((None, number))
    if is_on:
        runs.append((start, None))
    return SwitchTrain(tuple(runs))


def _share_left(level: np.ndarray, fit: EdgeFit, number: int, settings: TimingSettings) -> float:
    """Share of the power that is left after a cooling edge, median over the places that had any."""
    error = fit.error[number]
    had = level > settings.source_sigmas * error
    if not had.any():
        had = level >= np.sort(level)[-3]
    left = (level[had] + fit.response[number][had]) / level[had]
    order = np.argsort(left)
    weight = np.cumsum((level[had] / error[had])[order])
    return float(left[order][np.searchsorted(weight, weight[-1] / 2)])


def history_signs(cells: CellSeries, fit: EdgeFit, *, settings: TimingSettings) -> tuple[bool, bool]:
    """Say whether places warm, and whether places cool, from the first frame on (heat of an earlier run)."""
    z = fit.history / fit.history_error
    up = np.square(np.where(z > settings.source_sigmas, z, 0.0)).sum()
    down = np.square(np.where(z < -settings.source_sigmas, z, 0.0)).sum()
    balance = (up - down) / max(up + down, 1e-12)
    return bool(up > 0 and balance > settings.purity), bool(down > 0 and balance < -settings.purity)


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
        text = f"the supply log switches on at {ons[0].value:.2f} s, but places are warm before; the log is not believed"
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
