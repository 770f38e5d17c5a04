"""Frames as a file holds them, before units and times are settled; and a spool for frames parsed from text."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass

import numpy as np

from thermscan.model.errors import InputError
from thermscan.model.recording import ArrayStore, FrameStore

SPOOL_BYTES = 192_000_000  # parsed text beyond this goes to an unnamed temporary file, so memory stays flat


@dataclass(frozen=True)
class ReadHints:
    """What is known before a recording is parsed.

    ``frames`` is the range asked for (a file that ends too early is opened only with one), ``unit`` the unit that the
    user or the sidecar states, None where none does.
    """

    frames: tuple[int | None, int | None] | None = None
    unit: str | None = None


@dataclass(frozen=True)
class RawFrames:
    """What a reader hands to ``open_recording``.

    Attributes
    ----------
    store : FrameStore
        Numbers as they stand in the file.
    is_integer : bool
        True where the numbers are counts by their form (integer samples, or text without a decimal mark).
    highest : float or None
        Highest value that the sample format can hold; None for floating point and text.
    unit : str or None
        Unit that the file itself states.
    times_s : ndarray of shape (frames,), s, or None
        Times that the file itself states; ``times_from`` says where.
    announced : int or None
        Number of frames that a file which ends too early should have held, where it can be told.
    is_cut_short : bool
    warnings, notes : tuple of str
    """

    store: FrameStore
    is_integer: bool
    highest: float | None = None
    unit: str | None = None
    times_s: np.ndarray | None = None
    times_from: str = ""
    announced: int | None = None
    is_cut_short: bool = False
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class FiniteStore:
    """Frames of another store with every infinite value made NaN (no number at this pixel)."""

    store: FrameStore

    @property
    def shape(self) -> tuple[int, int, int]:
        """Frames, rows, columns."""
        return self.store.shape

    def read(self, start: int, stop: int) -> np.ndarray:
        """Return frames ``start`` to ``stop``, float32."""
        frames = self.store.read(start, stop)
        frames[~np.isfinite(frames)] = np.nan
        return frames


class FrameSpool:
    """Collects equal frames one by one; small recordings stay in memory, large ones go to a temporary file."""

    def __init__(self) -> None:
        self._frames: list[np.ndarray] = []
        self._file: tempfile._TemporaryFileWrapper | None = None
        self._count = 0
        self.shape: tuple[int, int] | None = None

    def __len__(self) -> int:
        return self._count

    def add(self, frame: np.ndarray) -> None:
        """Append one frame, ndarray (rows, columns), stored as float32."""
        frame = np.ascontiguousarray(frame, dtype=np.float32)
        self.shape = frame.shape
        self._count += 1
        self._frames.append(frame)
        if self._file is not None or self._count * frame.nbytes > SPOOL_BYTES:
            self._spill()

    def _spill(self) -> None:
        if self._file is None:
            self._file = tempfile.TemporaryFile(prefix="thermscan-")  # noqa: SIM115 - closed in finish
        for frame in self._frames:
            self._file.write(frame.tobytes())
        self._frames.clear()

    def finish(self) -> FrameStore:
        """Return the frames as a store; the spool must not be used afterwards."""
        if self._file is None:
            return ArrayStore(np.stack(self._frames))
        self._file.flush()
        assert self.shape is not None
        mapped = np.memmap(self._file, dtype=np.float32, mode="r", shape=(self._count, *self.shape))
        self._file.close()  # the mapping keeps the data; the file has no name and vanishes with it
        return ArrayStore(mapped)


def cut_short(path: str, whole: int, announced: int | None, *, hints: ReadHints) -> str:
    """Return the warning for a file that ends too early, where the frames asked for are whole; else refuse it.

    Parameters
    ----------
    path : str
    whole : int
        Number of whole frames.
    announced : int or None
        Number of frames the file should hold, where it can be told.
    hints : ReadHints

    Raises
    ------
    InputError
        Unless ``hints.frames`` ends inside the whole frames; names the range that would work.
    """
    of = "" if announced is None else f" of {announced}"
    frames = "frame is" if whole == 1 else "frames are"
    stop = None if hints.frames is None else hints.frames[1]
    if whole and stop is not None and stop <= whole:
        return f"the file is cut short: {whole}{of} {frames} whole"
    remedy = f"use --frames 0:{whole} for the whole ones" if whole else "copy it again"
    raise InputError(path, f"frame {whole}", f"the file is cut short: {whole}{of} {frames} whole", remedy)
