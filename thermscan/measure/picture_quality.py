"""What in a recording's own data speaks against trusting its temperatures: warnings for a first look.

Each check is a function from a few sums over the recording to a sentence or none. A check that the recording gives no
ground for (no frames before power-on, a hand-held camera) stays silent.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Motion
from thermscan.model.recording import Recording
from thermscan.model.settings import PictureSettings
from thermscan.model.timing import Timing

# What taking slopes from differences over two pixels (1/3) and edges between pixels add to a squared width, px2.
DIFFERENCE_PX2 = 0.5
BLOCKS = 8  # the picture is cut into this many blocks each way


@dataclass(frozen=True)
class PictureSums:
    """What the checks need of a recording, collected in one pass.

    Attributes
    ----------
    blocks : ndarray of shape (frames, BLOCKS * BLOCKS)
        Mean of each block in each frame, common offset taken out, NaN for frames that are not usable.
    cold : ndarray of bool, shape (frames,)
        Usable frames before power-on.
    cold_mean, late_mean : ndarray of shape (rows, columns) or None, ndarray of shape (rows, columns)
    clipped_high, clipped_low : int
        Most pixels of one frame that share the highest or lowest value beyond what chance explains.
    high, low : float
        These values.
    step : float
        Smallest step between values; 0 where none shows.
    """

    blocks: np.ndarray
    cold: np.ndarray
    cold_mean: np.ndarray | None
    late_mean: np.ndarray
    clipped_high: int
    clipped_low: int
    high: float
    low: float
    step: float


def _block_index(rows: int, columns: int) -> np.ndarray:
    r = np.arange(rows) * BLOCKS // rows
    c = np.arange(columns) * BLOCKS // columns
    return (r[:, None] * BLOCKS + c[None, :]).ravel()


def clipped(frame: np.ndarray, noise: float, step: float = 0.0) -> tuple[int, int]:
    """Count the pixels of a frame, ndarray (rows, columns), that are stuck at its highest and at its lowest value.

    In an honest picture the very highest step of values holds about as few pixels as the step below it; where it holds
    far more, the range has ended there. 0 where that is not so, and where values are rounded to a ``step`` so coarse
    that most pixels never change: nothing can be told then.
    """
    values = frame[np.isfinite(frame)]
    if step > 2 * noise and np.unique(values).size < 0.05 * values.size:
        return 0, 0
    reach = max(1.5 * step, 1e-9)
    counts = []
    for sign in (1.0, -1.0):
        top = float((sign * values).max())
        at_top = int(np.sum(sign * values == top))
        near = int(np.sum((sign * values < top) & (sign * values > top - reach)))
        counts.append(at_top if at_top >= 6 and at_top > 3 * near else 0)
    return counts[0], counts[1]


def smallest_step(frame: np.ndarray) -> float:
    """Return the smallest distance between two values of a frame; 0 where more values occur than steps could make."""
    values = np.unique(frame[np.isfinite(frame)])
    if values.size < 2 or values.size > 0.2 * frame.size:
        return 0.0
    return float(np.median(np.diff(values)))


def _frames(recording: Recording) -> Iterator[tuple[int, np.ndarray]]:
    for start, frames in recording.chunks():
        yield from enumerate(frames, start)


def collect(recording: Recording, camera: CameraState, timing: Timing) -> PictureSums:
    """Stream over a recording once."""
    times = np.arange(recording.frames, dtype=float) if recording.times_s is None else recording.times_s
    on = timing.on_s.low if timing.on_s is not None else -np.inf
    off = timing.off_s.low if timing.off_s is not None else times[-1]
    cold = camera.usable & (times < on)
    late = camera.usable & (times <= off) & (times > off - 1.0)
    late = late if late.any() else camera.usable
    index = _block_index(recording.rows, recording.columns)
    good = (~camera.bad).ravel()
    weight = np.maximum(np.bincount(index, good, BLOCKS * BLOCKS), 1)
    blocks = np.full((recording.frames, BLOCKS * BLOCKS), np.nan)
    sums, counts = np.zeros((2, recording.rows, recording.columns)), [0, 0]
    most, extremes, step = [0, 0], [-np.inf, np.inf], 0.0
    usable = np.flatnonzero(camera.usable)  # a blank frame is at its highest value everywhere
    looked = set(usable[np.linspace(0, len(usable) - 1, 8).round().astype(int)].tolist()) if len(usable) else set()
    for number, frame in _frames(recording):
        if number in looked:
            own_step = smallest_step(frame)
            high, low = clipped(np.where(camera.bad, np.nan, frame), camera.noise_median, own_step)
            most = [max(most[0], high), max(most[1], low)]
            step = max(step, own_step)
        extremes = [max(extremes[0], float(np.nanmax(frame))), min(extremes[1], float(np.nanmin(frame)))]
        if not camera.usable[number]:
            continue
        steady = np.nan_to_num(frame.astype(np.float64)) - camera.offset[number]
        blocks[number] = np.bincount(index, np.where(good, steady.ravel(), 0.0), BLOCKS * BLOCKS) / weight
        for i, chosen in enumerate((cold, late)):
            if chosen[number]:
                sums[i] += steady
                counts[i] += 1
    cold_mean = sums[0] / counts[0] if counts[0] else None
    return PictureSums(blocks, cold, cold_mean, sums[1] / max(counts[1], 1), *most, *extremes, step)


def _is_ridge(slope: np.ndarray, down: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Tell where a slope, ndarray (rows, columns), is steeper than one pixel up and one pixel down of it."""
    rows, columns = np.indices(slope.shape)
    length = np.maximum(slope, 1e-12)
    y, x = down / length, right / length
    return np.logical_and.reduce(
        [
            slope >= ndimage.map_coordinates(slope, [rows + sign * y, columns + sign * x], order=1, mode="nearest")
            for sign in (-1, 1)
        ]
    )


