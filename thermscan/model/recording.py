"""A recording: frames with a time each, and the facts written beside it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np

from thermscan.model.camera_profile import CameraProfile

UNITS = ("count", "celsius", "kelvin", "fahrenheit")
DRIVE_MODES = ("board", "injection", "periodic")
CHUNK_BYTES = 48_000_000  # float32 frames held at once while streaming; keeps memory flat in recording length


class FrameStore(Protocol):
    """Frames that can be read in runs; opened files stay behind this."""

    shape: tuple[int, int, int]

    def read(self, start: int, stop: int) -> np.ndarray:
        """Return frames ``start`` to ``stop`` as float32 ndarray of shape (frames, rows, columns)."""
        ...


@dataclass(frozen=True)
class ArrayStore:
    """Frames that are in memory: ndarray (frames, rows, columns)."""

    array: np.ndarray

    @property
    def shape(self) -> tuple[int, int, int]:
        """Frames, rows, columns."""
        frames, rows, columns = self.array.shape
        return frames, rows, columns

    def read(self, start: int, stop: int) -> np.ndarray:
        """Return a float32 copy of frames ``start`` to ``stop``."""
        return np.array(self.array[start:stop], dtype=np.float32)


@dataclass(frozen=True)
class LinearStore:
    """Frames of another store times ``factor`` plus ``offset``: counts or other units to degrees Celsius."""

    store: FrameStore
    factor: float
    offset: float

    @property
    def shape(self) -> tuple[int, int, int]:
        """Frames, rows, columns."""
        return self.store.shape

    def read(self, start: int, stop: int) -> np.ndarray:
        """Return converted frames, float32."""
        raw = self.store.read(start, stop).astype(np.float64)
        return (raw * self.factor + self.offset).astype(np.float32)


@dataclass(frozen=True)
class SliceStore:
    """Frames ``start`` to ``stop`` of another store."""

    store: FrameStore
    start: int
    stop: int

    @property
    def shape(self) -> tuple[int, int, int]:
        """Frames, rows, columns."""
        return (self.stop - self.start, *self.store.shape[1:])

    def read(self, start: int, stop: int) -> np.ndarray:
        """Return frames counted from the start of the slice."""
        return self.store.read(self.start + start, min(self.start + stop, self.stop))


@dataclass(frozen=True)
class SupplyPoint:
    """One line of the supply log."""

    time_s: float
    volts: float
    amps: float


@dataclass(frozen=True)
class Drive:
    """What was set while the board was on: ``mode`` is board, injection or periodic."""

    mode: str = "board"
    net: str | None = None
    volts: float | None = None
    amps: float | None = None
    frequency_hz: float | None = None
    duty: float | None = None


@dataclass(frozen=True)
class Mark:
    """A known board place clicked in the first frame: mm on the board, pixels in the picture."""

    x_mm: float
    y_mm: float
    x_px: float
    y_px: float


@dataclass(frozen=True)
class Facts:
    """What the sidecar says.

    ``emissivity``, ``reflected_c`` and ``transmission`` are what the camera HAS ALREADY applied to the numbers
    (None or 1.0: nothing). ``ambient_c`` is the air. ``side`` is the side that the picture shows.
    """

    emissivity: float | None = None
    reflected_c: float | None = None
    transmission: float | None = None
    ambient_c: float | None = None
    side: str = "top"
    supply: tuple[SupplyPoint, ...] = ()
    drive: Drive | None = None
    marks: tuple[Mark, ...] = ()
    camera: str | None = None


@dataclass(frozen=True)
class Recording:
    """Frames of one or more power-ups of one board.

    Attributes
    ----------
    name : str
        Short name for messages (file stem).
    path : str
        As the user named it.
    store : FrameStore
        Frames in degrees Celsius where ``unit`` is ``'celsius'``, else raw counts.
    unit : {'celsius', 'count'}
        ``'count'`` only where neither a scale nor a camera profile is known.
    times_s : ndarray of shape (frames,), s, or None
        The recording's own clock, strictly increasing. None where no times are known; ``times_why`` says why.
    facts : Facts
    sha256 : str
        Of the file (of the sorted files' digests for a series); empty for recordings made in memory.
    saturated_at : float or None
        Highest representable value, in the unit of the frames, if the format has one.
    warnings, notes : tuple of str
        Sentences for the user: what looks wrong, and what the reader did.
    profile : CameraProfile or None
        Of the camera, where one is known; its scale and pixels are applied to the frames already.
    """

    name: str
    path: str
    store: FrameStore
    unit: str
    times_s: np.ndarray | None
    times_why: str = ""
    facts: Facts = field(default_factory=Facts)
    sha256: str = ""
    saturated_at: float | None = None
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    profile: CameraProfile | None = None

    def __post_init__(self) -> None:
        if self.times_s is not None:
            times = np.array(self.times_s, dtype=float)
            times.setflags(write=False)
            object.__setattr__(self, "times_s", times)

    @classmethod
    def from_array(
        cls,
        frames: np.ndarray,
        times_s: np.ndarray | None,
        *,
        name: str = "made",
        unit: str = "celsius",
        facts: Facts | None = None,
    ) -> Recording:
        """Make a recording from an ndarray (frames, rows, columns) in ``unit`` (celsius or count)."""
        why = "" if times_s is not None else "no frame times are known; give --frame-rate HZ or --times FILE"
        return cls(name, name, ArrayStore(np.asarray(frames)), unit, times_s, why, facts or Facts())

    @property
    def frames(self) -> int:
        """Number of frames."""
        return self.store.shape[0]

    @property
    def rows(self) -> int:
        """Picture height, px."""
        return self.store.shape[1]

    @property
    def columns(self) -> int:
        """Picture width, px."""
        return self.store.shape[2]

    def chunks(self) -> Iterator[tuple[int, np.ndarray]]:
        """Yield (index of first frame, float32 frames) in runs of bounded size."""
        step = max(1, CHUNK_BYTES // (4 * self.rows * self.columns))
        for start in range(0, self.frames, step):
            yield start, self.store.read(start, min(start + step, self.frames))

    def between(self, start: int, stop: int) -> Recording:
        """Return the recording of frames ``start`` to ``stop``."""
        times = None if self.times_s is None else self.times_s[start:stop]
        return replace(self, store=SliceStore(self.store, start, stop), times_s=times)
