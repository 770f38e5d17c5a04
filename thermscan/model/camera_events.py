"""What the camera did to the data: noise, bad pixels, shutter steps, frozen and dropped frames."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class CameraEvent:
    """One event, for the result and the curves.

    ``kind`` is one of: offset_step, frozen, dropped, blurred, dead_pixels, hot_pixels, flicker_pixels, saturated,
    stripes, drift, blank, passing. ``frame`` is the first frame it touches, ``frames`` how many; ``size`` in the unit
    that ``text`` names, None where it has none.
    """

    kind: str
    frame: int | None
    frames: int
    text: str
    size: float | None = None


@dataclass(frozen=True)
class CameraState:
    """Noise and faults of a recording as measured from its own data.

    Attributes
    ----------
    noise : ndarray of shape (rows, columns)
        Standard deviation of the temporal noise of one frame, in the unit of the frames (K or counts);
        median of it is ``noise_median``.
    bad : ndarray of bool, shape (rows, columns)
        Pixels to leave out (dead, stuck, flickering, saturated in most frames).
    usable : ndarray of bool, shape (frames,)
        False for frozen, blank and shutter frames.
    offset : ndarray of shape (frames,)
        Common offset to SUBTRACT from each frame (shutter steps and drift shared by the whole picture).
    events : tuple of CameraEvent
    row_noise, column_noise : float
        Standard deviation of what whole rows and columns share in a single frame, same unit.
    """

    noise: np.ndarray
    bad: np.ndarray
    usable: np.ndarray
    offset: np.ndarray
    events: tuple[CameraEvent, ...] = ()
    row_noise: float = 0.0
    column_noise: float = 0.0

    @property
    def noise_median(self) -> float:
        """Median noise over the pixels that are not bad, unit of the frames."""
        good = self.noise[~self.bad]
        return float(np.median(good if good.size else self.noise))
