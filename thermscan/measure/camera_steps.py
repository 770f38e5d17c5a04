"""What happens to whole frames: offset steps, frozen, dropped, blank, blurred and saturated frames, drift."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.model.camera_events import CameraEvent
from thermscan.model.recording import Recording
from thermscan.model.settings import CameraSettings

BLOCKS = 8  # the picture is cut into about this many blocks each way to see whether a step is common to all of it


@dataclass(frozen=True)
class Course:
    """A few numbers for every frame.

    Attributes
    ----------
    steps : ndarray of shape (frames, blocks)
        Median change of each block since the last fresh frame, unit of the frames; 0 for the first.
    change : ndarray of shape (frames,)
        Root mean square change since the last fresh frame (NaN for the first).
    fresh : ndarray of bool, shape (frames,)
        False for repeats of an earlier frame and for blank ones.
    blank : ndarray of bool, shape (frames,)
    spread, sharpness : ndarray of shape (frames,)
        Robust spread of the values; mean square of neighbour differences.
    saturated : ndarray of shape (frames,)
        Share of pixels at the highest value.
    """

    steps: np.ndarray
    change: np.ndarray
    fresh: np.ndarray
    blank: np.ndarray
    spread: np.ndarray
    sharpness: np.ndarray
    saturated: np.ndarray


@dataclass(frozen=True)
class FrameEvents:
    """What was found, with the offset to subtract from each frame and the frames that can be used."""

    usable: np.ndarray
    offset: np.ndarray
    events: tuple[CameraEvent, ...]


class FrameCourse:
    """Collects a `Course` while frames stream by."""

    def __init__(self, recording: Recording, settings: CameraSettings) -> None:
        self.settings = settings
        self.full = recording.saturated_at
        self.stride = max(1, int(np.sqrt(recording.rows * recording.columns / settings.sampled_pixels)))
        rows = np.arange(0, recording.rows, self.stride) * BLOCKS // max(recording.rows, 1)
        columns = np.arange(0, recording.columns, self.stride) * BLOCKS // max(recording.columns, 1)
        self.block = (rows[:, None] * BLOCKS + columns[None, :]).ravel()
        self.order = np.argsort(self.block, kind="stable")
        self.cuts = np.flatnonzero(np.diff(self.block[self.order])) + 1
        self.last: np.ndarray | None = None
        self.typical = 0.0
        self.lists: dict[str, list] = {k: [] for k in Course.__dataclass_fields__}

    def add(self, start: int, frames: np.ndarray) -> np.ndarray:
        """Take frames, ndarray (n, rows, columns), the first being number ``start``; tell which are fresh."""
        thin = frames[:, :: self.stride, :: self.stride]
        fresh = np.zeros(len(frames), bool)
        for i, frame in enumerate(thin):
            fresh[i] = self._add_one(frame)
        del start
        return fresh

    def _add_one(self, frame: np.ndarray) -> bool:
        finite = np.isfinite(frame)
        values = frame[finite]
        low, high = np.percentile(values, [5, 95]) if values.size else (0.0, 0.0)
        full = float(np.mean(values >= self.full)) if self.full is not None and values.size else 0.0
        blank = values.size < self.settings.blank_share * frame.size or values.min() == values.max() or full > 0.9
        blocks = len(self.cuts) + 1
        change, steps = np.nan, np.zeros(blocks)
        fresh = not blank
        if fresh and self.last is not None:
            difference = frame - self.last
            change = float(np.sqrt(np.nanmean((difference - np.nanmedian(difference)) ** 2)))
            if np.nanmax(np.abs(difference)) == 0 or change < self.settings.frozen_share * self.typical:
                fresh = False
            else:
                steps = self._block_medians(difference)
                self.typical = change if self.typical == 0 else 0.9 * self.typical + 0.1 * min(change, 2 * self.typical)
        if fresh:
            self.last = frame
        sharpness = float(np.nanmean(np.diff(frame, axis=1) ** 2)) if frame.shape[1] > 1 and values.size else np.nan
        row = (steps, change, fresh, blank, float(high - low), sharpness, full)
        for name, value in zip(Course.__dataclass_fields__, row, strict=True):
            self.lists[name].append(value)
        return fresh

    def _block_medians(self, difference: np.ndarray) -> np.ndarray:
        pieces = np.split(difference.ravel()[self.order], self.cuts)
        out = np.zeros(len(pieces))
        for i, piece in enumerate(pieces):
            known = piece[np.isfinite(piece)]
            out[i] = np.median(known) if known.size else np.nan
        return out

    def finish(self) -> Course:
        """Return what was collected."""
        return Course(**{name: np.array(values) for name, values in self.lists.items()})


def runs_of(flags: np.ndarray) -> list[tuple[int, int]]:
    """Return (first, one past last) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], np.asarray(flags, bool), [False]]).astype(int)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def find_frame_events(course: Course, recording: Recording, settings: CameraSettings) -> FrameEvents:
    """Name the events of a `Course`; see `measure_camera`."""
    unit = "K" if recording.unit == "celsius" else "counts"
    step = common_steps(course, settings)
    events = [
        CameraEvent("offset_step", int(i), 1, f"the whole picture jumps by {step[i]:+.3g} {unit}", float(step[i]))
        for i in np.flatnonzero(step)
    ]
    blank = course.blank | is_washed_out(course.spread, settings)
    frozen = ~course.fresh & ~blank
    for first, stop in runs_of(frozen):
        text = f"{stop - first} frame{'s' if stop - first > 1 else ''} repeat the one before"
        events.append(CameraEvent("frozen", first, stop - first, text))
    for first, stop in runs_of(blank):
        events.append(CameraEvent("blank", first, stop - first, "no picture: empty, uniform or saturated"))
    for first, stop in runs_of(is_blurred(course, settings) & ~blank & ~frozen):
        events.append(CameraEvent("blurred", first, stop - first, "edges are softer than in the frames around"))
    for first, stop in runs_of((course.saturated > 0) & ~blank):
        most = float(course.saturated[first:stop].max())
        text = f"up to {100 * most:.2g} % of the pixels are at the highest value"
        events.append(CameraEvent("saturated", first, stop - first, text, most))
    events += dropped_frames(recording.times_s, settings)
    offset = np.cumsum(step)
    if (event := drift_event(course, step, unit, settings)) is not None:
        events.append(event)
    usable = ~blank & ~frozen
    return FrameEvents(usable, offset, tuple(events))


