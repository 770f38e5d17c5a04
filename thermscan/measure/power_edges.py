"""The moments at which the heat made on a board changes, found on all courses at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from thermscan.measure.power_courses import Courses
from thermscan.model.settings import TimingSettings

TIME_CONSTANTS_S = np.array([0.1, 0.3, 1.0, 3.0, 10.0, 30.0])
DECAYS_S = (2.0, 10.0)  # cooling from an earlier run, beside a straight drift


@dataclass(frozen=True)
class Frame:
    """Courses over their expected errors, with the jumps that camera steps may leave in them.

    ``smooth`` holds further columns of what may change without any switching, ndarray (samples, columns).
    """

    times_s: np.ndarray
    values: np.ndarray
    jumps: np.ndarray
    smooth: np.ndarray


def responses(times_s: np.ndarray, moment_s: float, constants_s: np.ndarray = TIME_CONSTANTS_S) -> np.ndarray:
    """Return 1 - exp(-(t - moment) / tau) after the moment and 0 before it, ndarray (times, constants).

    Any heated body of a passive network answers a step of power by a sum of such terms.
    """
    since = np.clip(times_s[:, None] - moment_s, 0.0, None)
    return -np.expm1(-since / constants_s)


def background(times_s: np.ndarray) -> np.ndarray:
    """Return what changes without any switching: level, drift and cooling."""
    since = times_s - times_s[0]
    columns = [np.ones_like(since), since / max(float(since[-1]), 1e-9), *(np.exp(-since / tau) for tau in DECAYS_S)]
    return np.stack(columns, axis=1)


def span(columns: np.ndarray) -> np.ndarray:
    """Return orthonormal columns that span the given ones, nearly dependent ones left out."""
    size = np.linalg.norm(columns, axis=0)
    left, sizes, _ = np.linalg.svd(columns[:, size > 0] / size[size > 0], full_matrices=False)
    return left[:, sizes > 1e-8 * sizes[0]]


def _model(frame: Frame, moments: Sequence[float]) -> np.ndarray:
    parts = [background(frame.times_s), frame.jumps, frame.smooth, *(responses(frame.times_s, m) for m in moments)]
    return span(np.hstack(parts))


def left_over(frame: Frame, basis: np.ndarray) -> np.ndarray:
    """Return what a basis, orthonormal columns, does not explain of the courses, ndarray (samples, courses)."""
    return frame.values - basis @ (basis.T @ frame.values)


def _misfit(frame: Frame, moments: Sequence[float]) -> float:
    return float((left_over(frame, _model(frame, moments)) ** 2).sum())


def _gain(frame: Frame, basis: np.ndarray, rest: np.ndarray, moment: float) -> float:
    """Return how much of the rest a switching at a moment explains."""
    columns = responses(frame.times_s, moment)
    columns = columns - basis @ (basis.T @ columns)
    left, sizes, _ = np.linalg.svd(columns, full_matrices=False)
    keep = sizes > max(1e-3, 1e-5 * float(sizes[0]))
    return float(((left[:, keep].T @ rest) ** 2).sum())


def _polish(frame: Frame, moments: Sequence[float], step_s: float, *, reach: int) -> list[float]:
    """Move each moment to where it explains most, the others held, twice."""
    moved = list(moments)
    for _ in range(2):
        for i in range(len(moved)):
            others = moved[:i] + moved[i + 1 :]
            basis = _model(frame, others)
            rest = left_over(frame, basis)
            trials = moved[i] + step_s * np.arange(-reach, reach + 1)
            inside = (trials > frame.times_s[1]) & (trials < frame.times_s[-3])
            free = [t for t in trials[inside] if all(abs(t - o) > 2 * step_s for o in others)]
            if free:
                moved[i] = max(free, key=lambda t: _gain(frame, basis, rest, t))
    return moved


def _price(frame: Frame, misfit: float, settings: TimingSettings) -> float:
    """Return what a further moment must explain: the Bayesian information criterion at the misfit reached."""
    samples, courses = frame.values.shape
    scale = max(1.0, misfit / (samples * courses))
    return settings.edge_price * len(TIME_CONSTANTS_S) * courses * float(np.log(samples)) * scale


def _one_more(frame: Frame, moments: list[float], step_s: float, settings: TimingSettings) -> list[float]:
    """Return the moments with the best further one, all polished."""
    middle = (frame.times_s[1:-3] + frame.times_s[2:-2]) / 2
    stride = max(1, len(middle) // settings.coarse_moments)
    basis = _model(frame, moments)
    rest = left_over(frame, basis)
    best = max(middle[::stride], key=lambda t: _gain(frame, basis, rest, t))
    return _polish(frame, [*moments, float(best)], step_s, reach=max(6, stride))


def _add_edges(frame: Frame, step_s: float, settings: TimingSettings) -> list[float]:
    """Add moments, best first, while they pay for themselves, alone or the next few together.

    A supply that tries again and again makes many moments at once, each of which explains little without the others.
    """
    moments: list[float] = []
    before = _misfit(frame, moments)
    while len(moments) < settings.most_edges:
        trial, taken = moments, False
        for ahead in range(1, settings.look_ahead + 1):
            trial = _one_more(frame, trial, step_s, settings)
            after = _misfit(frame, trial)
            pays = before - after >= ahead * _price(frame, after, settings)
            if pays and after <= before * (1 - settings.least_share) ** ahead:
                moments, before, taken = trial, after, True
                break
        if not taken:
            break
    return moments


def _drop_smooth(frame: Frame, moments: list[float], settings: TimingSettings) -> list[float]:
    """Drop moments in whose place a smooth course does about as well: drift, not a switching.

    Beside level, slope and cooling, which all courses have, the smooth course is a polynomial of ``smooth_degree``: a
    room, a lens or a camera that settles needs no more over one recording, and one of as many terms as the answers
    follows a real start as well wherever that is faint or slow. With few samples it has as many terms all the same:
    there the answers follow anything.

    All are judged beside all others, once, and the others stay where they are: a moment that only mends the model's
    shape must not take real ones along.
    """
    degree = settings.smooth_degree if len(frame.times_s) >= settings.smooth_samples else len(TIME_CONSTANTS_S) + 1
    u = 2 * (frame.times_s - frame.times_s[0]) / (frame.times_s[-1] - frame.times_s[0]) - 1
    smooth = replace(frame, smooth=np.polynomial.legendre.legvander(u, degree)[:, 1:])
    full = _misfit(frame, moments)
    worth = [_misfit(smooth, moments[:i] + moments[i + 1 :]) - full for i in range(len(moments))]
    price = _price(frame, full, settings)
    return [m for m, w in zip(moments, worth, strict=True) if _is_sharp(w, w / (full + w), price, settings)]


def _is_sharp(worth: float, share: float, price: float, settings: TimingSettings) -> bool:
    """Tell whether a moment does enough better than a smooth course: by its price, or by half and a clear share.

    The price is a margin against drift, more than what the few columns less would cost.
    """
    if worth >= price and share >= settings.smooth_share:
        return True
    return worth >= settings.sharp_price * price and share >= settings.sharp_share


def find_edges(courses: Courses, *, settings: TimingSettings) -> tuple[float, ...]:
    """Return the moments, s, at which the courses begin to answer a changed power, in order.

    Parameters
    ----------
    courses : Courses
    settings : TimingSettings

    Notes
    -----
    All courses share the moments; each has its own drift, cooling and answers (sums of exponentials). Moments are
    added best first while the Bayesian information criterion pays for them and they take ``least_share`` off what is
    unexplained, then dropped where a smooth polynomial does as well. ``model_error`` of a course's range
    stands in for what the sums of exponentials cannot follow. Not valid for power that changes gradually.
    """
    frame = frame_of(courses, settings)
    if frame is None:
        return ()
    moments = _add_edges(frame, courses.step_s, settings)
    return tuple(sorted(_drop_smooth(frame, moments, settings)))


def unproven_edges(courses: Courses, *, settings: TimingSettings) -> tuple[float, ...]:
    """Return the moments, s, that pay for themselves, those included in whose place a smooth course does as well."""
    frame = frame_of(courses, settings)
    return () if frame is None else tuple(sorted(_add_edges(frame, courses.step_s, settings)))


def explains_as_well(
    courses: Courses, moments: Sequence[float], seen_s: float, other_s: float, *, settings: TimingSettings
) -> bool:
    """Tell whether another moment in place of a seen one explains the courses about as well as that does.

    Parameters
    ----------
    courses : Courses
    moments : sequence of float, s
        All that were found; the one nearest to ``seen_s`` is exchanged for ``other_s``, the others stay.
    seen_s, other_s : float, s
    settings : TimingSettings

    Notes
    -----
    The bar is what a further moment would have to explain: small where noise alone is left over, large where the
    picture moved and much else is left over too.
    """
    frame = frame_of(courses, settings)
    if frame is None or not moments:
        return False
    kept = sorted(moments, key=lambda m: abs(m - seen_s))[1:]
    now = _misfit(frame, moments)
    return _misfit(frame, [*kept, other_s]) - now < _price(frame, now, settings)


def frame_of(courses: Courses, settings: TimingSettings) -> Frame | None:
    """Return the courses over their errors; None where there is nothing to look at."""
    if courses.values.shape[1] == 0 or len(courses.times_s) < 8:
        return None
    error = np.hypot(courses.white, settings.model_error * np.ptp(courses.values, axis=0))
    return Frame(
        courses.times_s, courses.values / error, courses.jumps(courses.times_s), np.zeros((len(courses.times_s), 0))
    )
