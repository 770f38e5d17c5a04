"""Temporal noise of each pixel, measured from the recording itself, and the state of the camera over it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from thermscan.measure.bad_pixels import PixelSums, find_bad_pixels
from thermscan.measure.camera_steps import FrameCourse, find_frame_events
from thermscan.model.camera_events import CameraEvent, CameraState
from thermscan.model.recording import Recording
from thermscan.model.settings import CameraSettings

# Finite differences in time and the factor by which they raise the variance of white noise (sum of squares).
DIFFERENCES = {3: (np.array([1.0, -3.0, 3.0, -1.0]), 20.0), 2: (np.array([1.0, -2.0, 1.0]), 6.0)}
DIFFERENCES[1] = (np.array([1.0, -1.0]), 2.0)


def trimmed_factor(kept: float) -> float:
    """Return E[x2 | x2 below its ``kept`` quantile] of a standard normal x: what a trimmed mean square is short by."""
    edge = ndtri(0.5 + kept / 2)
    density = np.exp(-edge * edge / 2) / np.sqrt(2 * np.pi)
    return float(1 - 2 * edge * density / kept)


def trimmed_mean_square(samples: np.ndarray, *, kept: float) -> np.ndarray:
    """Return the variance of zero-mean normal samples, ndarray (n, ...), along axis 0, ignoring the largest ones.

    The ``round(kept n)`` smallest squares are averaged and divided by their expectation for a normal distribution, so
    up to ``1 - kept`` of the samples may be anything. Unlike the median it stays useful where values are quantised.
    """
    count = max(1, round(kept * len(samples)))
    squares = np.asarray(samples) ** 2
    if count < len(samples):
        squares = np.partition(squares, count - 1, axis=0)[:count]
    return squares.mean(axis=0) / trimmed_factor(count / len(samples) if count < len(samples) else 1 - 1e-12)


def median_along(values: np.ndarray, *, axis: int) -> np.ndarray:
    """Return the median along an axis without NaN; many times faster than ``nanmedian`` where there is none."""
    return np.median(values, axis=axis) if np.isfinite(values).all() else np.nanmedian(values, axis=axis)


def single_frame_noise(frame: np.ndarray) -> float:
    """Estimate the noise of one picture, ndarray (rows, columns), from what its neighbours do not foretell.

    The mask (1 -2 1; -2 4 -2; 1 -2 1) removes every picture that is locally bilinear and raises the variance of white
    noise by 36 (Immerkaer 1996, from memory). Fine texture is read as noise, so this is an upper bound.
    """
    if min(frame.shape) < 3:
        return float(np.nanstd(frame))
    inner = frame[:, :-2] - 2 * frame[:, 1:-1] + frame[:, 2:]
    mask = inner[:-2] - 2 * inner[1:-1] + inner[2:]
    mask = mask[np.isfinite(mask)]
    if mask.size == 0:
        return 0.0
    return float(np.sqrt(trimmed_mean_square(mask.ravel(), kept=0.8) / 36.0))


@dataclass
class NoiseSums:
    """Sums over chunks for the noise of each pixel and of whole rows and columns."""

    shape: tuple[int, int]
    kept: float

    def __post_init__(self) -> None:
        self.weight = 0.0
        self.pooled = 0.0
        self.variance = np.zeros(self.shape)
        self.full = np.zeros(self.shape)  # without trimming: rare jumps show here
        self.gradient = [np.zeros(self.shape) for _ in range(3)]
        self.rows: list[np.ndarray] = []
        self.columns: list[np.ndarray] = []

    def add(self, frames: np.ndarray) -> None:
        """Add consecutive usable frames, ndarray (n, rows, columns), offsets already taken out."""
        order = min(3, len(frames) - 1)
        if order < 1:
            return
        weights, gain = DIFFERENCES[order]
        n = len(frames) - order
        series = sum(w * frames[i : i + n] for i, w in enumerate(weights.astype(np.float32)))
        series -= median_along(series.reshape(n, -1)[:, :: max(1, series[0].size // 20000)], axis=1)[:, None, None]
        self.variance += n * trimmed_mean_square(series, kept=self.kept) / gain
        self.full += n * np.mean(series**2, axis=0) / gain
        self.weight += n
        self.pooled += n * float(trimmed_mean_square(series[np.isfinite(series)], kept=self.kept)) / gain
        mean = frames.mean(axis=0)
        down, right = np.gradient(mean) if min(mean.shape) > 1 else (np.zeros_like(mean), np.zeros_like(mean))
        for i, product in enumerate((right * right, down * down, right * down)):
            self.gradient[i] += n * product
        scale = 1 / np.sqrt(gain)
        self.rows.append(scale * median_along(series, axis=2))
        self.columns.append(scale * median_along(series, axis=1))

    def noise(self, *, prior_samples: float) -> np.ndarray:
        """Return the standard deviation of one frame's noise, ndarray (rows, columns).

        What jitter of the camera adds at sharp edges is told apart by its form, a quadratic of the gradient, and
        taken out. Few frames: drawn towards the picture's median as if that were ``prior_samples`` more.
        """
        samples = self.weight * self.kept / 2.2  # differences overlap: about 2.2 of them make one independent sample
        variance, typical = self.variance / self.weight, self.pooled / self.weight
        if samples >= prior_samples:
            variance = without_jitter(variance, [g / self.weight for g in self.gradient])
            typical = np.nanmedian(variance)
        share = samples / (samples + prior_samples)
        noise = np.sqrt(share * variance + (1 - share) * typical)
        return np.where(np.isfinite(noise), noise, np.sqrt(typical))

    def stripes(self, noise: float) -> tuple[float, float]:
        """Return the noise that whole rows and whole columns share in one frame."""
        out = []
        for series, length in ((self.rows, self.shape[1]), (self.columns, self.shape[0])):
            spread = float(np.sqrt(trimmed_mean_square(np.concatenate(series).ravel(), kept=self.kept)))
            of_median = noise * np.sqrt(np.pi / 2 / length)  # standard error of a median of normal noise
            out.append(float(np.sqrt(max(spread**2 - of_median**2, 0.0))))
        # The sampling error of the spread itself would pass for stripes; below a tenth of the noise nothing is told.
        return tuple(s if s > 0.1 * noise else 0.0 for s in out)


def without_jitter(variance: np.ndarray, gradient: list[np.ndarray]) -> np.ndarray:
    """Take ``a gx2 + b gy2 + c gx gy`` with fitted a, b >= 0 out of a variance map; never below half its median."""
    v = variance.ravel()
    design = np.stack([np.ones(v.size), *[g.ravel() for g in gradient]], axis=1)
    fine = np.isfinite(v) & np.isfinite(design).all(axis=1)
    if fine.sum() < 50:
        return variance
    typical = np.median(v[fine])
    if typical <= 0:  # rounded or clipped: most pixels never change, and there is nothing to compare jitter with
        return variance
    use = fine.copy()
    coefficients = np.zeros(4)
    for _ in range(4):
        weight = 1.0 / (typical + design[:, 1:3].clip(0) @ coefficients[1:3].clip(0))
        a = design[use] * weight[use, None]
        coefficients = np.linalg.lstsq(a, v[use] * weight[use], rcond=None)[0]
        excess = (v - design @ coefficients) * weight
        use = fine & (np.abs(excess) < 4 * 1.4826 * np.median(np.abs(excess[fine])) + 1e-12)
        if use.sum() < 50:
            return variance
    if coefficients[1] < 0 and coefficients[2] < 0:
        return variance
    jitter = np.clip(design[:, 1:] @ np.append(coefficients[1:3].clip(0), coefficients[3]), 0, None)
    base = np.clip(coefficients[0], 0.25 * typical, None)
    cleaned = np.where(jitter > 0.1 * base, np.clip(v - jitter, np.minimum(v, base), None), v)
    return cleaned.reshape(variance.shape)


def measure_camera(recording: Recording, *, settings: CameraSettings | None = None) -> CameraState:
    """Measure noise, bad pixels, offset steps, frozen and dropped frames from the recording's own data.

    Parameters
    ----------
    recording : Recording
        Any number of frames, counts or degrees Celsius; NaN pixels are allowed.
    settings : CameraSettings, optional

    Returns
    -------
    CameraState
        Noise in the unit of the frames; ``offset`` is what to subtract from each frame.

    Notes
    -----
    Streams over ``recording.chunks()``; what is kept is a few pictures and a few numbers a frame. Noise comes from
    third differences in time, to which heating (smooth) adds next to nothing, with the largest of them left out.
    Not valid when fewer than eight frames are known: then one value is drawn over the picture, and for a single frame
    it is an upper bound from its fine texture.
    """
    settings = settings or CameraSettings()
    course = FrameCourse(recording, settings)
    sums = NoiseSums((recording.rows, recording.columns), settings.kept_share)
    pixels = PixelSums((recording.rows, recording.columns), recording.saturated_at)
    for start, frames in recording.chunks():
        fresh = course.add(start, frames)
        pixels.add(start, frames, fresh)
        thin = frames[fresh][: settings.noise_frames]
        sums.add(thin)
    found = find_frame_events(course.finish(), recording, settings)
    if sums.weight > 0:
        noise = sums.noise(prior_samples=settings.prior_samples)
        row_noise, column_noise = sums.stripes(float(np.median(noise)))
    else:
        noise = np.full(pixels.shape, single_frame_noise(pixels.mean()))
        row_noise = column_noise = 0.0
    bad, pixel_events = find_bad_pixels(pixels, sums, noise, settings)
    events = [*found.events, *pixel_events, *stripe_events(noise, row_noise, column_noise, settings)]
    order = sorted(events, key=lambda e: (-1 if e.frame is None else e.frame, e.kind))
    return CameraState(noise, bad, found.usable, found.offset, tuple(order), row_noise, column_noise)


def stripe_events(noise: np.ndarray, rows: float, columns: float, settings: CameraSettings) -> list[CameraEvent]:
    """Report noise shared by whole rows or columns where it stands out against the pixel noise."""
    typical = float(np.median(noise))
    out = []
    for name, size in (("rows", rows), ("columns", columns)):
        if size > settings.stripe_share * typical > 0:
            text = f"whole {name} move together by {size:.3g} from frame to frame ({size / typical:.1f} of pixel noise)"
            out.append(CameraEvent("stripes", None, 0, text, size))
    return out
