"""What the user says about a recording, and the check of it."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from thermscan.model.board import SIDES
from thermscan.model.errors import InputError, check_choice, check_number
from thermscan.model.recording import UNITS
from thermscan.model.settings import ReadSettings
from thermscan.read.sidecar import RATE_LIMITS


@dataclass(frozen=True)
class OpenOptions:
    """What the user says about a recording; None leaves it to the sidecar or the file.

    ``frames`` is the range A:B (B not included), ``times`` a file of frame times, ``camera`` the path of a camera
    profile, ``profile_folders`` where a profile named by the sidecar is looked for, ``sidecar`` the path of a sidecar
    that does not stand beside the recording.
    """

    frames: tuple[int | None, int | None] | None = None
    frame_rate_hz: float | None = None
    times: str | None = None
    unit: str | None = None
    scale_k_per_count: float | None = None
    offset_k: float | None = None
    side: str | None = None
    camera: str | None = None
    profile_folders: tuple[str, ...] = ()
    sidecar: str | None = None
    limits: ReadSettings = field(default_factory=ReadSettings)


def parse_frames(text: str) -> tuple[int | None, int | None]:
    """Return (first, stop) of a range ``A:B``; either may be left out. Raises InputError."""
    found = re.fullmatch(r"\s*(\d*)\s*:\s*(\d*)\s*", text)
    if found is None:
        raise InputError("--frames", "", f"{text!r} is not a range", "give A:B, frames A to B-1 counted from 0")
    first, stop = (int(piece) if piece else None for piece in found.groups())
    if stop is not None and stop <= (first or 0):
        raise InputError("--frames", "", f"{text!r} holds no frame", "the second number must be larger")
    return first, stop


def check_options(options: OpenOptions) -> None:
    """Raise InputError for an unknown unit or side or an absurd frame rate."""
    if options.unit is not None:
        check_choice(options.unit, UNITS, path="--unit", place="")
    if options.side is not None:
        check_choice(options.side, SIDES, path="--side", place="")
    if options.frame_rate_hz is not None:
        check_number(options.frame_rate_hz, RATE_LIMITS, path="--frame-rate", place="", unit="Hz")
