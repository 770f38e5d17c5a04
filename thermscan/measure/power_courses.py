"""The few courses in time that all places of a recording share: what many weak places say together."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from thermscan.measure.power_cells import CellSeries
from thermscan.model.settings import TimingSettings

SECOND_DIFFERENCE = 6.0**0.5  # standard deviation of a second difference of white noise over that of the noise
MAD_TO_SD = 1.482602218505602


@dataclass(frozen=True)
class Courses:
    """Places as a product of courses and maps.

    Attributes
    ----------
    times_s : ndarray of shape (samples,), s
    values : ndarray of shape (samples, courses)
        Each with white noise of about unit standard deviation.
    maps : ndarray of shape (courses, cells)
        Weight of each course at each cell, over the noise of the cell; rows of unit length.
    white, wander : ndarray of shape (courses,)
        Standard deviation of white noise and of the step of a random walk from one sample to the next.
    places : ndarray of int, shape (cells, 2)
        Row and column of each cell in the grid of cells.
    breaks_s : ndarray of shape (steps,), s
        Moments at which the camera stepped, which leave jumps that are no answer to power.
    """

    times_s: np.ndarray
    values: np.ndarray
    maps: np.ndarray
    white: np.ndarray
    wander: np.ndarray
    places: np.ndarray
    breaks_s: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def joined(self, times_s: np.ndarray, values: np.ndarray) -> np.ndarray:
        """Return values, ndarray (times, courses), with each jump of the camera taken for what lies beside it."""
        out = values.copy()
        for step in self.jumps(times_s).T:
            first = int(np.argmax(step))
            out[first:] -= values[first] - values[first - 1]
        return out

    def jumps(self, times_s: np.ndarray) -> np.ndarray:
        """Return a step at each camera step among some times, ndarray (times, steps)."""
        inside = self.breaks_s[(self.breaks_s > times_s[0]) & (self.breaks_s <= times_s[-1])]
        return (times_s[:, None] >= inside[None] - 1e-9).astype(float)

    @property
    def step_s(self) -> float:
        """Median time between samples, s."""
        return float(np.median(np.diff(self.times_s)))


def find_courses(cells: CellSeries, breaks_s: np.ndarray, *, settings: TimingSettings) -> Courses:
    """Return the courses that stand out of the noise, strongest first; none where nothing changes.

    Parameters
    ----------
    cells : CellSeries
    breaks_s : ndarray of shape (steps,), s
        Moments at which the camera stepped.
    settings : TimingSettings

    Notes
    -----
    Singular value decomposition of the places over their noise. White noise alone has singular values up to
    sqrt(samples) + sqrt(cells) (Marchenko and Pastur 1967); courses must exceed that by ``course_margin``.
    """
    scaled = (cells.values - np.median(cells.values, axis=0)) / cells.noise
    left, sizes, maps = np.linalg.svd(scaled, full_matrices=False)
    edge = (np.sqrt(scaled.shape[0]) + np.sqrt(scaled.shape[1])) * settings.course_margin
    count = int(min(settings.most_courses, (sizes > edge).sum()))
    values = left[:, :count] * sizes[:count]
    white = np.maximum(MAD_TO_SD * np.median(np.abs(np.diff(values, n=2, axis=0)), axis=0) / SECOND_DIFFERENCE, 0.7)
    return Courses(cells.times_s, values, maps[:count], white, np.zeros(count), cells.places, breaks_s)


def with_wander(courses: Courses, before_s: float, *, settings: TimingSettings) -> Courses:
    """Return the courses with their random walk measured before a moment, where nothing switches.

    Notes
    -----
    A second difference over a lag of m samples of white noise w plus a random walk of step q has the variance
    6 w^2 + 2 m q^2. With too few samples before the moment the quietest quarter of the recording stands in.
    """
    values, step = courses.joined(courses.times_s, courses.values), courses.step_s
    early = int((courses.times_s < before_s).sum())
    lags = sorted({max(2, round(seconds / step)) for seconds in settings.wander_lags_s})
    lags = [lag for lag in lags if len(values) >= 2 * lag + 4]
    known = [lag for lag in lags if early - 2 * lag >= 6]
    wander = np.zeros(values.shape[1])
    for lag in known or lags[:1]:
        second = np.abs(values[2 * lag :] - 2 * values[lag:-lag] + values[: -2 * lag])
        # the quartile of a folded normal lies at 0.3186, its median at 0.6745 standard deviations
        size = (
            np.median(second[: early - 2 * lag], axis=0) / 0.6745
            if known
            else np.quantile(second, 0.25, axis=0) / 0.3186
        )
        wander = np.maximum(wander, np.sqrt(np.maximum(size**2 - 6 * courses.white**2, 0.0) / (2 * lag)))
    return replace(courses, wander=wander)
