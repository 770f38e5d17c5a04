"""Coarse shifts of working pictures by correlation with the mean of those before, and with the first ones."""

from __future__ import annotations

import numpy as np
from scipy import fft

from thermscan.measure.motion_pictures import smoothed
from thermscan.model.settings import MotionSettings

NEAR_PX = 3  # of a working picture: places this near are the same place


class CoarseTracker:
    """Follows shifts, one picture after the other, to about half a working pixel.

    Pictures are smoothed until the sensor pattern, which is fine, is weak against the scene; else the correlation peaks
    at no motion. Single strong details are clipped, so that a hand or a hot part is not all that is followed. Peaks
    within ``reach`` of the last shift are looked for, against the mean of the pictures before. What has passed
    through the picture may have taken the shift along: where the first pictures fit clearly better elsewhere, by the
    rule of the check of the whole motion, that place is taken and the memory begins anew.
    """

    def __init__(self, shape: tuple[int, int], settings: MotionSettings) -> None:
        self.shape = shape
        self.settings = settings
        wanted = max(settings.reach_px, settings.reach_share * max(shape))
        self.reach = max(2, min(int(wanted), min(shape) // 2 - 1))
        self.taper = np.sqrt(np.outer(np.hanning(shape[0] + 2)[1:-1], np.hanning(shape[1] + 2)[1:-1]))
        self.down = 2 * np.pi * fft.fftfreq(shape[0])[:, None]
        self.right = 2 * np.pi * fft.rfftfreq(shape[1])[None]
        down, right = (np.abs(fft.fftfreq(n, 1 / n)) for n in shape)
        self.allowed = (down[:, None] <= shape[0] / 4) & (right[None] <= shape[1] / 4)
        self.last = np.zeros(2)
        self.count = 0

    def add(self, picture: np.ndarray) -> np.ndarray:
        """Return the shift (right, down), px, of the next working picture against the first."""
        spectrum = self.spectrum(picture)
        self.count += 1
        if self.count == 1:
            self.running = self.first = spectrum
            return self.last
        self.last = self.peak(self.correlation(spectrum, self.running), self.last, self.reach)
        if (better := self.elsewhere(self.correlation(spectrum, self.first))) is not None:
            self.last, self.running = better, self.first
        back = spectrum * np.exp(1j * (self.right * self.last[0] + self.down * self.last[1]))
        memory = self.settings.memory_frames
        self.running = self.running + (back - self.running) / min(self.count, memory)
        if self.count <= memory:
            self.first = self.running
        return self.last

    def spectrum(self, picture: np.ndarray) -> np.ndarray:
        """Return the spectrum of a picture, clipped and of unit size."""
        usual = 4.5 * float(np.median(np.abs(picture))) + 1e-9  # three sigmas of normal values
        fine = smoothed(np.clip(picture, -usual, usual), self.settings.coarse_px) * self.taper
        return fft.rfft2(fine / (np.sqrt(np.sum(fine**2)) + 1e-12))

    def correlation(self, spectrum: np.ndarray, fixed: np.ndarray) -> np.ndarray:
        """Return the correlation at every shift, ndarray (rows, columns), about 1 where the pictures are alike."""
        return fft.irfft2(spectrum * np.conj(fixed), s=self.shape)

    def elsewhere(self, correlation: np.ndarray) -> np.ndarray | None:
        """Return the place that fits clearly better than the last shift, None where there is none."""
        around = np.round(self.last).astype(int)
        at = np.roll(correlation, tuple(NEAR_PX - around[::-1]), (0, 1))
        here = float(at[: 2 * NEAR_PX + 1, : 2 * NEAR_PX + 1].max())
        best = np.argmax(np.where(self.allowed, correlation, -1.0))
        row, column = np.unravel_index(int(best), self.shape)
        peak = float(correlation[row, column])
        if peak < max(self.settings.check_peak, here + self.settings.check_margin):
            return None
        rows, columns = self.shape
        place = np.array([(column + columns // 2) % columns - columns // 2, (row + rows // 2) % rows - rows // 2])
        return self.peak(correlation, place, 1)

    @staticmethod
    def peak(correlation: np.ndarray, centre: np.ndarray, reach: int) -> np.ndarray:
        """Return the highest place at most ``reach`` from ``centre``, (right, down), by a parabola each way."""
        around = np.round(centre).astype(int)
        near = np.roll(correlation, tuple(reach - around[::-1]), (0, 1))[: 2 * reach + 1, : 2 * reach + 1]
        row, column = np.unravel_index(np.argmax(near), near.shape)
        row, column = np.clip([row, column], 1, 2 * reach - 1)
        fine = [_vertex(near[row, column - 1 : column + 2]), _vertex(near[row - 1 : row + 2, column])]
        return np.array([column, row]) - reach + around + fine


def _vertex(three: np.ndarray) -> float:
    """Return where the parabola through values at -1, 0, 1 peaks, within that range."""
    left, middle, right = (float(v) for v in three)
    bend = left - 2 * middle + right
    return float(np.clip(0.5 * (left - right) / bend, -1, 1)) if bend < 0 else 0.0
