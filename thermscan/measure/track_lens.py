"""Recordings as a lens without distortion would have shown them, so that a plane is seen through a homography."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np

from thermscan.measure.track import distort, undistort
from thermscan.model.pose import Lens
from thermscan.model.recording import FrameStore, Mark, Recording


@dataclass(frozen=True)
class UndistortedStore:
    """Frames of another store, resampled (cubic) to an ideal lens; NaN where the lens saw nothing.

    Resampling between pixels lowers white noise by up to half and correlates neighbours; measure noise and bad
    pixels on the store itself.
    """

    store: FrameStore
    lens: Lens
    bad: np.ndarray | None = None

    @property
    def shape(self) -> tuple[int, int, int]:
        """Frames, rows, columns."""
        return self.store.shape

    @cached_property
    def _places(self) -> np.ndarray:
        _, rows, columns = self.shape
        y, x = np.mgrid[0:rows, 0:columns].astype(float)
        return distort(self.lens, np.stack([x, y], axis=-1)).astype(np.float32)

    def read(self, start: int, stop: int) -> np.ndarray:
        """Return undistorted frames ``start`` to ``stop``, float32."""
        frames = self.store.read(start, stop)
        return np.array([self._straight(f) for f in frames], dtype=np.float32).reshape(frames.shape)

    def _straight(self, frame: np.ndarray) -> np.ndarray:
        if self.bad is not None and self.bad.any():
            # Each bad pixel would spoil sixteen resampled ones: the mean of its good neighbours stands in.
            good = (~self.bad).astype(np.float32)
            around = cv2.blur(np.where(self.bad, 0, frame), (5, 5)) / np.maximum(cv2.blur(good, (5, 5)), 1e-6)
            frame = np.where(self.bad, around, frame).astype(np.float32)
        # A constant taken off keeps single precision for the small differences that count.
        level = np.float32(np.nanmedian(frame))
        x, y = self._places[..., 0], self._places[..., 1]
        straight = cv2.remap(frame - level, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        seen = (x > -0.5) & (y > -0.5) & (x < frame.shape[1] - 0.5) & (y < frame.shape[0] - 0.5)
        return np.where(seen, straight + level, np.nan)


def lens_of(recording: Recording) -> Lens | None:
    """Return the lens of a recording's camera profile; None where it has none or one that bends nothing."""
    section = None if recording.profile is None else recording.profile.lens
    if section is None or (section.k1 == 0 and section.k2 == 0):
        return None
    return Lens(section.k1, section.k2, section.focal_px, (section.centre_x_px, section.centre_y_px))


def undistort_recording(recording: Recording, lens: Lens, *, bad: np.ndarray | None = None) -> Recording:
    """Return a recording, with its marks, as a lens without distortion would have shown it.

    Parameters
    ----------
    recording : Recording
    lens : Lens
        Of the camera, focal length and centre in pixels of this recording.
    bad : ndarray of bool, shape (rows, columns), or None
        Pixels to replace by their neighbours first.

    Returns
    -------
    Recording
        Poses found on it map to undistorted pixels; ``recorded_matrices`` carries them back.
    """
    marks = []
    for mark in recording.facts.marks:
        x, y = undistort(lens, np.array([mark.x_px, mark.y_px]))
        marks.append(Mark(mark.x_mm, mark.y_mm, float(x), float(y)))
    facts = replace(recording.facts, marks=tuple(marks))
    return replace(recording, store=UndistortedStore(recording.store, lens, bad), facts=facts)
