"""Frames to board coordinates: the mean temperature of each place in each interval of time."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from thermscan.model.board import Board
from thermscan.model.camera_events import CameraState
from thermscan.model.film import BoardGrid, Film
from thermscan.model.pose import Pose, Track
from thermscan.model.recording import Recording
from thermscan.model.settings import FilmSettings
from thermscan.model.timing import Timing


@dataclass(frozen=True)
class Clock:
    """Which frames are cold, and in which bin of seconds each other frame falls.

    ``bin_of_frame`` is ndarray (frames,) of int: -2 unused, -1 cold (before power-on), else the bin.
    """

    edges_s: np.ndarray
    name: str
    bin_of_frame: np.ndarray


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
        bins = np.clip(np.searchsorted(edges_s, seconds, side="right") - 1, -2, len(edges_s) - 2)
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
    return Clock(edges_s, name, bins)


def cubic_gain(fraction: np.ndarray) -> np.ndarray:
    """Return the sum of squared weights of cubic interpolation (a = -0.75) at these fractions of a pixel.

    The kernel is that of R. Keys, IEEE Trans. ASSP 29(6), 1981, with the parameter that OpenCV uses.
    """
    t, a = fraction, -0.75
    w0 = ((a * (t + 1) - 5 * a) * (t + 1) + 8 * a) * (t + 1) - 4 * a
    w1 = ((a + 2) * t - (a + 3)) * t * t + 1
    u = 1 - t
    w2 = ((a + 2) * u - (a + 3)) * u * u + 1
    w3 = 1 - w0 - w1 - w2
    return w0**2 + w1**2 + w2**2 + w3**2


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
    """Running sums of one film: by bin, and of the cold frames."""

    def __init__(self, bins: int, shape: tuple[int, int]) -> None:
        self.total = np.zeros((bins + 1, *shape), np.float32)  # the last row holds the cold frames
        self.seen = np.zeros((bins + 1, *shape), np.float32)
        self.frames = np.zeros(bins + 1, int)
        self.base: np.ndarray | None = None  # taken off first, so that float32 sums keep millikelvins
        self.variance = np.zeros(shape, np.float64)
        self.variance_seen = np.zeros(shape, np.float64)
        self.saturated = np.zeros(shape, bool)

    def add(self, where: int, values: np.ndarray, good: np.ndarray) -> None:
        """Add one resampled frame to bin ``where`` (-1: cold)."""
        if self.base is None:
            self.base = np.full(values.shape, np.float32(np.median(values[good]) if good.any() else 0.0))
        self.total[where] += np.where(good, values - self.base, 0)
        self.seen[where] += good
        self.frames[where] += 1

    def mean(self) -> np.ndarray:
        """Return the means, NaN where nothing was seen."""
        assert self.base is not None
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.seen > 0, self.total / self.seen + self.base, np.nan).astype(np.float32)


@dataclass(frozen=True)
class _Sampler:
    """Takes one frame of a recording to the cells of a grid."""

    recording: Recording
    camera: CameraState
    pattern: np.ndarray | None
    soften: float
    most_bad_share: float

    def sample(self, frame: np.ndarray, level: float, xy: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return values, whether they are good, and whether they touch saturation, each (rows, columns)."""
        picture = fill_bad(frame, self.camera.bad) - np.float32(level)
        if self.pattern is not None:
            picture = picture - self.pattern.astype(np.float32)
        if self.soften:
            picture = cv2.GaussianBlur(picture, (0, 0), self.soften)
        map_x, map_y = xy[..., 0].astype(np.float32), xy[..., 1].astype(np.float32)
        values = cv2.remap(picture, map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        good = (map_x > -0.5) & (map_x < self.recording.columns - 0.5)
        good &= (map_y > -0.5) & (map_y < self.recording.rows - 0.5)
        hole = (self.camera.bad | ~np.isfinite(frame)).astype(np.float32)
        if hole.any():
            good &= cv2.remap(hole, map_x, map_y, cv2.INTER_LINEAR) < self.most_bad_share
        full = np.zeros(values.shape, bool)
        top = self.recording.saturated_at
        if top is not None and (frame >= top).any():
            full = cv2.remap((frame >= top).astype(np.float32), map_x, map_y, cv2.INTER_LINEAR) > self.most_bad_share
        return values, good, full

    def variance(self, xy: np.ndarray) -> np.ndarray:
        """Return the noise variance of the sampled values of one frame, (rows, columns)."""
        noise = np.where(self.camera.bad, self.camera.noise_median, self.camera.noise).astype(np.float32)
        map_x, map_y = xy[..., 0].astype(np.float32), xy[..., 1].astype(np.float32)
        gain = cubic_gain(map_x % 1) * cubic_gain(map_y % 1)
        if self.soften:
            gain = np.full_like(gain, min(1.0, 1 / (4 * np.pi * self.soften**2)))
        return gain * cv2.remap(noise, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) ** 2


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
    Cubic interpolation keeps the peak of a part one pixel wide (bilinear halves it midway between pixels). White
    pixel noise of standard deviation s becomes s times the square root of the product of both axes' sums of squared
    weights, averaged over the frames' sub-pixel positions; neighbouring cells share pixels, which
    ``correlation_mm`` says: the standard deviation of the Gaussian kernel that would give the same variance from the
    same white noise, pixel / sqrt(4 pi), plus that of the averaging where cells are larger than pixels.
    Not valid where poses are wrong: the position error is carried, a gross error is not.
    """
    points = grid.points_mm()
    sums = _Sums(len(clock.edges_s) - 1, grid.shape)
    pixel_mm = pixel_size_mm(track.placement.matrix, board)
    soften = 0.5 * grid.step_mm / pixel_mm if grid.step_mm > 1.2 * pixel_mm else 0.0
    sampler = _Sampler(recording, camera, pattern, soften, settings.most_bad_share)
    for start, frames in recording.chunks():
        for number, frame in enumerate(frames, start):
            where, pose = int(clock.bin_of_frame[number]), track.poses[number]
            if where == -2 or not isinstance(pose, Pose):
                continue
            xy = pose.to_px(points)
            if track.lens is not None:
                xy = track.lens.distort(xy)
            values, good, full = sampler.sample(frame, camera.offset[number], xy)
            sums.add(where, values, good)
            sums.saturated |= full
            if sums.frames.sum() % 8 == 1:  # the sub-pixel positions of a sample of frames are enough
                sums.variance += sampler.variance(xy)
                sums.variance_seen += 1
    return _finish(recording, track, clock, sums, grid=grid, board=board, pixel_mm=pixel_mm, soften=soften)


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
    empty = np.full((len(clock.edges_s), *grid.shape), np.nan, np.float32)
    mean = empty if sums.base is None else sums.mean()
    cold_frames = int(sums.frames[-1])
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
        mean=mean[:-1],
        frames=sums.frames[:-1],
        cold=mean[-1] if cold_frames else None,
        cold_frames=cold_frames,
        noise=noise,
        correlation_mm=float(np.hypot(pixel_mm / np.sqrt(4 * np.pi), soften * pixel_mm)),
        position_error_mm=placed * pixel_mm,
        inside=inside,
        readable=seen & ~sums.saturated,
        pixel_mm=pixel_mm,
        unit=recording.unit,
        ambient_c=recording.facts.ambient_c,
        flags=frozenset(flags),
        motion_error_mm=motion_px * pixel_mm,
        saturated=sums.saturated,
    )
