"""What was really so: records of a made case that judge the answers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.model.board import Board
from thermscan.model.pose import Lens
from thermscan.model.recording import Recording
from thermscan.simulate.viewpoint import picture_points


@dataclass(frozen=True)
class FaultTruth:
    """What is wrong with the faulty board.

    Attributes
    ----------
    word : str
        One of the fault words, or ``'none'``.
    ref, net : str or None
        Part and net at fault; None for a bare place or no fault.
    x_mm, y_mm : float or None
        Where the fault's heat is made (or missing), None for no fault.
    side : str
        Side of the board on which that place lies.
    refs : tuple of str
        Every part whose naming would be right (both ends of a bridge, the chip above a hidden source).
    power_w : float or None
        Mean excess watts made at the place while on; negative where less than on good boards.
    cold_refs : tuple of str
        Parts that stay cold as a consequence.
    decoy_refs : tuple of str
        Parts that warm as a consequence without being at fault.
    text : str
    """

    word: str
    ref: str | None = None
    net: str | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    side: str = "top"
    refs: tuple[str, ...] = ()
    power_w: float | None = None
    cold_refs: tuple[str, ...] = ()
    decoy_refs: tuple[str, ...] = ()
    text: str = ""


@dataclass(frozen=True)
class RecordingTruth:
    """What is true of one recording.

    Attributes
    ----------
    matrices : ndarray of shape (frames, 3, 3)
        Board mm to pixels without lens distortion, ``matrix[2, 2] == 1``, for the plane of the filmed surface.
        A frozen frame carries the pose of the frame that it repeats.
    lens : Lens or None
    power_on_s : float or None
        On the recording's clock; None where the board was on before, or never seen to switch.
    power_off_s : float or None
        None where still on at the end.
    runs_s : tuple of (float, float)
        Every stretch with power, retries included, the last may reach beyond the end.
    restarts : int
        Tries after the first.
    sources : tuple of str
        Refdes of parts, or the words ``'place'`` (heat of the fault at a bare or hidden place) and ``'path'``
        (copper that carries injected current).
    made_w : ndarray of shape (frames, sources), W
    excess_w : ndarray of shape (frames, sources), W, or None
        Made minus the mean of the good boards at equal seconds since power-on; faulty recording only.
    part_c : ndarray of shape (frames, parts), degrees Celsius
        Temperature of the top of each body, in the order of the board's parts.
    camera_events : tuple of (kind, frame, frames)
    frozen : ndarray of bool, shape (frames,)
    bad_pixels : ndarray of int, shape (count, 2)
        Row and column.
    ambient_c, noise_k, blur_px : float
    height_shift_px : ndarray of shape (2,)
        Displacement in the picture of a body 1 mm above the board at its centre, first frame.
    """

    matrices: np.ndarray
    lens: Lens | None
    power_on_s: float | None
    power_off_s: float | None
    runs_s: tuple[tuple[float, float], ...]
    restarts: int
    sources: tuple[str, ...]
    made_w: np.ndarray
    excess_w: np.ndarray | None
    part_c: np.ndarray
    camera_events: tuple[tuple[str, int, int], ...]
    frozen: np.ndarray
    bad_pixels: np.ndarray
    ambient_c: float
    noise_k: float
    blur_px: float
    height_shift_px: np.ndarray
    warm_start: bool = False

    def to_px(self, frame: int, points_mm: np.ndarray) -> np.ndarray:
        """Map board points, ndarray (..., 2) in mm, to the pixels of a frame as recorded, lens included."""
        return picture_points(self.matrices[frame], self.lens, points_mm)


@dataclass(frozen=True)
class Made:
    """One made recording and what is true of it; ``count_scale_k`` and ``count_offset_k`` turn counts to kelvin."""

    recording: Recording
    truth: RecordingTruth
    count_scale_k: float = 0.01
    count_offset_k: float = 0.0


@dataclass(frozen=True)
class Case:
    """A faulty board, known-good boards of the same type, and the truth.

    ``board`` is the board file as the user has it; bodies and outline of each unit are off from it by about 0.1 mm.
    """

    seed: int
    board: Board
    faulty: Made
    goods: tuple[Made, ...]
    fault: FaultTruth
