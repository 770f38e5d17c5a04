"""Frames in which a hand or a tool stands before the board while it is cold: they are left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from thermscan.model.camera_events import CameraEvent, CameraState
from thermscan.model.recording import Recording
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import Timing


def without_visits(
    recording: Recording, camera: CameraState, timing: Timing, *, settings: TimingSettings
) -> CameraState:
    """Return the camera state with frames before power-on in which something stood before the camera not usable.

    Parameters
    ----------
    recording : Recording
        With ``times_s``.
    camera : CameraState
    timing : Timing
        Its ``visits``, and its power-on.
    settings : TimingSettings

    Returns
    -------
    CameraState
        With an event of kind ``passing`` for each visit; the same where there is none. Where fewer than
        ``settings.visit_left`` frames before power-on would be left, all stay usable and the event says so.

    Notes
    -----
    What all later pictures are compared with, and what the board is placed in, are the frames before power-on: a hand
    in them would be cold where it was, and an edge of the board. Later, only what it hides is left out. Where power-on
    is not known all frames count as before it.
    """
    if recording.times_s is None or not timing.visits:
        return camera
    until = np.inf if timing.on_s is None else timing.on_s.low
    cold = camera.usable & (recording.times_s < until)
    usable, hits = camera.usable.copy(), []
    for start, stop in timing.visits:
        hit = np.flatnonzero(cold & (recording.times_s >= start) & (recording.times_s <= stop))
        if len(hit):
            hits.append(hit)
            usable[hit] = False
    if not hits:
        return camera
    are_left = (usable & cold).sum() >= settings.visit_left
    events = [_event(hit, are_left=are_left) for hit in hits]
    return replace(camera, usable=usable if are_left else camera.usable, events=(*camera.events, *events))


def _event(hit: np.ndarray, *, are_left: bool) -> CameraEvent:
    """Return the event of a visit; ``hit`` are its frames before power-on, ndarray of int."""
    what = "something stood before the camera (a hand, a tool, a cable)"
    if are_left:
        text = f"{what}: {len(hit)} frames before power-on are left out"
    else:
        text = (
            f"{what} in nearly all frames before power-on: what it hid there cannot be compared; film again without it"
        )
    return CameraEvent("passing", int(hit[0]), int(hit[-1] - hit[0]) + 1, text)
