"""Coarse shifts of working pictures by correlation with the mean of those before."""

from __future__ import annotations

import numpy as np
from scipy import fft

from thermscan.measure.motion_pictures import smoothed
from thermscan.model.settings import MotionSettings


class CoarseTracker:
    """Follows shifts, one picture after the other, to about half a working pixel.

    Pictures are smoothed until the sensor pattern, which is fine, is weak against the scene; else the correlation peaks
    at no motion. Only peaks within ``reach_px`` of the last shift are taken.
    """

    def __init__(self, shape: tuple[int, int], settings: MotionSettings) -> None:
        self.shape = shape
        self.smoothing_px = settings.coarse_px
        self.reach = max(2, min(int(settings.reach_px), min(shape) // 2 - 1))
        self.memory = settings.memory_frames
        self.taper = np.sqrt(np.outer(np.hanning(shape[0] + 2)[1:-1], np.hanning(shape[1] + 2)[1:-1]))
        self.down = 2 * np.pi * fft.fftfreq(shape[0])[:, None]
        self.right = 2 * np.pi * fft.rfftfreq(shape[1])[None]
        self.last = np.zeros(2)
        self.count = 0

    def add(self, picture: np.ndarray) -> np.ndarray:
        """Return the shift (right, down), px, of the next working picture against the first."""
        spectrum = fft.rfft2(smoothed(picture, self.smoothing_px) * self.taper)
        self.count += 1
        if self.count == 1:
            self.running = spectrum
            return self.last
        self.last = self.peak(fft.irfft2(spectrum * np.conj(self.running), s=self.shape))
        back = np.exp(1j * (self.right * self.last[0] + self.down * self.last[1]))
        self.running += (spectrum * back - self.running) / min(self.count, self.memory)
        return self.last

    def peak(self, correlation: np.ndarray) -> np.ndarray:
        """Return the highest place near the last shift, (right, down), by a parabola each way."""
        around = np.round(self.last).astype(int)
        near = np.roll(correlation, tuple(self.reach - around[::-1]), (0, 1))[
            : 2 * self.reach + 1, : 2 * self.reach + 1
        ]
        row, column = np.unravel_index(np.argmax(near), near.shape)
        row, column = np.clip([row, column], 1, 2 * self.reach - 1)
        fine = [_vertex(near[row, column - 1 : column + 2]), _vertex(near[row - 1 : row + 2, column])]
        return np.array([column, row]) - self.reach + around + fine


def _vertex(three: np.ndarray) -> float:
    """Return where the parabola through values at -1, 0, 1 peaks, within that range."""
    left, middle, right = (float(v) for v in three)
    bend = left - 2 * middle + right
    return float(np.clip(0.5 * (left - right) / bend, -1, 1)) if bend < 0 else 0.0
