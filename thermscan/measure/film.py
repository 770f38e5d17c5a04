"""Frames to board coordinates: the mean temperature of each place in each interval of time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
from scipy import ndimage

from thermscan.measure.film_relief import see_relief
from thermscan.model.board import Board
from thermscan.model.camera_events import CameraState
from thermscan.model.film import BoardGrid, ColdFrames, Film
from thermscan.model.pose import Pose, Track
from thermscan.model.recording import Recording
from thermscan.model.settings import FilmSettings
from thermscan.model.timing import Timing


@dataclass(frozen=True)
class Clock:
    """Which frames are cold, and in which bin of seconds each other frame falls.

    ``bin_of_frame`` is ndarray (frames,) of int: -2 unused, -1 cold (before power-on), else the bin. ``zero_s`` is
    where the edges count from on the recording's own clock, None where that is not known.
    """

    edges_s: np.ndarray
    name: str
    bin_of_frame: np.ndarray
    zero_s: float | None = None


def pixel_size_mm(matrix: np.ndarray, board: Board) -> float:
    """Return the size of a pixel on the board, mm: square root of area per pixel, at the board's centre."""
    x0, y0, x1, y1 = board.box_mm
    centre = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    around = centre + np.array([[0.0, 0.0], [0.5, 0.0], [0.0, 0.5]])
    px = Pose(matrix, 0.0).to_px(around)
    a, b = px[1] - px[0], px[2] - px[0]
    area = abs(a[0] * b[1] - a[1] * b[0]) / 0.25
    return float(1 / np.sqrt(max(area, 1e-12)))


def choose_grid(board: Board, pixel_mm: float, *, settings: FilmSettings) -> BoardGrid:
    """Choose the cells: a fraction of a pixel, but not more than ``most_cells`` along the longer edge."""
    x0, y0, x1, y1 = board.box_mm
    step = max(settings.cells_per_pixel * pixel_mm, max(x1 - x0, y1 - y0) / settings.most_cells)
    return BoardGrid.over(board, step, margin_mm=settings.margin_cells * step)


