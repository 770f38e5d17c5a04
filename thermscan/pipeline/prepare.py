"""One recording: its camera, its motion and its switching times, before any board is known."""

from __future__ import annotations

from dataclasses import dataclass

from thermscan.measure.motion import follow_motion
from thermscan.measure.noise import measure_camera
from thermscan.measure.power_on import find_power
from thermscan.measure.radiometry_camera import band_of
from thermscan.measure.radiometry_recording import as_received
from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Motion
from thermscan.model.recording import Recording
from thermscan.model.settings import Settings
from thermscan.model.timing import Timing


@dataclass(frozen=True)
class Prepared:
    """A recording with what was measured of it alone."""

    recording: Recording
    camera: CameraState
    motion: Motion
    timing: Timing


def prepare(recording: Recording, *, settings: Settings) -> Prepared:
    """Measure camera state, motion and switching times of one recording.

    What the camera had applied already (emissivity and the like) is undone first, so that recordings made with
    different settings compare.
    """
    recording = as_received(recording, band=band_of(recording))
    camera = measure_camera(recording, settings=settings.camera)
    motion = follow_motion(recording, camera, settings=settings.motion)
    timing = find_power(recording, camera, motion, settings=settings.timing)
    return Prepared(recording, camera, motion, timing)