def edge_width_px(picture: np.ndarray, noise: float, *, settings: PictureSettings) -> float | None:
    """Estimate the blur of the sharpest edges of a picture.

    Parameters
    ----------
    picture : ndarray of shape (rows, columns)
        A mean of many frames.
    noise : float
        Standard deviation of its noise.
    settings : PictureSettings

    Returns
    -------
    float or None
        Standard deviation of the blur in px: step over sqrt(2 pi) times the steepest slope, which is exact for a step
        blurred by a Gaussian; the tenth part of the strong edges that is sharpest. None where there are too few
        strong edges. Not valid when nothing in view has an edge: heat inside a board spreads softly by itself.
    """
    smooth = ndimage.gaussian_filter(picture, settings.edge_smoothing_px)
    down, right = np.gradient(smooth)
    slope = np.hypot(down, right)
    is_peak = _is_ridge(slope, down, right)
    error = noise / (2 * math.sqrt(math.pi) * settings.edge_smoothing_px**2)  # of a smoothed noise's slope, about
    reach = 2 * settings.edge_reach_px + 1
    step = ndimage.maximum_filter(smooth, size=reach) - ndimage.minimum_filter(smooth, size=reach)
    rim = np.zeros_like(is_peak)
    rim[3:-3, 3:-3] = True
    strong = (
        is_peak
        & rim
        & (slope > settings.edge_sigmas * error)
        & (slope > settings.edge_share * np.quantile(slope, 0.99))
    )
    if strong.sum() < settings.fewest_edges:
        return None
    widths = step[strong] / (math.sqrt(2 * math.pi) * slope[strong])
    width = float(np.quantile(widths, 0.1))
    return math.sqrt(max(width**2 - settings.edge_smoothing_px**2 - DIFFERENCE_PX2, 0.0))


def _say_clipping(recording: Recording, sums: PictureSums) -> Iterator[str]:
    unit = "C" if recording.unit == "celsius" else "counts"
    if sums.clipped_high:
        yield (
            f"{sums.clipped_high} pixels of a frame are stuck at the highest value, {sums.high:.1f} {unit}: saturated, "
            "heat there is only a lower bound; choose a hotter range"
        )
    if sums.clipped_low:
        yield (
            f"{sums.clipped_low} pixels of a frame are stuck at the lowest value, {sums.low:.1f} {unit}: wrong range, "
            "it starts above the room; choose a colder one"
        )