def choose_edges(
    times_s: np.ndarray | None, timing: Timing, *, until_s: float | None, settings: FilmSettings
) -> np.ndarray:
    """Choose the edges of the time bins, seconds since power-on (or since the first frame without one).

    Bins have equal width; the run from power-on to power-off is cut into whole bins, and the cool-down goes on at
    the same width for as long as the run lasted. ``until_s`` shortens the run (the good boards' shortest).
    """
    if times_s is None or len(times_s) < 2:
        return np.array([0.0, 1.0])
    interval = float(np.median(np.diff(times_s)))
    if timing.on_s is None:
        length, start = float(times_s[-1] - times_s[0]) + interval, 0.0
        bins = int(np.clip(length // interval, 1, settings.most_bins))
        return np.linspace(start, length, bins + 1)
    end = float(times_s[-1]) + interval / 2 - timing.on_s.value
    off = last_off_s(timing)
    run = min(end, off - timing.on_s.value) if off is not None else end
    if until_s is not None:
        run = min(run, until_s)
    run = max(run, interval)
    bins = int(np.clip(run // interval, 1, settings.most_bins))
    width = run / bins
    after = int(min(max(end - run, 0.0), run) // width) if off is not None else 0
    return width * np.arange(bins + after + 1)


def steady_edges(times_s: np.ndarray | None, timing: Timing, *, settings: FilmSettings) -> np.ndarray:
    """Return one bin over the end of a run, seconds since the first frame.

    For recordings that share no clock: the last ``steady_share`` of the time before power-off (or of all frames) is
    taken as one state.
    """
    if times_s is None or len(times_s) < 2:
        return np.array([0.0, 1.0])
    off = last_off_s(timing)
    interval = float(np.median(np.diff(times_s)))
    stop = (float(times_s[-1]) + interval if off is None else off) - float(times_s[0])
    start = 0.0 if timing.on_s is None else timing.on_s.value - float(times_s[0])
    return np.array([stop - max(settings.steady_share * (stop - start), interval), stop])


def last_off_s(timing: Timing) -> float | None:
    """Return the end of the last power-up on the recording's clock, None where it was still on or is unknown."""
    if timing.power_ups:
        last = timing.power_ups[-1].off_s
        return None if last is None else last.value
    return None if timing.off_s is None else timing.off_s.value


def set_clock(
    recording: Recording, usable: np.ndarray, timing: Timing, edges_s: np.ndarray, *, settings: FilmSettings
) -> Clock:
    """Sort frames into cold ones and bins.

    Frames within the interval of power-on, and ``guard_frames`` before it, belong to neither.
    """
    bins = np.full(recording.frames, -2)
    if recording.times_s is None:
        bins[:] = 0
        name = "recording"
    elif timing.on_s is None:
        seconds = recording.times_s - recording.times_s[0]
        bins = np.searchsorted(edges_s, seconds, side="right") - 1
        bins[(bins < 0) | (seconds >= edges_s[-1])] = -2
        name = "recording"
    else:
        seconds = recording.times_s - timing.on_s.value
        bins = np.searchsorted(edges_s, seconds, side="right") - 1
        bins[seconds >= edges_s[-1]] = -2
        interval = float(np.median(np.diff(recording.times_s))) if recording.frames > 1 else 0.0
        early = recording.times_s < min(timing.on_s.low, timing.on_s.value - settings.guard_frames * interval)
        bins[seconds < 0] = -2
        bins[early] = -1
        name = "power_on"
    bins = np.where(usable, bins, -2)
    return Clock(edges_s, name, bins, None if timing.on_s is None else timing.on_s.value)


@cache
def _spline_gains(steps: int = 64) -> np.ndarray:
    """Return the sum of squared weights of cubic spline interpolation at fractions 0, 1/steps, .. 1 of a pixel."""
    impulse = np.zeros(41)
    impulse[20] = 1.0
    coefficients = ndimage.spline_filter1d(impulse, order=3)
    whole = np.arange(-15, 16)
    fractions = np.arange(steps + 1) / steps
    at = 20 + whole[None, :] - fractions[:, None]
    weights = ndimage.map_coordinates(coefficients, [at.ravel()], order=3, prefilter=False).reshape(at.shape)
    return (weights**2).sum(axis=1)


def spline_gain(fraction: np.ndarray) -> np.ndarray:
    """Return the noise variance of an interpolated value over that of a pixel, along one axis.

    ``fraction`` is the place between two pixels, 0 to 1; 1 on a pixel, lowest midway.
    """
    table = _spline_gains()
    return np.interp(fraction, np.linspace(0, 1, len(table)), table)


def interpolate(picture: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Return a picture, ndarray (rows, columns), at fractional pixels ``xy``, ndarray (..., 2), by cubic splines.

    The spline is taken through the mean-free picture, so that single precision keeps millikelvins.
    """
    level = float(picture.mean())
    values = ndimage.map_coordinates(picture - level, [xy[..., 1], xy[..., 0]], order=3, mode="nearest")
    return (values + level).astype(np.float32)


def fill_bad(frame: np.ndarray, bad: np.ndarray) -> np.ndarray:
    """Replace bad and NaN pixels by the mean of their good neighbours in growing windows; the frame is copied."""
    hole = bad | ~np.isfinite(frame)
    if not hole.any():
        return frame
    out = np.where(hole, 0.0, frame).astype(np.float32)
    weight = (~hole).astype(np.float32)
    for size in (3, 5, 9, 17):
        total = cv2.blur(out * weight, (size, size), borderType=cv2.BORDER_REFLECT)
        share = cv2.blur(weight, (size, size), borderType=cv2.BORDER_REFLECT)
        ready = hole & (share > 1e-6)
        out[ready] = total[ready] / share[ready]
        hole &= ~ready
        if not hole.any():
            return out
    out[hole] = float(np.nanmean(frame))
    return out


class _Sums:
    """Running sums of one film: by bin, and of stretches of cold frames (the last ``cold_rows`` rows)."""

    def __init__(self, bins: int, cold_rows: int, shape: tuple[int, int]) -> None:
        self.bins = bins
        rows = bins + cold_rows
        self.total = np.zeros((rows, *shape), np.float32)
        self.seen = np.zeros((rows, *shape), np.float32)
        self.frames = np.zeros(rows, int)
        self.base: np.ndarray | None = None  # taken off first, so that float32 sums keep millikelvins
        self.variance = np.zeros(shape, np.float64)
        self.variance_seen = np.zeros(shape, np.float64)
        self.full = np.zeros((rows, *shape), np.float32)

    def add(self, where: int, values: np.ndarray, good: np.ndarray, full: np.ndarray, frames: int) -> None:
        """Add the resampled mean of some frames to row ``where``.

        ``full`` is the share of frames at the top of the camera's range, ndarray (rows, columns).
        """
        if self.base is None:
            self.base = np.full(values.shape, np.float32(np.median(values[good]) if good.any() else 0.0))
        self.total[where] += np.where(good, values - self.base, 0) * np.float32(frames)
        self.seen[where] += good * np.float32(frames)
        self.frames[where] += frames
        self.full[where] += np.where(good, full, 0.0) * np.float32(frames)

    def saturated(self) -> np.ndarray:
        """Tell what is only a lower bound in some bin, most frames of which are saturated, bool ndarray."""
        return (self.full > 0.5 * self.seen).any(axis=0)

    def mostly_saturated(self) -> np.ndarray:
        """Tell what most frames of the film saw saturated: nothing is measured there, bool ndarray."""
        return self.full.sum(axis=0) > 0.5 * self.seen.sum(axis=0)

    def mean(self) -> np.ndarray:
        """Return the means of the bins, NaN where nothing was seen."""
        return self._mean_of(self.total[: self.bins], self.seen[: self.bins])

    def mean_over(self, rows: slice) -> np.ndarray:
        """Return the mean of all frames of some rows, NaN where nothing was seen."""
        return self._mean_of(self.total[rows].sum(axis=0), self.seen[rows].sum(axis=0))

    def _mean_of(self, total: np.ndarray, seen: np.ndarray) -> np.ndarray:
        assert self.base is not None
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(seen > 0, total / seen + self.base, np.nan).astype(np.float32)


@dataclass
class _Group:
    """Successive frames of one bin and one pose: their mean in pixels, where they are bad, how often saturated."""

    where: int
    pose: Pose
    total: np.ndarray
    hole: np.ndarray
    full: np.ndarray
    frames: int = 0

    @property
    def mean(self) -> np.ndarray:
        """Mean frame, (rows, columns)."""
        return (self.total / self.frames).astype(np.float32)


def _rows(clock: Clock, *, settings: FilmSettings) -> tuple[np.ndarray, int]:
    """Return each frame's row of the sums, ndarray (frames,), -1 where unused, and how many rows are for cold frames.

    The cold frames are cut, in their order, into an even number of stretches as alike as can be.
    """
    bins = len(clock.edges_s) - 1
    row = np.where(clock.bin_of_frame >= 0, clock.bin_of_frame, -1)
    cold = np.flatnonzero(clock.bin_of_frame == -1)
    count = len(cold)
    stretches = 2 * (min(settings.cold_stretches, max(count, 2)) // 2)
    if count:
        row[cold] = bins + stretches - 1 - (np.arange(count)[::-1] * stretches) // count
    return row, stretches


def _groups(recording: Recording, camera: CameraState, track: Track, rows: np.ndarray) -> Iterator[_Group]:
    """Yield the usable frames in groups that can be averaged before they are resampled."""
    group: _Group | None = None
    top = np.inf if recording.saturated_at is None else recording.saturated_at
    for start, frames in recording.chunks():
        for number, frame in enumerate(frames, start):
            where, pose = int(rows[number]), track.poses[number]
            if where < 0 or not isinstance(pose, Pose):
                continue
            if group is None or group.where != where or not np.array_equal(group.pose.matrix, pose.matrix):
                if group is not None:
                    yield group
                group = _Group(where, pose, np.zeros(frame.shape), np.zeros(frame.shape, bool), np.zeros(frame.shape))
            group.total += fill_bad(frame, camera.bad) - np.float32(camera.offset[number])
            group.hole |= camera.bad | ~np.isfinite(frame)
            group.full += frame >= top
            group.frames += 1
    if group is not None:
        yield group


def _share(mask: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Return how much of each sampled value comes from masked pixels, ndarray like ``xy[..., 0]``.

    ``mask`` is bool, or how much of each pixel counts, 0 to 1.
    """
    if not mask.any():
        return np.zeros(xy.shape[:-1], np.float32)
    map_x, map_y = xy[..., 0].astype(np.float32), xy[..., 1].astype(np.float32)
    return cv2.remap(mask.astype(np.float32), map_x, map_y, cv2.INTER_LINEAR)


def _in_view(xy: np.ndarray, recording: Recording) -> np.ndarray:
    """Tell which sampled places lie in the picture."""
    x, y = xy[..., 0], xy[..., 1]
    return (x > -0.5) & (x < recording.columns - 0.5) & (y > -0.5) & (y < recording.rows - 0.5)


def _sample_variance(camera: CameraState, xy: np.ndarray, soften: float) -> np.ndarray:
    """Return the noise variance of one frame's sampled values, (rows, columns)."""
    noise = np.where(camera.bad, camera.noise_median, camera.noise).astype(np.float32)
    map_x, map_y = xy[..., 0].astype(np.float32), xy[..., 1].astype(np.float32)
    local = cv2.remap(noise, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    if soften:
        return min(1.0, 1 / (4 * np.pi * soften**2)) * local**2
    return spline_gain(xy[..., 0] % 1) * spline_gain(xy[..., 1] % 1) * local**2


def make_film(
    recording: Recording,
    camera: CameraState,
    track: Track,
    clock: Clock,
    *,
    grid: BoardGrid,
    board: Board,
    pattern: np.ndarray | None = None,
    settings: FilmSettings,
) -> Film:
    """Resample all frames to the board grid and average them by time bin.

    Parameters
    ----------
    recording, camera, track, clock
        Frames, their camera state, their poses, and the bin of each.
    grid : BoardGrid
    board : Board
    pattern : ndarray of shape (rows, columns), optional
        Sensor pattern to take off every frame.
    settings : FilmSettings

    Returns
    -------
    Film
        ``position_error_mm`` holds the placement's own error.

    Notes
    -----
    Cubic splines keep the peak of a part one pixel wide (bilinear halves it midway between pixels) and reproduce
    ramps exactly. White pixel noise of standard deviation s becomes s times the square root of the product of both
    axes' sums of squared weights, averaged over the frames' sub-pixel positions; neighbouring cells share pixels,
    which ``correlation_mm`` says: the standard deviation of the Gaussian kernel that would give the same variance
    from the same white noise, pixel / sqrt(4 pi), plus that of the averaging where cells are larger than pixels.
    Frames with one and the same pose are averaged before they are resampled, which is the same and quicker.
    Not valid where poses are wrong: the position error is carried, a gross error is not.
    """
    relief = see_relief(grid, board, side=track.side, lean=track.lean)
    rows, cold_rows = _rows(clock, settings=settings)
    sums = _Sums(len(clock.edges_s) - 1, cold_rows, grid.shape)
    pixel_mm = pixel_size_mm(track.placement.matrix, board)
    soften = 0.5 * grid.step_mm / pixel_mm if grid.step_mm > 1.2 * pixel_mm else 0.0
    for number, group in enumerate(_groups(recording, camera, track, rows)):
        xy = group.pose.to_px(relief.points_mm)
        if track.lens is not None:
            xy = track.lens.distort(xy)
        picture = group.mean if pattern is None else group.mean - pattern.astype(np.float32)
        if soften:
            picture = cv2.GaussianBlur(picture, (0, 0), soften)
        good = _in_view(xy, recording) & ~relief.hidden & (_share(group.hole, xy) < settings.most_bad_share)
        full = _share(group.full / group.frames, xy)
        sums.add(group.where, interpolate(picture, xy), good, full, group.frames)
        if number % 8 == 0:  # the sub-pixel positions of a sample of frames are enough
            sums.variance += _sample_variance(camera, xy, soften)
            sums.variance_seen += 1
    film = _finish(recording, track, clock, sums, grid=grid, board=board, pixel_mm=pixel_mm, soften=soften)
    cold = _cold_frames(recording, clock, rows, sums)
    return film if cold is None else replace(film, before=cold.trend(), cold_series=cold)


def _finish(
    recording: Recording,
    track: Track,
    clock: Clock,
    sums: _Sums,
    *,
    grid: BoardGrid,
    board: Board,
    pixel_mm: float,
    soften: float,
) -> Film:
    """Turn the sums into a Film."""
    points = grid.points_mm()
    empty = np.full((len(clock.edges_s) - 1, *grid.shape), np.nan, np.float32)
    bins = sums.bins
    mean = empty if sums.base is None else sums.mean()
    cold_frames = int(sums.frames[bins:].sum())
    seen = np.isfinite(mean).any(axis=0)
    flags = set()
    if not cold_frames:
        flags.add("no_cold_frames")
    if recording.frames == 1:
        flags.add("single_frame")
    errors = [p.error_px for p in track.poses if isinstance(p, Pose)]
    placed = track.placement.error_px
    motion_px = float(np.sqrt(max(np.mean(np.square(errors)) - placed**2, 0.0))) if errors else 0.0
    with np.errstate(invalid="ignore"):
        noise = np.sqrt(sums.variance / np.maximum(sums.variance_seen, 1))
    inside = board.inside(points[..., 0], points[..., 1]) & seen
    return Film(
        grid=grid,
        edges_s=clock.edges_s,
        clock=clock.name,
        mean=mean,
        frames=sums.frames[:bins],
        cold=sums.mean_over(slice(bins, None)) if cold_frames else None,
        cold_frames=cold_frames,
        noise=noise,
        correlation_mm=float(np.hypot(pixel_mm / np.sqrt(4 * np.pi), soften * pixel_mm)),
        position_error_mm=placed * pixel_mm,
        inside=inside,
        readable=seen & ~sums.mostly_saturated(),
        pixel_mm=pixel_mm,
        unit=recording.unit,
        ambient_c=recording.facts.ambient_c,
        flags=frozenset(flags),
        motion_error_mm=motion_px * pixel_mm,
        saturated=sums.saturated(),
    )


def _cold_frames(recording: Recording, clock: Clock, rows: np.ndarray, sums: _Sums) -> ColdFrames | None:
    """Return the stretches of cold frames that were seen, None where there are none or times are not known."""
    if recording.times_s is None or clock.zero_s is None or sums.base is None:
        return None
    known = [row for row in range(sums.bins, len(sums.frames)) if sums.frames[row] > 0]
    if not known:
        return None
    times = np.array([recording.times_s[rows == row].mean() for row in known]) - clock.zero_s
    means = np.stack([sums.mean_over(slice(row, row + 1)) for row in known])
    return ColdFrames(means, times, sums.frames[known])
