"""How fast a place warms beyond the good boards, K/s, with its interval."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import make_smoothing_spline
from scipy.stats import t as student

from thermscan.model.quantity import Measured
from thermscan.model.result import RiseRate
from thermscan.model.settings import RateSettings


def fit_slope(times_s: np.ndarray, values_k: np.ndarray, *, noise_k: float) -> tuple[float, float]:
    """Return slope and its standard error, K/s, of an ordinary least-squares line.

    ``times_s`` and ``values_k`` are ndarray (samples,); ``noise_k`` is the standard deviation of one sample. The error
    is noise / sqrt(sum (t - mean t)^2), exact for white noise (any text on linear regression).
    """
    centred = times_s - times_s.mean()
    power = float(np.dot(centred, centred))
    return float(np.dot(centred, values_k) / power), float(noise_k / np.sqrt(power))


def sample_noise(values: np.ndarray) -> float:
    """Return the standard deviation of one sample about a smooth curve, from second differences, robustly.

    A second difference of white noise has standard deviation sqrt(6) times that of the noise; 1.4826 MAD of it does
    not see single steps and outliers. Needs four samples; fewer give 0.
    """
    second = np.diff(values, 2)
    if second.size < 2:
        return 0.0
    return float(1.482602218505602 * np.median(np.abs(second)) / np.sqrt(6))


def without_steps(values: np.ndarray, *, noise_k: float, settings: RateSettings) -> np.ndarray:
    """Take out single-sample jumps that stay: what a shutter step leaves after its correction.

    A jump is one between two frames that exceeds ``step_sigma`` noise and the largest of its neighbours' jumps by
    ``step_ratio``; a real warm-up spreads over frames.
    """
    jumps = np.diff(values)
    out = values.copy()
    for i in range(2, len(jumps) - 2):
        around = np.abs(np.r_[jumps[i - 2 : i], jumps[i + 1 : i + 3]]).max()
        if abs(jumps[i]) > settings.step_sigma * noise_k and abs(jumps[i]) > settings.step_ratio * around:
            out[i + 1 :] -= jumps[i]
    return out


def steepest_slope(
    times_s: np.ndarray, values_k: np.ndarray, *, noise_k: float | None = None, settings: RateSettings
) -> RiseRate | None:
    """Return the steepest slope of a curve over any window, or None where there are too few samples.

    Parameters
    ----------
    times_s, values_k : ndarray of shape (samples,)
        Increasing times with power on, and the excess (or rise) at them; NaN samples are left out.
    noise_k : float, optional
        Standard deviation of one sample; measured from the curve where not given.
    settings : RateSettings

    Notes
    -----
    The steepest of many noisy slopes is too steep. So the window is chosen on a smoothing spline (penalty by
    generalised cross-validation) and the slope then fitted by least squares to the samples in that window: where the
    window lies is nearly independent of the noise within it. The interval is Student's with the samples' degrees of
    freedom. Not valid when the curve has fewer than ``fewest_samples`` samples.
    """
    known = np.isfinite(values_k)
    t, y = np.asarray(times_s, float)[known], np.asarray(values_k, float)[known]
    if t.size < settings.fewest_samples:
        return None
    noise = sample_noise(y) if noise_k is None else noise_k
    y = without_steps(y, noise_k=noise, settings=settings)
    window = max(settings.window_s, float(np.median(np.diff(t))) * 1.001)
    smooth = make_smoothing_spline(t, y)
    starts = t[t + window <= t[-1] + 1e-9]
    if starts.size == 0:
        starts, window = t[:1], float(t[-1] - t[0])
    climb = (smooth(starts + window) - smooth(starts)) / window
    sign = 1.0 if abs(climb.max()) >= abs(climb.min()) else -1.0
    start = float(starts[np.argmax(sign * climb)])
    inside = (t >= start - 1e-9) & (t <= start + window + 1e-9)
    if inside.sum() < 2:
        inside = np.zeros(t.size, bool)
        first = min(int(np.searchsorted(t, start)), t.size - 2)
        inside[first : first + 2] = True
    slope, error = fit_slope(t[inside], y[inside], noise_k=noise)
    freedom = max(t.size - 3, 1)
    half = float(student.ppf(0.975, freedom)) * error
    seen = t[inside]
    return RiseRate(Measured(slope, slope - half, slope + half), float(seen[-1] - seen[0]), float(seen[0]))