def _say_range(recording: Recording, sums: PictureSums, *, settings: PictureSettings) -> Iterator[str]:
    if recording.unit != "celsius":
        return
    if sums.step > settings.coarse_step_k:
        yield (
            f"the values come in steps of {sums.step:.2g} K: wrong range or a rounded export, "
            "small differences are lost"
        )
    picture = sums.late_mean if sums.cold_mean is None else sums.cold_mean
    room = float(np.nanquantile(picture, 0.1))
    if not settings.room_low_c <= room <= settings.room_high_c:
        yield f"the coolest part of the picture is at {room:.0f} C, which is no bench: check unit, scale and range"


def _say_warming(
    recording: Recording, sums: PictureSums, camera: CameraState, *, settings: PictureSettings
) -> Iterator[str]:
    """Name a trend that the whole picture shares before power-on, when nothing on the bench warms."""
    times = recording.times_s
    if times is None or sums.cold.sum() < settings.fewest_cold or recording.unit != "celsius":
        return
    t = times[sums.cold]
    if np.ptp(t) < settings.least_cold_s:
        return
    paths = sums.blocks[sums.cold]  # steps of the shutter are taken out: a slope is what is left between them
    centred = t - t.mean()
    slopes = centred @ (paths - paths.mean(axis=0)) / np.sum(centred**2)
    slope = float(np.median(slopes))
    spread = 1.4826 * float(np.median(np.abs(slopes - slope)))
    common = np.median(paths, axis=1)
    wobble = common - common.mean() - slope * centred
    error = float(np.std(wobble)) / math.sqrt(np.sum(centred**2)) * math.sqrt(settings.wobble_runs)
    alike = float(np.mean(np.sign(slopes) == np.sign(slope)))
    if abs(slope) > settings.warming_k_per_s and abs(slope) > 5 * error and alike > 0.9 and spread < 0.5 * abs(slope):
        yield (
            f"the whole picture drifts by {slope:+.3f} K/s before power-on: the camera is still warming up; let it run "
            "for a quarter of an hour, away from draughts"
        )
    steps = sum(1 for e in camera.events if e.kind == "offset_step")
    span = float(np.ptp(times))
    if steps >= 3 and span > 0 and steps / span > settings.steps_per_s:
        said = f"{steps} shutter corrections in {span:.0f} s"
        yield f"{said}: the camera is still warming up; let it run for a quarter of an hour"


