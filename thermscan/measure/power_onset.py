"""The first beginning of a warming that was placed too late: what warms had begun before the moment found."""

from __future__ import annotations

import numpy as np
from scipy.stats import f as fisher

from thermscan.measure.power_courses import Courses
from thermscan.measure.power_moment import SlopeMaps
from thermscan.model.settings import TimingSettings


def earlier_onset(
    courses: Courses, found_s: float, after_s: float, maps: SlopeMaps, *, settings: TimingSettings
) -> float | None:
    """Return when what warms at a moment had begun to warm before it, s; None where it had not.

    Parameters
    ----------
    courses : Courses
    found_s : float, s
        Earliest time of the moment found.
    after_s : float, s
        The moment before it, or the start of the recording: nothing earlier is looked at.
    maps : SlopeMaps
        What warms at the moment found.
    settings : TimingSettings

    Notes
    -----
    Over the seconds before the moment alone, every course is a parabola, as drift and cooling are, and a second one
    that begins at the onset: the start of any answer of bodies in a row. The moment found explains the whole answer
    best, of which a small quick part may begin it and large slow ones follow; where a hand shakes the picture, what is
    left over hides that. The onset must explain more than chance (F test over all courses, whose errors the fit itself
    shows) and more than a share of what is left over, and it must warm the places that go on to warm.
    """
    inside = (courses.times_s > after_s) & (courses.times_s <= found_s)
    times = courses.times_s[inside]
    if len(times) < settings.onset_samples or courses.values.shape[1] == 0:
        return None
    values = courses.values[inside] / courses.white
    since = times - times[0]
    drift = np.hstack([np.stack([np.ones_like(since), since, since**2], axis=1), courses.jumps(times)])
    plain = _left(drift, values)
    tried = times[settings.onset_samples // 2 : -settings.onset_samples // 4]
    left = [_left(np.hstack([drift, _begun(times, t)]), values) for t in tried]
    best = int(np.argmin(left))
    columns, count = drift.shape[1] + 2, values.shape[1]
    freedom = (len(times) - columns) * count
    if freedom <= 0 or left[best] <= 0:
        return None
    ratio = (plain - left[best]) / (2 * count) / (left[best] / freedom)
    chance = float(fisher.sf(ratio, 2 * count, freedom)) * len(tried)
    if chance > settings.onset_chance or plain - left[best] < settings.onset_share * plain:
        return None
    return (
        float(tried[best]) if _alike(courses, inside, drift, float(tried[best]), maps) > settings.onset_alike else None
    )


def _begun(times_s: np.ndarray, onset_s: float) -> np.ndarray:
    """Return the columns of what begins at an onset, ndarray (times, 2)."""
    since = np.clip(times_s - onset_s, 0.0, None)
    return np.stack([since, since**2], axis=1)


def _left(columns: np.ndarray, values: np.ndarray) -> float:
    """Return the sum of squares that columns, ndarray (times, n), leave of values, ndarray (times, courses)."""
    fitted = np.linalg.lstsq(columns, values, rcond=None)[0]
    return float(((values - columns @ fitted) ** 2).sum())


def _alike(courses: Courses, inside: np.ndarray, drift: np.ndarray, onset_s: float, maps: SlopeMaps) -> float:
    """Return how alike what had warmed until the moment found is to what warms at it: the cosine of the two maps."""
    begun = _begun(courses.times_s[inside], onset_s)
    fitted = np.linalg.lstsq(np.hstack([drift, begun]), courses.values[inside], rcond=None)[0][-2:]
    half = begun[(int(np.argmax(begun[:, 0] > 0)) + len(begun)) // 2]  # at the end drift and answer tell least apart
    grown = (half @ fitted) @ courses.maps
    size = float(np.linalg.norm(grown) * np.linalg.norm(maps.change))
    return float(grown @ maps.change / size) if size > 0 else 0.0
