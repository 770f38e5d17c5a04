"""What reaches into the picture and leaves it again, taken out of the cells before switching times are looked for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import ndimage

from thermscan.measure.power_cells import CellSeries
from thermscan.model.settings import TimingSettings


def find_passing(cells: CellSeries, breaks_s: np.ndarray, *, settings: TimingSettings) -> tuple[np.ndarray, np.ndarray]:
    """Tell where a hand, a tool or a cable stood before a cell.

    Parameters
    ----------
    cells : CellSeries
    breaks_s : ndarray of shape (steps,), s
        Moments at which the camera stepped; gaps between samples count as such too.
    settings : TimingSettings

    Returns
    -------
    passed : ndarray of bool, shape (samples, cells)
        With a margin about it in place and time.
    reaching : ndarray of bool, shape (samples, cells)
        Those of a visitor that is seen to reach to the rim of the picture, without a margin.

    Notes
    -----
    A visitor comes in from the rim of the picture, stays at a cell for ``visit_s`` at the most, jumps there by far more
    than noise within a sample or two, and leaves nothing behind. Heat of the board stays where it is, fades slowly and
    seldom reaches the rim. Where the camera stepped all cells jump, each by another amount: what jumps by no more than
    ``visit_jumps`` times the median there is the camera's. Not valid for a board that fills the whole picture and whose
    supply restarts.
    """
    if len(cells.times_s) < 6:
        nothing = np.zeros(cells.values.shape, bool)
        return nothing, nothing
    joined = replace(cells, values=_without_steps(cells, breaks_s, settings))
    return _passing(joined, max(2, round(settings.visit_s / cells.step_s)), settings)


def _without_steps(cells: CellSeries, breaks_s: np.ndarray, settings: TimingSettings) -> np.ndarray:
    """Return the values, ndarray (samples, cells), without what the camera's own steps leave in them."""
    times, values = cells.times_s, cells.values.copy()
    gaps = np.flatnonzero(np.diff(times) > 1.5 * cells.step_s) + 1
    firsts = np.union1d(gaps, np.searchsorted(times, np.asarray(breaks_s, float) - 1e-9))
    for first in firsts[(firsts > 0) & (firsts < len(times))]:
        jump = values[first] - values[first - 1]
        usual = settings.visit_jumps * float(np.median(np.abs(jump)))
        values[first:] -= np.where(np.abs(jump) <= usual, jump, 0.0)
    return values


def bridged(cells: CellSeries, passed: np.ndarray) -> CellSeries:
    """Return the cells with straight lines across the samples in which something passed; as they are where none did.

    ``passed`` is ndarray of bool (samples, cells).
    """
    if not passed.any():
        return cells
    values = cells.values.copy()
    index = np.arange(len(values))
    for cell in np.flatnonzero(passed.any(axis=0)):
        here = ~passed[:, cell]
        if here.any():
            values[:, cell] = np.interp(index, index[here], values[here, cell])
    return replace(cells, values=values)


def visit_spans(
    cells: CellSeries, reaching: np.ndarray, *, settings: TimingSettings
) -> tuple[tuple[float, float], ...]:
    """Return when something large stood before the picture, s: half a sample and one more about its samples.

    ``reaching`` is ndarray of bool (samples, cells), as ``find_passing`` returns it.
    """
    least = max(settings.visit_cells, settings.visit_share * reaching.shape[1])
    there = np.concatenate([[0], (reaching.sum(axis=1) >= least).astype(int), [0]])
    starts, stops = np.flatnonzero(np.diff(there) > 0), np.flatnonzero(np.diff(there) < 0) - 1
    margin = 1.5 * cells.step_s
    return tuple(
        (float(cells.times_s[a] - margin), float(cells.times_s[b] + margin)) for a, b in zip(starts, stops, strict=True)
    )


def _passing(cells: CellSeries, reach: int, settings: TimingSettings) -> tuple[np.ndarray, np.ndarray]:
    """Tell where something stands before a cell, and what of it reaches to the rim, as ``find_passing`` does."""
    rows, columns = cells.places.max(axis=0) + 1
    at = cells.places[:, 0], cells.places[:, 1]
    jump = np.zeros((len(cells.values), rows, columns), bool)
    jump[:, *at] = _visits(cells.values, cells.noise, reach, settings)
    whole = np.zeros((rows, columns), bool)
    whole[at] = True
    rim = whole & ~ndimage.binary_erosion(whole, np.ones((3, 3), bool))
    flat = np.stack([np.zeros((3, 3)), np.ones((3, 3)), np.zeros((3, 3))])
    joined = ndimage.label(jump, flat)[0]  # within each sample: a part that warms where a hand has been is not the hand
    touching = np.unique(joined[:, rim])
    area = np.bincount(joined.ravel())[touching]
    reaching = np.isin(joined, touching[(touching > 0) & (area >= settings.visit_cells)])
    # a fingertip whose arm is not seen for a moment belongs to the hand that was there just before or is just after
    waves = max(1, round(settings.visit_wave_s / cells.step_s))
    out = ndimage.binary_dilation(reaching, np.ones((3, 3, 3), bool), iterations=waves, mask=jump)
    around = ndimage.generate_binary_structure(2, 2)[None]
    out = ndimage.binary_dilation(ndimage.binary_dilation(out, around), np.ones((3, 1, 1), bool))
    return out[:, *at], reaching[:, *at]


def _visits(values: np.ndarray, noise: np.ndarray, reach: int, settings: TimingSettings) -> np.ndarray:
    """Tell where each cell lies far above or below what it shows both before and after, bool (samples, cells)."""
    out = np.zeros(values.shape, bool)
    limit = settings.visit_sigmas * noise
    for sign in (1.0, -1.0):
        # what is warm from the first sample on, or to the last, may be a visitor; a scene is not a cold one
        height = _above_both_sides(sign * values, reach, mode="reflect" if sign > 0 else "nearest")
        high = height > limit
        # The steepest fall must take most of the height at once: what was heated fades slowly. One far beyond the
        # height is another's: a scene that drifts is no cold visitor for the warm hand that comes next.
        fall = -ndimage.minimum_filter1d(_change(sign * values), 2 * reach + 1, axis=0)
        top = ndimage.maximum_filter1d(height, 2 * reach + 1, axis=0)
        out |= high & (fall > settings.visit_fall * top) & (fall < settings.visit_most * top)
    return out


def _above_both_sides(values: np.ndarray, reach: int, *, mode: str) -> np.ndarray:
    """Return by how much each sample lies above the lowest before it and the lowest after it within ``reach``.

    Beyond the ends the values go on as ``mode`` of scipy's filters says.
    """
    size = reach + 1
    past = ndimage.minimum_filter1d(values, size, axis=0, origin=(size - 1) // 2, mode=mode)
    ahead = ndimage.minimum_filter1d(values, size, axis=0, origin=-(size // 2), mode=mode)
    return values - np.maximum(past, ahead)


def _change(values: np.ndarray) -> np.ndarray:
    """Return the change over two samples, of the shape of ``values``: an edge may fall between two."""
    out = np.zeros_like(values)
    out[2:] = values[2:] - values[:-2]
    return out
