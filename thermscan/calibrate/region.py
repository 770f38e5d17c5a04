"""The part of a picture that shows the reference, and the mean picture of a recording."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.measure.radiometry_camera import band_of
from thermscan.measure.radiometry_recording import as_received
from thermscan.model.errors import InputError
from thermscan.model.recording import Recording


@dataclass(frozen=True)
class Box:
    """Pixels ``x0`` to ``x1`` and ``y0`` to ``y1``, the last ones left out."""

    x0: int
    y0: int
    x1: int
    y1: int

    @property
    def slices(self) -> tuple[slice, slice]:
        """Rows and columns."""
        return slice(self.y0, self.y1), slice(self.x0, self.x1)


def check_box(box: Box, recording: Recording, *, path: str) -> Box:
    """Return the box if it holds pixels of the picture, else raise InputError."""
    if not (0 <= box.x0 < box.x1 <= recording.columns and 0 <= box.y0 < box.y1 <= recording.rows):
        problem = f"{box.x0},{box.y0},{box.x1},{box.y1} is no box inside {recording.columns} x {recording.rows} pixels"
        raise InputError(path, "", problem, "give X0,Y0,X1,Y1 with X0 below X1 and Y0 below Y1")
    return box


def central_box(rows: int, columns: int) -> Box:
    """Return the middle half of the picture each way."""
    return Box(columns // 4, rows // 4, max(columns - columns // 4, 1), max(rows - rows // 4, 1))


@dataclass(frozen=True)
class MeanPicture:
    """Mean over the frames, ndarray (rows, columns); variance over time of each pixel; number of frames."""

    mean: np.ndarray
    variance: np.ndarray
    frames: int


def mean_picture(recording: Recording) -> MeanPicture:
    """Average a recording over its frames, streaming; what the camera had applied is undone."""
    recording = as_received(recording, band=band_of(recording))
    shape = (recording.rows, recording.columns)
    total, squares = np.zeros(shape), np.zeros(shape)
    base = recording.store.read(0, 1)[0].astype(np.float64)
    for _, frames in recording.chunks():
        apart = frames.astype(np.float64) - base
        total += apart.sum(axis=0)
        squares += (apart**2).sum(axis=0)
    n = recording.frames
    variance = (squares - total**2 / n) / max(n - 1, 1)
    return MeanPicture(base + total / n, np.maximum(variance, 0.0), n)
