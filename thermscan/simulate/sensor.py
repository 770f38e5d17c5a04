"""From radiance to what is in the file: noise, fixed pattern, shutter events, bad pixels, counts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from thermscan.physics.radiation import LONG_WAVE, Band, band_radiance, radiance_temperature

SHORTEST = 12  # recordings with fewer frames have no events
CACHE_BYTES = 200_000_000  # made frames are kept as counts up to this size, so that later passes are quick


@dataclass(frozen=True)
class Sensor:
    """One camera for one recording.

    Attributes
    ----------
    noise_k : float
        Temporal noise of a pixel.
    row_noise_k : float
        Noise that a whole row shares in one frame.
    pattern_k : ndarray of shape (rows, columns)
        Fixed in the sensor.
    column_drift_k : ndarray of shape (frames, columns)
        Stripes that wander.
    pixel_drift_k : ndarray of shape (2, rows, columns)
        Patterns that come and go.
    pixel_walk : ndarray of shape (frames, 2)
        How much of each is there.
    offset_k : ndarray of shape (frames,)
        Drift and shutter steps common to the picture.
    source_frame : ndarray of int, shape (frames,)
        Which frame is shown; less than its own number where frozen.
    dead : ndarray of int, shape (count, 2)
        Row and column of pixels that stay at one value.
    flicker : ndarray of int, shape (count, 2)
        Pixels with ten times the noise.
    scale_k, offset_count_k : float
        Counts to kelvin.
    """

    noise_k: float
    row_noise_k: float
    pattern_k: np.ndarray
    column_drift_k: np.ndarray
    pixel_drift_k: np.ndarray
    pixel_walk: np.ndarray
    offset_k: np.ndarray
    source_frame: np.ndarray
    dead: np.ndarray
    flicker: np.ndarray
    scale_k: float = 0.01
    offset_count_k: float = 173.15
    emissivity_set: float = 1.0
    reflected_set_c: float = 23.0
    band: Band = LONG_WAVE
    events: tuple[tuple[str, int, int], ...] = field(default=())

    def temperature(self, radiance: np.ndarray) -> np.ndarray:
        """Turn radiance into the temperature that the camera shows, degrees Celsius."""
        if self.emissivity_set < 1.0:
            surroundings = band_radiance(self.reflected_set_c, band=self.band)
            radiance = (radiance - (1 - self.emissivity_set) * surroundings) / self.emissivity_set
        return radiance_temperature(radiance, band=self.band)

    def expose(self, celsius: np.ndarray, frame: int, seed: int) -> np.ndarray:
        """Add everything the sensor adds; the same frame and seed give the same result.

        Parameters
        ----------
        celsius : ndarray of shape (rows, columns)
        frame : int
        seed : int

        Returns
        -------
        ndarray of uint16, shape (rows, columns)
            Counts.
        """
        random = np.random.default_rng((seed, frame))
        rows, columns = celsius.shape
        out = celsius + self.pattern_k + self.column_drift_k[frame] + self.offset_k[frame]
        out += np.tensordot(self.pixel_walk[frame], self.pixel_drift_k, axes=1)
        out += self.noise_k * random.standard_normal((rows, columns), dtype=np.float32)
        out += self.row_noise_k * random.standard_normal((rows, 1))
        if len(self.flicker):
            out[self.flicker[:, 0], self.flicker[:, 1]] += 10 * self.noise_k * random.standard_normal(len(self.flicker))
        counts = np.round((out + 273.15 - self.offset_count_k) / self.scale_k)
        counts = np.clip(counts, 0, 65535).astype(np.uint16)
        if len(self.dead):
            counts[self.dead[:, 0], self.dead[:, 1]] = (self.dead[:, 0] * 131 + self.dead[:, 1] * 17) % 2 * 20000
        return counts


class MadeStore:
    """Frames that are rendered when read; ``unit`` celsius or count.

    Parameters
    ----------
    shape : (frames, rows, columns)
    make : callable
        Frame number to uint16 counts; deterministic.
    scale_k, offset_k : float
        Counts to kelvin.
    unit : {'celsius', 'count'}
    """

    def __init__(
        self,
        shape: tuple[int, int, int],
        make: Callable[[int], np.ndarray],
        *,
        scale_k: float,
        offset_k: float,
        unit: str,
    ) -> None:
        self.shape = shape
        self._make, self._scale, self._offset, self._unit = make, scale_k, offset_k, unit
        keeps = shape[0] * shape[1] * shape[2] * 2 <= CACHE_BYTES
        self._kept: dict[int, np.ndarray] | None = {} if keeps else None

    def counts(self, start: int, stop: int) -> np.ndarray:
        """Return uint16 counts of frames ``start`` to ``stop``, ndarray (frames, rows, columns)."""
        out = np.empty((max(0, stop - start), *self.shape[1:]), np.uint16)
        for i in range(start, stop):
            frame = None if self._kept is None else self._kept.get(i)
            if frame is None:
                frame = self._make(i)
                if self._kept is not None:
                    self._kept[i] = frame
            out[i - start] = frame
        return out

    def read(self, start: int, stop: int) -> np.ndarray:
        """Return frames as float32, degrees Celsius or counts."""
        counts = self.counts(start, min(stop, self.shape[0])).astype(np.float32)
        if self._unit == "count":
            return counts
        return counts * np.float32(self._scale) + np.float32(self._offset - 273.15)


@dataclass(frozen=True)
class SensorFaults:
    """How bad a camera is; standard deviations in K."""

    noise_k: float = 0.05
    row_noise_k: float = 0.005
    pixel_pattern_k: float = 0.08
    column_pattern_k: float = 0.08
    column_drift_k: float = 0.02
    pixel_drift_k: float = 0.02
    drift_k: float = 0.1
    events: bool = False
    bad_share: float = 3e-4


def draw_sensor(
    random: np.random.Generator, times_s: np.ndarray, *, resolution: tuple[int, int], faults: SensorFaults
) -> Sensor:
    """Draw the sensor of a recording.

    Parameters
    ----------
    random : numpy Generator
    times_s : ndarray of shape (frames,), s
    resolution : (columns, rows)
    faults : SensorFaults

    Returns
    -------
    Sensor
    """
    columns, rows = resolution
    count = len(times_s)
    pattern = random.normal(0, faults.pixel_pattern_k, (rows, columns))
    pattern = pattern + random.normal(0, faults.column_pattern_k, columns)
    step = np.sqrt(np.diff(times_s, prepend=times_s[0]) / 10.0)
    stripes = np.cumsum(random.normal(size=(count, columns)) * step[:, None] * faults.column_drift_k, axis=0)
    u = (times_s - times_s[0]) / max(times_s[-1] - times_s[0], 1e-6)
    offset = faults.drift_k * (random.normal() * u + 0.3 * random.normal() * np.sin(2 * np.pi * (u + random.random())))
    pixels = random.normal(0, faults.pixel_drift_k, (2, rows, columns))
    walk = np.cumsum(random.normal(size=(count, 2)) * step[:, None], axis=0)
    source, events = np.arange(count), []
    if faults.events:
        offset, source, events = _draw_events(random, times_s, offset)
    share = faults.bad_share * rows * columns
    places = random.integers(0, (rows, columns), size=(int(random.poisson(share)), 2))
    split = len(places) // 3
    return Sensor(
        faults.noise_k,
        faults.row_noise_k,
        pattern.astype(np.float32),
        stripes.astype(np.float32),
        pixels.astype(np.float32),
        walk.astype(np.float32),
        offset,
        source,
        places[split:],
        places[:split],
        events=tuple(events),
    )


def _draw_events(
    random: np.random.Generator, times_s: np.ndarray, offset: np.ndarray
) -> tuple[np.ndarray, np.ndarray, list[tuple[str, int, int]]]:
    """Draw shutter steps (each freezes the picture for a moment) and single repeated frames."""
    count = len(times_s)
    source, events, offset = np.arange(count), [], offset.copy()
    rate = count / max(times_s[-1] - times_s[0], 1e-6)
    for _ in range(int(random.integers(0, 3))):
        if count < SHORTEST:
            break
        at = int(random.integers(2, count - 2))
        held = int(np.clip(round(rate * random.uniform(0.1, 0.5)), 1, max(1, count - at - 1)))
        offset[at + held :] += random.normal(0, 0.25)
        source[at : at + held] = source[at - 1]
        events += [("frozen", at, held), ("offset_step", at + held, 1)]
    for _ in range(int(random.integers(0, 3))):
        if count < SHORTEST:
            break
        at = int(random.integers(2, count - 1))
        source[at] = source[at - 1]
        events.append(("frozen", at, 1))
    return offset, source, sorted(events, key=lambda e: e[1])


def drop_frames(
    random: np.random.Generator, times_s: np.ndarray, *, runs: int
) -> tuple[np.ndarray, list[tuple[str, int, int]]]:
    """Leave out short runs of frames; returns the times that remain and the events (frame after the gap)."""
    keep = np.ones(len(times_s), bool)
    for _ in range(runs if len(times_s) >= SHORTEST else 0):
        at = int(random.integers(2, len(times_s) - 4))
        keep[at : at + int(random.integers(1, 4))] = False
    kept = np.flatnonzero(keep)
    jumps = np.flatnonzero(np.diff(kept) > 1)
    return times_s[keep], [("dropped", int(j + 1), int(kept[j + 1] - kept[j] - 1)) for j in jumps]
