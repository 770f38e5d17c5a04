"""What one recording holds: the answer of a first look."""

from __future__ import annotations

from dataclasses import dataclass, field

from thermscan.model.camera_events import CameraEvent
from thermscan.model.timing import Timing


@dataclass(frozen=True)
class HotPlace:
    """A warm place of the picture.

    ``x_px``, ``y_px`` in pixels of the frames it was read from; ``value`` in the unit of the recording and ``rise``
    over the frames before power-on in K (counts), None where there are none.
    """

    x_px: float
    y_px: float
    value: float
    rise: float | None


@dataclass(frozen=True)
class LookReport:
    """A recording at a glance.

    Attributes
    ----------
    name, path, sha256 : str
    frames, rows, columns : int
    unit : {'celsius', 'count'}
    first_s, last_s, frame_rate_hz : float or None
    lowest, highest : float
        Of all good pixels, unit of the recording.
    noise : float
        Median temporal noise of a pixel in one frame, K or counts.
    moved_px : float or None
        Largest movement of the picture from its reference, at its corners; None where it could not be followed.
    is_tripod : bool
    timing : Timing
    events : tuple of CameraEvent
    hottest : tuple of HotPlace
    warnings, notes : tuple of str
    usable : bool
        False where no comparison can be made of it; ``warnings`` says why.
    why : dict of key to sentence
    """

    name: str
    path: str
    sha256: str
    frames: int
    rows: int
    columns: int
    unit: str
    first_s: float | None
    last_s: float | None
    frame_rate_hz: float | None
    lowest: float
    highest: float
    noise: float
    moved_px: float | None
    is_tripod: bool
    timing: Timing
    events: tuple[CameraEvent, ...]
    hottest: tuple[HotPlace, ...]
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    usable: bool = True
    why: dict[str, str] = field(default_factory=dict)