def _say_reflections(
    recording: Recording, sums: PictureSums, motion: Motion, *, settings: PictureSettings
) -> Iterator[str]:
    """Name slow ups and downs of single blocks before power-on, when all is at rest: something moves in a mirror."""
    if recording.times_s is None or not motion.is_tripod or sums.cold.sum() < settings.fewest_cold:
        return
    t = recording.times_s[sums.cold]
    if np.ptp(t) < settings.least_cold_s or recording.unit != "celsius":
        return
    paths = sums.blocks[sums.cold]
    paths = paths - np.median(paths, axis=1, keepdims=True)
    basis = np.stack([np.ones_like(t), t - t.mean()], axis=1)
    residual = paths - basis @ np.linalg.lstsq(basis, paths, rcond=None)[0]
    quick = np.sqrt(np.mean(np.diff(residual, axis=0) ** 2, axis=0) / 2)  # what changes from frame to frame
    runs = max(3, int(len(t) / 6))
    kernel = np.ones(runs) / runs
    slow = np.stack([np.convolve(column, kernel, mode="valid") for column in residual.T], axis=1)
    swing = np.ptp(slow, axis=0)
    floor = settings.reflection_sigmas * np.median(quick) * math.sqrt(1 / runs) + settings.reflection_k
    moving = swing > floor
    if 0 < moving.sum() <= 0.6 * moving.size:
        place = int(np.argmax(swing))
        x = (place % BLOCKS + 0.5) / BLOCKS * recording.columns
        y = (place // BLOCKS + 0.5) / BLOCKS * recording.rows
        yield (
            f"around x {x:.0f}, y {y:.0f} px the picture swings by {swing[place]:.2f} K before power-on, with nothing "
            "powered: a reflection that moves with someone nearby, or a hand in view; step back and screen the board"
        )


def _say_focus(sums: PictureSums, camera: CameraState, *, settings: PictureSettings) -> Iterator[str]:
    width = edge_width_px(sums.late_mean, camera.noise_median / 3, settings=settings)
    if width is not None and width > settings.soft_px:
        yield (
            f"the sharpest edges are blurred by {width:.1f} px (standard deviation): out of focus, or nothing in view "
            "has an edge; refocus on the board's rim"
        )


def _say_window(
    recording: Recording, sums: PictureSums, camera: CameraState, *, settings: PictureSettings
) -> Iterator[str]:
    """Name a picture in which nothing warms though the supply log says that it should."""
    log = recording.facts.supply
    if not log or recording.unit != "celsius" or recording.times_s is None:
        return
    watts = np.array([p.volts * p.amps for p in log])
    log_times = np.array([p.time_s for p in log])
    most = float(watts.max())
    on = log_times[watts > 0.5 * most]
    if most < settings.powered_w or on.size == 0:
        return
    before = (recording.times_s < on[0] - 0.5) & camera.usable
    after = (recording.times_s > on[0] + settings.powered_s) & camera.usable
    if before.sum() < 5 or after.sum() < 5:
        return
    change = np.nanmean(sums.blocks[after], axis=0) - np.nanmean(sums.blocks[before], axis=0)
    change -= np.median(change)
    if float(np.max(np.abs(change))) < settings.window_k:
        yield (
            f"nothing in the picture warms, though the supply log shows {most:.1f} W: glass, acrylic or a film in the "
            "way, which a thermal camera cannot see through, or the board is not in view"
        )


def _say_facts(recording: Recording, sums: PictureSums, *, settings: PictureSettings) -> Iterator[str]:
    """Name an emissivity beside the recording that the recording contradicts, or that no board has."""
    facts = recording.facts
    if recording.unit != "celsius":
        return
    if facts.emissivity is not None and facts.emissivity < settings.board_emissivity:
        yield (
            f"the sidecar says that emissivity {facts.emissivity:g} was applied: boards and their parts have 0.85 to "
            "0.95, so all heat is exaggerated; set it to 1 in the camera and let the surfaces be corrected here"
        )
    if facts.reflected_c is not None and facts.emissivity not in (None, 1.0) and facts.reflected_c > sums.high:
        yield (
            f"the sidecar says that {facts.reflected_c:.0f} C is reflected, hotter than anything in the picture "
            f"({sums.high:.1f} C): the compensation turns its sign; correct the sidecar"
        )
    picture = sums.cold_mean
    if picture is None or facts.ambient_c is None:
        return
    level = float(np.nanmedian(picture))
    apart = level - facts.ambient_c
    if abs(apart) > settings.off_air_k and (facts.emissivity or 1.0) < 1.0:
        yield (
            f"before power-on the picture reads {level:.1f} C in air of {facts.ambient_c:.1f} C: the emissivity or "
            "reflected temperature that the camera applied cannot be right, or the board was warm"
        )


def judge_picture(
    recording: Recording, camera: CameraState, motion: Motion, timing: Timing, *, settings: PictureSettings
) -> tuple[str, ...]:
    """Return what speaks against trusting this recording's temperatures, a sentence each.

    Parameters
    ----------
    recording : Recording
        As the camera shows it.
    camera : CameraState
    motion : Motion
    timing : Timing
    settings : PictureSettings

    Notes
    -----
    Not complete: a still reflection, a wrong emissivity in thermal balance and a clean window at room temperature
    leave no trace in the data.
    """
    if not camera.usable.any():
        return ()
    sums = collect(recording, camera, timing)
    return (
        *_say_clipping(recording, sums),
        *_say_range(recording, sums, settings=settings),
        *_say_warming(recording, sums, camera, settings=settings),
        *_say_reflections(recording, sums, motion, settings=settings),
        *_say_focus(sums, camera, settings=settings),
        *_say_window(recording, sums, camera, settings=settings),
        *_say_facts(recording, sums, settings=settings),
    )
