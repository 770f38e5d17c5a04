"""Coarse shifts of working pictures by correlation with the mean of those before, and with the first ones."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from thermscan.measure.motion_pictures import as_shift, misfit, smoothed, steepness
from thermscan.model.settings import MotionSettings

NEAR_PX = 3  # of a working picture: places this near are the same place


@dataclass(frozen=True)
class _Memory:
    """Pictures as they were: the mean spectrum and one smoothed picture, both moved back, and their last shift."""

    spectrum: np.ndarray
    picture: np.ndarray
    shift: np.ndarray


class CoarseTracker:
    """Follows shifts, one picture after the other, to about half a working pixel.

    Pictures are smoothed until the sensor pattern, which is fine, is weak against the scene; else the correlation
    peaks at no motion. Single strong details are clipped, so that a hand or a hot part is not all that is followed.
    Peaks within ``reach`` of the last shift are looked for, against the mean of the pictures before. What has
    passed through the picture may have taken the shift along: where the first pictures, or those from which the
    shift has moved away since, fit clearly better elsewhere, by the rule of the check of the whole motion, that
    place is taken and the memory begins anew. A part that warms looks like one that was warm before, some way off;
    so more of the picture must lie right there as well. The memory also begins anew where bright and dark change
    places, as on bare metal that mirrors somebody who comes: a jump is believed only where edges of either sign
    have jumped too since the picture before.
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
        self.kept: deque[_Memory] = deque(maxlen=settings.memories)
        self.since = 0  # pictures in the memory
        self.before: np.ndarray | None = None

    def add(self, picture: np.ndarray) -> np.ndarray:
        """Return the shift (right, down), px, of the next working picture against the first."""
        spectrum = self.spectrum(picture)
        self.count += 1
        before, self.before = self.before, picture
        if before is None:
            self.running = spectrum
            self.first = _Memory(spectrum, smoothed(picture, self.settings.coarse_px), self.last)
            return self.last
        found = self.peak(self.correlation(spectrum, self.running), self.last, self.reach)
        self.since += 1
        if np.hypot(*(found - self.last)) > NEAR_PX and (stayed := self.stayed(picture, before, found)) is not None:
            found, self.since = stayed, 1
            self.running = self.moved_back(spectrum, found)
        self.last = found
        for known in (self.first, *self.before_a_move()):
            if (better := self.elsewhere(picture, spectrum, known)) is not None:
                self.last, self.running, self.since = better, known.spectrum, self.settings.memory_frames
                # memories that lie elsewhere were taken along as well
                near = [m for m in self.kept if np.hypot(*(m.shift - better)) <= NEAR_PX]
                self.kept = deque(near, self.settings.memories)
                break
        back = self.moved_back(spectrum, self.last)
        memory = self.settings.memory_frames
        self.running = self.running + (back - self.running) / min(self.since + 1, memory)
        if self.count <= memory:
            self.first = replace(self.first, spectrum=self.running)
        elif self.count % memory == 0:
            fine = np.roll(smoothed(picture, self.settings.coarse_px), np.round(-self.last[::-1]).astype(int), (0, 1))
            self.kept.append(_Memory(self.running, fine, self.last))
        return self.last

    def before_a_move(self) -> list[_Memory]:
        """Return the last memory from which the shift has moved away since: something may have taken it along."""
        moved = [m for m in self.kept if np.hypot(*(m.shift - self.last)) > NEAR_PX]
        return moved[-1:]

    def moved_back(self, spectrum: np.ndarray, shift: np.ndarray) -> np.ndarray:
        """Return the spectrum of the same picture without its shift."""
        return spectrum * np.exp(1j * (self.right * shift[0] + self.down * shift[1]))

    def stayed(self, picture: np.ndarray, before: np.ndarray, found: np.ndarray) -> np.ndarray | None:
        """Return where a picture lies near the one before, None where its edges have jumped to ``found`` as well.

        Slopes have lost their sign: what was dark and is bright has the same edges.
        """
        now, then = (self.spectrum(steepness(p)) for p in (picture, before))
        correlation = self.correlation(now, then)
        near, far = self.peak(correlation, np.zeros(2), NEAR_PX), self.peak(correlation, found - self.last, NEAR_PX)
        return self.last + near if self.height(correlation, near) >= self.height(correlation, far) else None

    @staticmethod
    def height(correlation: np.ndarray, shift: np.ndarray) -> float:
        """Return the correlation at a shift (right, down), px."""
        rows, columns = correlation.shape
        return float(correlation[round(float(shift[1])) % rows, round(float(shift[0])) % columns])

    def spectrum(self, picture: np.ndarray) -> np.ndarray:
        """Return the spectrum of a picture, clipped and of unit size."""
        usual = 4.5 * float(np.median(np.abs(picture))) + 1e-9  # three sigmas of normal values
        fine = smoothed(np.clip(picture, -usual, usual), self.settings.coarse_px) * self.taper
        return fft.rfft2(fine / (np.sqrt(np.sum(fine**2)) + 1e-12))

    def correlation(self, spectrum: np.ndarray, fixed: np.ndarray) -> np.ndarray:
        """Return the correlation at every shift, ndarray (rows, columns), about 1 where the pictures are alike."""
        return fft.irfft2(spectrum * np.conj(fixed), s=self.shape)

    def elsewhere(self, picture: np.ndarray, spectrum: np.ndarray, known: _Memory) -> np.ndarray | None:
        """Return the place where a picture fits a memory clearly better than at the last shift, None if nowhere."""
        correlation = self.correlation(spectrum, known.spectrum)
        around = np.round(self.last).astype(int)
        at = np.roll(correlation, tuple(NEAR_PX - around[::-1]), (0, 1))
        here = float(at[: 2 * NEAR_PX + 1, : 2 * NEAR_PX + 1].max())
        best = np.argmax(np.where(self.allowed, correlation, -1.0))
        row, column = np.unravel_index(int(best), self.shape)
        peak = float(correlation[row, column])
        if peak < max(self.settings.check_peak, here + self.settings.check_margin):
            return None
        place = np.array(as_shift((row, column), self.shape))
        fine = smoothed(picture, self.settings.coarse_px)
        if misfit(known.picture, fine, place) >= misfit(known.picture, fine, self.last):
            return None
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
