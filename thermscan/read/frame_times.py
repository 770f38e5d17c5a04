"""The clock of a recording: which of several sources of time is believed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.model.errors import InputError
from thermscan.read.open_options import OpenOptions
from thermscan.read.raw_frames import RawFrames
from thermscan.read.sidecar import Sidecar, check_times
from thermscan.read.times_file import open_times

NO_TIMES = "no frame times are known; give --frame-rate HZ or --times FILE"


@dataclass(frozen=True)
class FrameTimes:
    """Times of the frames in use, s (None: not known), with warnings and notes."""

    values: np.ndarray | None
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def _fit_count(times: np.ndarray, raw: RawFrames, span: tuple[int, int], *, path: str, place: str) -> np.ndarray:
    """Return the times of the frames in ``span``; they may be given for all frames or for just these."""
    count = raw.store.shape[0]
    if len(times) == count or (raw.is_cut_short and len(times) >= span[1] and raw.announced in (None, len(times))):
        return times[span[0] : span[1]]
    if len(times) == span[1] - span[0]:
        return times
    frames = f"{count} frame{'' if count == 1 else 's'}"
    raise InputError(path, place, f"{len(times)} times for {frames}", "give one time for each frame")


def _rate_warning(times: np.ndarray, rate_hz: float, limit: float) -> tuple[str, ...]:
    if len(times) < 2:
        return ()
    found = 1.0 / float(np.median(np.diff(times)))
    if abs(found - rate_hz) <= limit * rate_hz:
        return ()
    return (f"the times say {found:.4g} frames/s and the frame rate {rate_hz:.4g}; the times are used",)


def settle_times(
    raw: RawFrames, sidecar: Sidecar, options: OpenOptions, span: tuple[int, int], *, path: str
) -> FrameTimes:
    """Return the clock of the frames in ``span``: times beat a frame rate, a frame rate beats times in names."""
    rate = options.frame_rate_hz if options.frame_rate_hz is not None else sidecar.frame_rate_hz
    times: np.ndarray | None = None
    notes: tuple[str, ...] = ()
    if options.times is not None:
        all_times = check_times(open_times(options.times), path=options.times, place="times")
        times = _fit_count(all_times, raw, span, path=options.times, place="")
    elif sidecar.timestamps_s is not None:
        times = _fit_count(sidecar.timestamps_s, raw, span, path=sidecar.path, place="timestamps_s")
    elif raw.times_s is not None and (rate is None or raw.times_from != "the file names"):
        checked = check_times(raw.times_s, path=path, place=raw.times_from)
        times = _fit_count(checked, raw, span, path=path, place=raw.times_from)
        notes = (f"frame times are taken from {raw.times_from}",)
    if times is not None:
        return FrameTimes(
            times, () if rate is None else _rate_warning(times, rate, options.limits.rate_disagreement), notes
        )
    if rate is None:
        return FrameTimes(None)
    times = np.arange(*span) / rate
    warnings: tuple[str, ...] = ()
    if raw.times_s is not None and len(raw.times_s) == raw.store.shape[0]:
        warnings = tuple(
            w.replace("the times are used", "the frame rate is used")
            for w in _rate_warning(raw.times_s, rate, options.limits.rate_disagreement)
        )
    return FrameTimes(times, warnings)
