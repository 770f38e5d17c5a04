"""Time courses of many small places of a recording, for finding when the power was switched."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy import ndimage

from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Motion
from thermscan.model.recording import Recording
from thermscan.model.settings import TimingSettings

SECOND_DIFFERENCE = 6.0**0.5  # standard deviation of y[i-1] - 2 y[i] + y[i+1] over that of y, white noise
MAD_TO_SD = 1.4826  # median absolute deviation of a normal distribution to its standard deviation


@dataclass(frozen=True)
class CellSeries:
    """Mean temperature of square cells of the reference picture against time.

    Attributes
    ----------
    times_s : ndarray of shape (samples,), s
        Mean time of the frames in each sample, strictly increasing.
    values : ndarray of shape (samples, cells), unit of the frames
        Cell means, what all quiet cells share removed.
    noise : ndarray of shape (cells,), same unit
        Standard deviation of a sample, from its second differences (white part).
    places : ndarray of int, shape (cells, 2)
        Row and column of each cell in the grid of cells.
    cell_px : float
        Side of a cell, px of the reference picture.
    frames_a_sample : int
        Frames averaged into one sample.
    frame_s : float
        Median time between frames, s.
    """

    times_s: np.ndarray
    values: np.ndarray
    noise: np.ndarray
    places: np.ndarray
    cell_px: float
    frames_a_sample: int
    frame_s: float

    @property
    def step_s(self) -> float:
        """Median time between samples, s."""
        return float(np.median(np.diff(self.times_s)))


def sample_cells(
    recording: Recording, camera: CameraState, motion: Motion, *, settings: TimingSettings
) -> CellSeries | None:
    """Follow square cells of the reference picture through a recording.

    Frames that are frozen, blank or cannot be followed are left out. Memory is bounded by
    ``settings.cells_max`` times ``settings.samples_max``; longer recordings are averaged in runs of frames.

    Parameters
    ----------
    recording : Recording
    camera : CameraState
    motion : Motion
        ``matrices`` (frames, 3, 3), reference picture to frame, px.
    settings : TimingSettings

    Returns
    -------
    CellSeries or None
        None without ``times_s``, or where fewer than ``settings.samples_min`` samples or no whole cells remain.
    """
    if recording.times_s is None:
        return None
    times = np.asarray(recording.times_s, float)
    good = camera.usable & np.isfinite(motion.matrices).all(axis=(1, 2))
    frames = np.flatnonzero(good)
    if len(frames) < settings.samples_min:
        return None
    run = int(np.ceil(len(frames) / settings.samples_max))
    target = np.full(recording.frames, -1)
    target[frames] = np.arange(len(frames)) // run
    samples = int(target.max()) + 1
    count = np.bincount(target[frames], minlength=samples)
    values = _sum_cells(recording, camera, motion, target, samples, settings) / count[:, None, None]
    when = np.bincount(target[frames], weights=times[frames], minlength=samples) / count
    return _finish(values, when, recording, run, float(np.median(np.diff(times))), settings)


def on_board(cells: CellSeries, outline_px: np.ndarray, *, settings: TimingSettings) -> CellSeries | None:
    """Return the cells that show the board: what moves beside it on the bench switches nothing.

    Parameters
    ----------
    cells : CellSeries
    outline_px : ndarray of shape (corners, 2), px of the reference picture
    settings : TimingSettings

    Returns
    -------
    CellSeries or None
        Cells whose middle lies inside the outline or within a cell of it; None where they are too few.
    """
    middles = (cells.places[:, ::-1] + 0.5) * cells.cell_px - 0.5
    outline = np.asarray(outline_px, np.float32).reshape(-1, 1, 2)
    inside = [
        cv2.pointPolygonTest(outline, (float(x), float(y)), measureDist=True) >= -cells.cell_px for x, y in middles
    ]
    kept = np.array(inside, bool)
    if kept.sum() < settings.board_cells_min:
        return None
    return replace(cells, values=cells.values[:, kept], noise=cells.noise[kept], places=cells.places[kept])


def standing_out(cells: CellSeries, *, settings: TimingSettings) -> CellSeries | None:
    """Return the few places that change most against what lies around them, as sums of 3 x 3 cells less a ring.

    A small hot part starts and stops sharply, while most places of a board only follow as heat spreads; what the
    camera and the room do is the same around it and drops out, and in the sum so does a motion by part of a cell.

    Parameters
    ----------
    cells : CellSeries
    settings : TimingSettings

    Returns
    -------
    CellSeries or None
        None where no place stands out of its noise by ``lone_from``.
    """
    rows, columns = cells.places.max(axis=0) + 1
    at = cells.places[:, 0], cells.places[:, 1]
    picture, seen = np.zeros((len(cells.times_s), rows, columns), np.float32), np.zeros((rows, columns))
    picture[:, at[0], at[1]], seen[at] = cells.values, 1.0
    inner, outer = int(settings.lone_cells), int(settings.lone_ring)
    share = [ndimage.uniform_filter(seen, n, mode="constant") * n**2 for n in (inner, outer)]
    total = [ndimage.uniform_filter(picture, (0, n, n), mode="constant") * n**2 for n in (inner, outer)]
    ring = (total[1] - total[0]) / np.maximum(share[1] - share[0], 1.0)
    apart = (total[0] / np.maximum(share[0], 1.0) - ring)[:, at[0], at[1]].astype(float)
    second = np.abs(np.diff(apart, n=2, axis=0))
    noise = MAD_TO_SD * np.median(second, axis=0) / SECOND_DIFFERENCE
    noise = np.maximum(noise, max(settings.noise_floor_share * float(np.median(noise)), 1e-9))
    size = np.ptp(ndimage.uniform_filter1d(apart, 5, axis=0), axis=0) / noise
    kept = np.argsort(-size)[: settings.lone_places]
    kept = kept[size[kept] > settings.lone_from]
    if not len(kept):
        return None
    return replace(cells, values=apart[:, kept], noise=noise[kept], places=cells.places[kept])


def step_moments(recording: Recording, camera: CameraState, *, settings: TimingSettings) -> np.ndarray:
    """Moments at which the picture may have jumped, ndarray (events,), s: time of the first frame after each.

    A camera that holds its picture for some frames sets its offsets anew, each pixel's by another amount: that leaves
    jumps even where the whole picture makes none.
    """
    events = [e for e in camera.events if e.frame]
    frames = [e.frame for e in events if e.kind == "offset_step"]
    frames += [e.frame + e.frames for e in events if e.kind == "frozen" and e.frames >= settings.held_frames]
    inside = sorted({f for f in frames if f < recording.frames})
    return np.asarray(recording.times_s, float)[np.array(inside, dtype=int)]


def _finish(
    values: np.ndarray,
    when: np.ndarray,
    recording: Recording,
    run: int,
    frame_s: float,
    settings: TimingSettings,
) -> CellSeries | None:
    """Keep cells seen in nearly every sample, remove what quiet cells share and measure the noise."""
    lost = 1.0 - np.isfinite(values).mean(axis=0)
    rows, columns = np.nonzero(lost <= settings.cells_lost)
    if len(rows) < settings.cells_min or len(when) < settings.samples_min:
        return None
    series = _without_gaps(values[:, rows, columns].astype(np.float64), when)
    series = _without_common(series, settings.quiet_share)
    second = np.abs(np.diff(series, n=2, axis=0))
    noise = MAD_TO_SD * np.median(second, axis=0) / SECOND_DIFFERENCE
    floor = settings.noise_floor_share * np.median(noise[noise > 0]) if (noise > 0).any() else 1e-6
    cell_px = recording.columns / values.shape[2]
    places = np.column_stack([rows, columns])
    return CellSeries(when, series, np.maximum(noise, floor), places, cell_px, run, frame_s)


def _without_gaps(series: np.ndarray, when: np.ndarray) -> np.ndarray:
    """Return courses, ndarray (samples, cells), with what single frames did not show drawn straight across."""
    for cell in np.flatnonzero(~np.isfinite(series).all(axis=0)):
        known = np.isfinite(series[:, cell])
        series[:, cell] = np.interp(when, when[known], series[known, cell])
    return series


def _sum_cells(
    recording: Recording,
    camera: CameraState,
    motion: Motion,
    target: np.ndarray,
    samples: int,
    settings: TimingSettings,
) -> np.ndarray:
    """Add the cell means of each frame to its sample, ndarray (samples, cell rows, cell columns)."""
    side = max(1, int(np.ceil(np.sqrt(recording.rows * recording.columns / settings.cells_max))))
    rows, columns = max(1, recording.rows // side), max(1, recording.columns // side)
    total = np.zeros((samples, rows, columns), np.float64)
    pattern = np.zeros((recording.rows, recording.columns), np.float32)
    if motion.pattern is not None:
        pattern = motion.pattern.astype(np.float32)
    fill = _filler(camera.bad)
    size = (recording.columns, recording.rows)
    for start, chunk in recording.chunks():
        for step, raw in enumerate(chunk):
            frame = start + step
            if target[frame] < 0:
                continue
            picture = fill(raw - np.float32(camera.offset[frame]) - pattern)
            if not motion.is_tripod:
                picture = _stabilised(picture, motion.matrices[frame], size)
            total[target[frame]] += _block_means(picture, side, rows, columns)
    return total


def _stabilised(picture: np.ndarray, matrix: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """Draw a frame as seen from the reference position; NaN where it was out of view."""
    return cv2.warpPerspective(
        picture,
        np.asarray(matrix, float),
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    )


def _block_means(picture: np.ndarray, side: int, rows: int, columns: int) -> np.ndarray:
    """Mean of blocks of ``side`` x ``side`` pixels; the rest at the right and bottom edge is left out."""
    cut = picture[: rows * side, : columns * side]
    return cut.reshape(rows, side, columns, side).mean(axis=(1, 3), dtype=np.float64)


def _filler(bad: np.ndarray):  # noqa: ANN202 - a closure over the neighbours
    """Return a function that replaces bad pixels by the mean of their good neighbours."""
    if not bad.any():
        return lambda picture: picture
    good = (~bad).astype(np.float32)
    weight = cv2.boxFilter(good, -1, (5, 5), normalize=False, borderType=cv2.BORDER_CONSTANT)[bad]

    def fill(picture: np.ndarray) -> np.ndarray:
        kept = np.where(bad, np.float32(0), picture)
        near = cv2.boxFilter(kept, -1, (5, 5), normalize=False, borderType=cv2.BORDER_CONSTANT)[bad]
        middle = np.float32(np.median(picture[~bad])) if (weight == 0).any() else np.float32(0)
        kept[bad] = np.where(weight > 0, near / np.maximum(weight, 1), middle)
        return kept

    return fill


def _without_common(series: np.ndarray, quiet_share: float) -> np.ndarray:
    """Subtract from each sample the median of the quietest cells (offset steps, drift of the camera and air)."""
    moved = series - np.median(series, axis=0)
    first = moved - np.median(moved, axis=1, keepdims=True)
    spread = np.percentile(first, 97, axis=0) - np.percentile(first, 3, axis=0)
    quiet = spread <= np.quantile(spread, quiet_share)
    return moved - np.median(moved[:, quiet], axis=1, keepdims=True)
