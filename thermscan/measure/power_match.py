"""Boards of one type start alike: refine power-on of one recording on the start-up curves of another."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from thermscan.measure.power_cells import sample_cells
from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Motion
from thermscan.model.quantity import Measured
from thermscan.model.recording import Recording
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import Timing


@dataclass(frozen=True)
class PowerCurves:
    """Temperature of the same board places against time.

    Attributes
    ----------
    times_s : ndarray of shape (samples,), s
    values : ndarray of shape (samples, places), unit of the frames
        What the picture has in common is removed.
    noise : ndarray of shape (places,), same unit
        Standard deviation of a sample.
    seen : ndarray of bool, shape (places,)
        False for places outside the picture; their values are zero.
    """

    times_s: np.ndarray
    values: np.ndarray
    noise: np.ndarray
    seen: np.ndarray


def power_curves(
    recording: Recording, camera: CameraState, motion: Motion, places_px: np.ndarray, *, settings: TimingSettings
) -> PowerCurves | None:
    """Read the time courses of board places.

    Parameters
    ----------
    recording : Recording
    camera : CameraState
    motion : Motion
    places_px : ndarray of shape (places, 2), px
        Places in the reference picture, x and y; the same board places in the same order for every recording.
    settings : TimingSettings

    Returns
    -------
    PowerCurves or None
        None where ``sample_cells`` finds too little to follow.
    """
    cells = sample_cells(recording, camera, motion, settings=settings)
    if cells is None:
        return None
    side = max(1, int(np.ceil(np.sqrt(recording.rows * recording.columns / settings.cells_max))))
    rows, columns = cells.places.max(axis=0) + 1
    number = np.full((rows, columns), -1)
    number[cells.places[:, 0], cells.places[:, 1]] = np.arange(len(cells.places))
    column, row = np.floor((np.asarray(places_px, float) + 0.5) / side).astype(int).T
    seen = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
    index = np.where(seen, number[np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)], -1)
    seen = index >= 0
    values = np.where(seen, cells.values[:, index], 0.0)
    return PowerCurves(cells.times_s, values, np.where(seen, cells.noise[index], np.inf), seen)


def match_power(
    faulty: PowerCurves, good: PowerCurves, timing_faulty: Timing, timing_good: Timing, *, settings: TimingSettings
) -> Timing:
    """Refine power-on of the faulty recording from that of a good one and the lag between their start-up curves.

    Parameters
    ----------
    faulty, good : PowerCurves
        Of the same places.
    timing_faulty, timing_good : Timing
    settings : TimingSettings

    Returns
    -------
    Timing
        ``timing_faulty`` with a narrower ``on_s``; unchanged where either power-on is not known or the curves do not
        place the lag inside the interval that the two recordings leave.

    Notes
    -----
    Each place's curve is fitted by the good one, shifted, scaled and with a trend of its own; scale and trend are free,
    so other powers and other ambients do not pull the lag. Misfit counts up to ``settings.match_cap`` a place, so that
    places with a fault do not either. The interval combines the lag's with that of the good power-on.
    """
    on, model = timing_faulty.on_s, timing_good.on_s
    if on is None or model is None:
        return timing_faulty
    spread = 1.5 * (on.high - on.low + model.high - model.low) + 4 * float(np.median(np.diff(good.times_s)))
    lags = on.value - model.value + np.linspace(-spread / 2, spread / 2, 121)
    span = (on.low - settings.fit_before_s, on.high + settings.fit_after_s)
    misfit = np.array([_misfit(faulty, good, lag, span) for lag in lags])
    per_place = misfit - misfit.min(axis=0)
    total = np.minimum(per_place, settings.match_cap).sum(axis=1) / 2.0
    weight = np.exp(total.min() - total)
    cumulative = (np.cumsum(weight) - 0.5 * weight) / weight.sum()
    low, middle, high = np.interp([0.025, 0.5, 0.975], cumulative, lags)
    if low <= lags[1] or high >= lags[-2]:
        return timing_faulty
    error = float(np.hypot((high - low) / 3.92, model.standard_error))
    moved = Measured.normal(float(middle) + model.value, error)
    if moved.high < on.low or moved.low > on.high or error >= on.standard_error:
        return timing_faulty
    ups = timing_faulty.power_ups
    return replace(timing_faulty, on_s=moved, power_ups=(replace(ups[0], on_s=moved), *ups[1:]) if ups else ups)


def _misfit(faulty: PowerCurves, good: PowerCurves, lag: float, span: tuple[float, float]) -> np.ndarray:
    """Return minus twice the log-likelihood of each place for one lag, ndarray (places,); zero where out of reach."""
    times = faulty.times_s
    inside = (times >= span[0]) & (times <= span[1])
    inside &= (times - lag >= good.times_s[0]) & (times - lag <= good.times_s[-1])
    places = np.flatnonzero(faulty.seen & good.seen)
    out = np.zeros(faulty.values.shape[1])
    if inside.sum() < 6:
        return out
    base, _ = np.linalg.qr(np.column_stack([np.ones(inside.sum()), times[inside] - times[inside].mean()]))
    at = np.clip(np.searchsorted(good.times_s, times[inside] - lag) - 1, 0, len(good.times_s) - 2)
    share = ((times[inside] - lag - good.times_s[at]) / (good.times_s[at + 1] - good.times_s[at]))[:, None]
    model = good.values[np.ix_(at, places)] * (1 - share) + good.values[np.ix_(at + 1, places)] * share
    model = model - base @ (base.T @ model)
    seen = faulty.values[np.ix_(np.flatnonzero(inside), places)]
    seen = seen - base @ (base.T @ seen)
    scale = (model * seen).sum(axis=0) / np.maximum(np.square(model).sum(axis=0), 1e-12)
    # a value drawn between two samples is less noisy than either, which would favour lags of half a sample
    kept = float(np.mean(np.square(share) + np.square(1 - share)))
    noise = np.square(faulty.noise[places]) + kept * np.square(scale * good.noise[places])
    out[places] = np.square(seen - scale * model).sum(axis=0) / noise + inside.sum() * np.log(noise)
    return out
