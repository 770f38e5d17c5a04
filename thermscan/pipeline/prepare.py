"""One recording: its camera, its motion and its switching times, before any board is known."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from thermscan.measure.motion import follow_motion, redrawn
from thermscan.measure.noise import measure_camera
from thermscan.measure.power_cells import CellSeries, sample_cells
from thermscan.measure.power_on import find_power
from thermscan.measure.power_warm import warming_places
from thermscan.measure.radiometry_camera import band_of, profile_noise
from thermscan.measure.radiometry_recording import as_received
from thermscan.measure.track_lens import lens_of, undistort_recording
from thermscan.measure.visitor import without_visits
from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Lens, Motion
from thermscan.model.recording import Recording
from thermscan.model.settings import Settings
from thermscan.model.timing import Timing
from thermscan.pipeline.progress import Tell, Together, silent

WORKERS = 2  # recordings followed at once: memory stays bounded, and bench computers have two cores or more


@dataclass(frozen=True)
class Prepared:
    """A recording with what was measured of it alone.

    ``lens`` is the one whose distortion was taken out of it, ``cells`` the places that its timing was read from.
    """

    recording: Recording
    camera: CameraState
    motion: Motion
    timing: Timing
    lens: Lens | None = None
    cells: CellSeries | None = None


def prepare(recording: Recording, *, settings: Settings, tell: Tell = silent) -> Prepared:
    """Measure camera state, motion and switching times of one recording.

    What the camera had applied already (emissivity and the like) is undone first, so that recordings made with
    different settings compare; so is the distortion of the lens where the camera's profile knows it, for poses are
    those of an ideal lens. ``tell`` is told of the steps, in shares of this recording's work.
    """
    tell("measuring the camera", 0.0)
    recording = as_received(recording, band=band_of(recording))
    camera = profile_noise(measure_camera(recording, settings=settings.camera), recording)
    lens = lens_of(recording)
    if lens is not None:  # noise and bad pixels are those of the pixels as recorded
        recording = undistort_recording(recording, lens, bad=camera.bad)
    tell("following the picture", 0.4)
    motion = follow_motion(recording, camera, settings=settings.motion)
    tell("looking for power-on", 0.8)
    cells = sample_cells(recording, camera, motion, settings=settings.timing)
    timing = find_power(recording, camera, cells, settings=settings.timing)
    visited, camera = camera, without_visits(recording, camera, timing, settings=settings.timing)
    if camera.usable is not visited.usable:
        before_s = np.inf if timing.on_s is None else timing.on_s.low
        motion = redrawn(recording, camera, motion, before_s, settings=settings.motion)
    motion = replace(motion, warm_px=warming_places(cells, timing, settings=settings.timing))
    tell("measured", 1.0)
    return Prepared(recording, camera, motion, timing, lens, cells)


def prepare_all(
    recordings: Sequence[Recording], *, settings: Settings, tell: Tell = silent, upto: float = 1.0
) -> list[Prepared]:
    """Prepare several recordings, two at a time, in their order; progress is told up to the share ``upto``."""
    together = Together(tell, len(recordings), upto=upto)

    def one(number: int) -> Prepared:
        recording = recordings[number]
        return prepare(recording, settings=settings, tell=together.work(number, recording.name))

    with ThreadPoolExecutor(WORKERS) as pool:  # array libraries let go of the interpreter while they compute
        return list(pool.map(one, range(len(recordings))))
