"""Which places warm with the power: they lie on the board, whatever else of the picture is warm."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from thermscan.measure.power_cells import MAD_TO_SD, SECOND_DIFFERENCE, CellSeries
from thermscan.model.quantity import Measured
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import Timing

_WARMEST = 0.95  # quantile of a course that stands for its largest value, noise left aside


def warming_places(cells: CellSeries | None, timing: Timing, *, settings: TimingSettings) -> np.ndarray:
    """Return the places that are calm until power-on and warm from then on.

    Parameters
    ----------
    cells : CellSeries or None
        Of the whole picture.
    timing : Timing
        Its first power-up is looked at.
    settings : TimingSettings

    Returns
    -------
    ndarray of shape (places, 2), px of the reference picture
        Middles of cells, x and y; none where nothing warms for sure.

    Notes
    -----
    The course of each cell is fitted by a constant and a rise from power-on on (from the first frame on where that is
    not known) that levels off within one of the times ``warm_courses_s``. A cell counts where that is most of its
    variance (what sways with the camera has as much before power-on) and where it stands out of the cells that nothing
    heats, which most are.
    """
    none = np.zeros((0, 2))
    if cells is None:
        return none
    on = cells.times_s[0] if timing.on_s is None else timing.on_s.value
    off = timing.power_ups[0].off_s if timing.power_ups else timing.off_s
    shown = cells.times_s <= (np.inf if off is None else off.value)
    times, values = cells.times_s[shown], cells.values[shown]
    if (times > on).sum() < settings.warm_samples:
        return none
    warms, _ = _warming(times, values, on, settings.warm_share, settings)
    if warms.sum() < settings.warm_cells_min:
        return none
    return (cells.places[warms][:, ::-1] + 0.5) * cells.cell_px - 0.5


def has_warmed(cells: CellSeries, on_s: Measured, off_s: Measured | None, *, settings: TimingSettings) -> bool:
    """Tell whether places warm steadily from the first frame on, by much, before a power-on that was found.

    Then the board was on before, and what was found is a load that starts, a visitor, or a step of the camera. Where
    other places lose as much meanwhile it is what an earlier run has left that spreads.

    Parameters
    ----------
    cells : CellSeries
        Of the whole picture, most of which nothing heats.
    on_s, off_s : Measured, s
        The power-on that was found, and the power-off after it, None where it stays on.
    settings : TimingSettings
    """
    early = cells.times_s < on_s.value
    if early.sum() < settings.warm_samples or _spreads(cells.values[early], settings):
        return False
    return _by_much(cells, early, settings) or _as_after(cells, early, off_s, settings)


def _spreads(values: np.ndarray, settings: TimingSettings) -> bool:
    """Tell whether some cells lose heat over a time, values ndarray (samples, cells), that may be what others gain.

    On a board that runs nothing loses much; ``spread_share`` of the gains allows for bodies that hold more heat than
    the board that they warm.
    """
    few = max(settings.warm_samples // 2, 1)
    change = values[-few:].mean(axis=0) - values[:few].mean(axis=0)
    change -= np.median(change)
    change = change[np.abs(change) > settings.warm_sigmas * MAD_TO_SD * float(np.median(np.abs(change)))]
    gained, lost = float(np.maximum(change, 0.0).sum()), float(np.maximum(-change, 0.0).sum())
    return lost > settings.spread_share * gained


def _by_much(cells: CellSeries, early: np.ndarray, settings: TimingSettings) -> bool:
    """Tell whether places warm by much in a long enough time before, in the shape of heat and not of a drift."""
    times, values = cells.times_s[early], cells.values[early]
    if len(times) < 3 * settings.warm_samples or times[-1] - times[0] < settings.warm_before_s:
        return False
    warms, rise = _warming(times, values, times[0], settings.warm_steady, settings)
    if warms.sum() < settings.warm_cells_min:
        return False
    few = settings.warm_samples
    # a board that is off again by the end has cooled by then
    gains = np.quantile(cells.values[~early], _WARMEST, axis=0) - values[-few:].mean(axis=0)
    later = np.sort(gains)[-int(warms.sum()) :]
    return bool(np.median(rise[warms]) > settings.warm_before * np.median(later))


def _as_after(cells: CellSeries, early: np.ndarray, off_s: Measured | None, settings: TimingSettings) -> bool:
    """Tell whether what warms from the first frame on does so before the power-on as it does after it."""
    run = cells.times_s <= (np.inf if off_s is None else off_s.value)
    times, values = cells.times_s[run], cells.values[run]
    warms, _ = _warming(times, values, times[0], settings.warm_steady, settings)
    before = np.flatnonzero(early)
    until = int(np.searchsorted(times, 2 * times[before[-1]] - times[0]))
    if warms.sum() < settings.warm_cells_min or until >= len(times) - 1 or until <= before[-1] + 1:
        return False
    level = values[:, warms].mean(axis=1)
    noise = MAD_TO_SD * float(np.median(np.abs(np.diff(level, n=2)))) / SECOND_DIFFERENCE
    start, half, on, after = level[0], level[before[-1] // 2], level[before[-1]], level[until]
    rose = on - start > max(settings.warm_before * (after - on), settings.warm_sigmas * noise)
    return bool(rose and half - start > settings.warm_half * (on - start))


def _warming(
    times: np.ndarray, values: np.ndarray, on_s: float, least_share: float, settings: TimingSettings
) -> tuple[np.ndarray, np.ndarray]:
    """Return which cells warm from a moment on, ndarray (cells,) of bool, and by how much more than most, which do not.

    The warming levels off within the one of ``warm_courses_s`` that fits the cell best, and is at least that share of
    its variance.
    """
    left = values - values.mean(axis=0)
    total = (left**2).sum(axis=0)
    share, rise = np.zeros(len(total)), np.zeros(len(total))
    for course_s in settings.warm_courses_s:
        course = -np.expm1(-np.maximum(times - on_s, 0.0) / course_s)
        end, course = float(course[-1]), course - course.mean()
        size = course @ left / (course @ course)
        told = size**2 * (course @ course) / np.maximum(total, 1e-12)
        better = told > share
        share, rise = np.where(better, told, share), np.where(better, end * size, rise)
    rise = rise - float(np.median(rise))
    usual = MAD_TO_SD * float(np.median(np.abs(rise)))
    return (share > least_share) & (rise > settings.warm_sigmas * usual), rise


def is_joined(gain: np.ndarray, places: np.ndarray, settings: TimingSettings) -> bool:
    """Tell whether warm cells, ndarray (cells,), have warm neighbours: heat spreads, noise of single cells does not."""
    rows, columns = places.max(axis=0) + 1
    picture = np.zeros((rows, columns))
    at = places[:, 0], places[:, 1]
    picture[at] = gain
    beside = ndimage.convolve(picture, np.array([[1, 1, 1], [1, 0, 1], [1, 1, 1]]) / 8.0, mode="nearest")[at]
    warm = gain > settings.source_share * float(gain.max(initial=0.0))
    return bool((beside[warm] * gain[warm]).sum() > settings.joined_share * (gain[warm] ** 2).sum())
