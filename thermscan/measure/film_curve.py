"""Temperature against time of given board places, at the full frame rate."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from thermscan.measure.film import fill_bad
from thermscan.measure.film_relief import at_height
from thermscan.model.board import Part
from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Pose, Track
from thermscan.model.recording import Recording


def points_on(part: Part, *, across: int = 3) -> np.ndarray:
    """Return ``across`` x ``across`` points spread over the inner half of a part's body, ndarray (n, 2), mm."""
    corners = part.corners_mm()
    centre = corners.mean(axis=0)
    u, v = (corners[1] - corners[0]) / 2, (corners[3] - corners[0]) / 2
    steps = np.linspace(-0.5, 0.5, across)
    return np.array([centre + a * u + b * v for a in steps for b in steps])


def follow_places(
    recording: Recording,
    camera: CameraState,
    track: Track,
    places: Sequence[np.ndarray],
    *,
    heights_mm: Sequence[float] | None = None,
    pattern: np.ndarray | None = None,
) -> np.ndarray:
    """Return the mean temperature of each place in each frame.

    Parameters
    ----------
    recording, camera, track
        Frames, camera state and poses of one recording.
    places : sequence of ndarray of shape (points, 2), mm
    heights_mm : sequence of float, optional
        How far each place lies above the board: a tilted view shows it beside its footprint. Default: flat.
    pattern : ndarray of shape (rows, columns), optional
        Sensor pattern to take off.

    Returns
    -------
    ndarray of shape (places, frames)
        Unit of the recording; NaN in frames without a pose, not usable, or where most of the place is out of view.
    """
    curves = np.full((len(places), recording.frames), np.nan)
    if not places:
        return curves
    points = np.concatenate(places)
    owner = np.repeat(np.arange(len(places)), [len(p) for p in places])
    counts = np.bincount(owner, minlength=len(places))
    if heights_mm is not None and track.lean is not None:
        points = at_height(points, np.asarray(heights_mm, float)[owner], track.lean)
    for start, frames in recording.chunks():
        for number, frame in enumerate(frames, start):
            pose = track.poses[number]
            if not isinstance(pose, Pose) or not camera.usable[number]:
                continue
            xy = pose.to_px(points)
            if track.lens is not None:
                xy = track.lens.distort(xy)
            picture = fill_bad(frame, camera.bad) - np.float32(camera.offset[number])
            if pattern is not None:
                picture = picture - pattern.astype(np.float32)
            # remap refuses rows longer than 32767, so points stand in a column
            x, y = xy[:, :1].astype(np.float32), xy[:, 1:].astype(np.float32)
            values = cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[:, 0].astype(float)
            outside = (x < -0.5) | (x > recording.columns - 0.5) | (y < -0.5) | (y > recording.rows - 0.5)
            known = ~outside[:, 0] & np.isfinite(values)
            seen = np.bincount(owner[known], minlength=len(places))
            total = np.bincount(owner[known], values[known], minlength=len(places))
            enough = seen > counts / 2
            curves[enough, number] = total[enough] / seen[enough]
    return curves