def common_steps(course: Course, settings: CameraSettings) -> np.ndarray:
    """Return the offset step at each frame, ndarray (frames,), 0 where there is none.

    A step moves nearly all blocks of the picture, the bench included, by the same amount between two frames. Warming
    up is local, and where it is not, the next frames move on like the first: what the neighbours in time also do is
    taken off, and a step must be several times that.
    """
    fresh = np.flatnonzero(course.fresh)
    out = np.zeros(len(course.fresh))
    if len(fresh) < 3:
        return out
    blocks = course.steps[fresh]
    centre = np.nanmedian(blocks, axis=1)
    quiet = 1.4826 * np.median(np.abs(centre[1:] - np.median(centre[1:])))
    for i in range(1, len(fresh)):
        size = centre[i]
        around = np.concatenate([centre[max(1, i - 3) : i], centre[i + 1 : i + 4]])
        sides = [np.median(s) for s in (centre[max(1, i - 3) : i], centre[i + 1 : i + 4]) if len(s)]
        trend = max(sides, key=abs) if sides else 0.0
        known = blocks[i][np.isfinite(blocks[i])]
        if size == 0 or known.size < 4 or around.size < 2:
            continue
        spread = 1.4826 * np.median(np.abs(known - size))
        alike = np.mean(np.abs(known - size) < settings.step_alike * abs(size))
        is_big = abs(size - trend) > settings.step_sigmas * max(quiet, 1.2533 * spread / np.sqrt(known.size))
        if is_big and abs(trend) < settings.step_trend * abs(size) and alike >= settings.step_blocks:
            out[fresh[i]] = size
    return out


def is_washed_out(spread: np.ndarray, settings: CameraSettings) -> np.ndarray:
    """Tell which frames show far less contrast than the frames on both sides: shutter closed, or lost."""
    return np.array([0 < s < settings.washed_out * b for s, b in zip(spread, _around(spread, 8), strict=True)], bool)


def is_blurred(course: Course, settings: CameraSettings) -> np.ndarray:
    """Tell which frames have softer edges than those on both sides, noise taken off."""
    sharp = np.where(course.fresh, course.sharpness, np.nan)
    fall = _around(sharp, 8)
    floor = course.change**2  # of the difference of two frames: as much noise as in neighbour differences
    floor = np.nanmin(np.where(course.fresh, floor, np.nan)) if np.isfinite(floor).any() else 0.0
    with np.errstate(invalid="ignore"):
        return (sharp - floor) < settings.blur_share * (fall - floor)


def _around(values: np.ndarray, reach: int) -> np.ndarray:
    """Return the smaller of the medians of the ``reach`` values before and after each one (0 where none)."""
    out = np.zeros(len(values))
    for i in range(len(values)):
        sides = (values[max(0, i - reach) : i], values[i + 1 : i + 1 + reach])
        medians = [np.median(s[np.isfinite(s)]) for s in sides if np.isfinite(s).any()]
        out[i] = min(medians) if len(medians) == 2 else 0.0
    return out


def dropped_frames(times_s: np.ndarray | None, settings: CameraSettings) -> list[CameraEvent]:
    """Report gaps in the times of an otherwise regular recording."""
    if times_s is None or len(times_s) < 5:
        return []
    gaps = np.diff(times_s)
    usual = float(np.median(gaps))
    if np.mean(np.abs(gaps - usual) < 0.25 * usual) < settings.regular_share:
        return []
    out = []
    for i in np.flatnonzero(gaps > settings.gap_factor * usual):
        lost = max(1, round(gaps[i] / usual) - 1)
        text = f"{lost} frame{'s' if lost > 1 else ''} missing: {gaps[i]:.3g} s without a picture"
        out.append(CameraEvent("dropped", int(i + 1), int(lost), text, float(gaps[i])))
    return out


def drift_event(course: Course, step: np.ndarray, unit: str, settings: CameraSettings) -> CameraEvent | None:
    """Report a slow change that the quietest quarter of the picture shows throughout; it is not taken out."""
    if len(course.fresh) < 20:
        return None
    paths = np.cumsum(np.nan_to_num(course.steps) - step[:, None], axis=0)
    total = paths[-5:].mean(axis=0) - paths[:5].mean(axis=0)
    quiet = np.argsort(np.abs(total - np.median(np.sort(total)[: max(4, len(total) // 4)])))[: max(4, len(total) // 4)]
    wobble = 1.4826 * np.median(np.abs(np.diff(course.steps[:, quiet].mean(axis=1))))
    size = float(np.mean(total[quiet]))
    noise = max(wobble, 1.4826 * float(np.median(np.abs(total[quiet] - size))))
    if abs(size) < settings.drift_sigmas * noise or noise == 0:
        return None
    return CameraEvent(
        "drift", 0, len(course.fresh), f"the calmest parts of the picture drift by {size:+.3g} {unit}", size
    )
