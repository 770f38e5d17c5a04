"""Reflections that change: somebody who leans in or goes shows in every bare metal at once, as no heat does."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from scipy.interpolate import BSpline

from thermscan.find.excess import bench_ring
from thermscan.model.film import Film
from thermscan.model.settings import ExcessSettings, ReflectionSettings

HEAT_TIMES_S = (0.3, 1.0)  # time constants of small parts beside the square root of a board's own warm-up
LATE_TIMES_S = (0.3, 0.5, 0.8, 1.2, 2.0)  # of what a load does that starts later than the rest
MISFIT = 2.0  # by how much what is left of a course, K, may shift a share, K; judgement
CLEAR_SIGMA = 4.0  # errors from zero at which a place is sure to mirror; judgement


@dataclass(frozen=True)
class Reflection:
    """What moved in the mirror, taken off a film.

    Attributes
    ----------
    course : ndarray of shape (cold stretches + bins,)
        How it changed, 0 before it began; the largest change is 1.
    share : ndarray of shape (rows, columns)
        What each place shows of it, K at ``course`` 1.
    error : ndarray of shape (bins, rows, columns)
        Standard error left in the rise over the cold frames, K.
    when_s : tuple of (float, float)
        From when to when each change went on, seconds since power-on.
    typical_k : float
        Median size of ``share`` over the places that mirror.
    """

    course: np.ndarray
    share: np.ndarray
    error: np.ndarray
    when_s: tuple[tuple[float, float], ...]
    typical_k: float


@dataclass(frozen=True)
class _Series:
    """The board's cells over all stretches and bins that have frames.

    ``values`` is ndarray (steps, cells), ``weight`` (steps,) the square root of the frames averaged, ``noise``
    (cells,) of one frame; ``at`` the number of each step among all cold stretches and bins. ``warm`` is what heat does
    at most places, ``heat`` all that it may do, each ndarray (steps, terms).
    """

    values: np.ndarray
    times_s: np.ndarray
    weight: np.ndarray
    noise: np.ndarray
    at: np.ndarray
    cells: np.ndarray
    warm: np.ndarray
    heat: np.ndarray


@dataclass(frozen=True)
class _Shares:
    """What each cell shows of a course, K, and its standard error, each ndarray (cells,).

    ``sign`` is 1 or -1, the way in which the shares stretch from their middle; ``level`` that middle with this sign.
    ``strong`` are the cells, bool, that show clearly more than the middle of the board does.
    """

    value: np.ndarray
    error: np.ndarray
    sign: float
    level: float
    strong: np.ndarray
    least_k: float

    @property
    def clear(self) -> np.ndarray:
        """Cells whose share is sure not to be zero, bool ndarray (cells,)."""
        return np.abs(self.value) > CLEAR_SIGMA * self.error


@dataclass(frozen=True)
class _Change:
    """A course that explains what cells have in common beside heat, and the steps over which it changes."""

    course: np.ndarray
    ramps: tuple[tuple[int, int], ...]
    explained: float


def without_reflection(
    film: Film, *, settings: ReflectionSettings, excess: ExcessSettings
) -> tuple[Film, tuple[Reflection, ...]]:
    """Take off a film what bare metal mirrors of somebody who comes or goes, and tell it.

    Parameters
    ----------
    film : Film
        On power-on's clock and in degrees Celsius; others are returned as they are.
    settings : ReflectionSettings
    excess : ExcessSettings
        What counts as bench.

    Returns
    -------
    (Film, tuple of Reflection)
        The film with ``mirror_error``, and each reflection found (those of several people follow one another).

    Notes
    -----
    A surface of emissivity e shows (1 - e) of what surrounds it: a change of the surroundings a(t) shows at each place
    as share(x) a(t), all over the board, within a second, and stays as it is until they change again. Heat follows
    power-on and power-off smoothly. Each place's course is freed of what a constant, a line and heat explain (least
    squares); what the places still have in common is their first principal component, each place counting alike. A
    course of a few ramps is fitted to it (matching pursuit). It is believed only where it explains the component far
    better than loads that start late would, where many places apart from each other take part, with one sign, far more
    than the middle of the board and by much of all that they do. The share of each place, and its error, follow by
    least squares beside the heat. A hand that covers the board is not told by this, nor a change that falls together
    with power-on.
    """
    found: list[Reflection] = []
    if film.clock != "power_on" or film.unit != "celsius":
        return film, ()
    for _ in range(settings.most_people):
        one = _reflection(film, settings, excess)
        if one is None:
            break
        film = _taken_off(film, one)
        found.append(one)
    return film, tuple(found)


def _taken_off(film: Film, one: Reflection) -> Film:
    """Subtract a reflection from the bins and from the cold frames."""
    cold = film.cold_series
    before = 0 if cold is None else len(cold.times_s)
    shown = (one.course[:, None, None] * one.share).astype(np.float32)
    error = one.error if film.mirror_error is None else np.hypot(film.mirror_error, one.error)
    film = replace(film, mean=film.mean - shown[before:], mirror_error=error.astype(np.float32))
    if cold is None:
        return film
    cold = replace(cold, mean=cold.mean - shown[:before])
    return replace(film, cold_series=cold, cold=cold.mean_over(slice(None)), before=cold.trend())


def _reflection(film: Film, settings: ReflectionSettings, excess: ExcessSettings) -> Reflection | None:
    """Return the reflection that changes most, None where nothing says that there is one."""
    series = _series(film, settings, excess)
    if series is None:
        return None
    free = _free_of(series.heat * series.weight[:, None])
    own = free @ (series.values * series.weight[:, None])
    component = _in_common(own / series.noise, settings)
    change = _ramps(series, free, component, settings)
    if change is None:
        return None
    if 1.0 - change.explained > settings.late_left * (1.0 - _late_start(series, free, component)):
        return None
    shares = _shares(series, change.course, settings)
    return _whole(film, series, change, shares) if _is_mirrored(film, series, shares, settings) else None


def _series(film: Film, settings: ReflectionSettings, excess: ExcessSettings) -> _Series | None:
    """Return the cells that are seen nearly all the time, None where there are too few steps or cells."""
    cold = film.cold_series
    mean = film.mean if cold is None else np.concatenate([cold.mean, film.mean])
    frames = film.frames if cold is None else np.concatenate([cold.frames, film.frames])
    times = film.centres_s if cold is None else np.concatenate([cold.times_s, film.centres_s])
    at = np.flatnonzero(frames > 0)
    warm = _warm_up(times[at], film.on_for_s)
    heat = np.concatenate([_smooth(times[at], settings), warm], axis=1)
    if len(at) < heat.shape[1] + settings.least_steps:
        return None
    seen = np.isfinite(mean[at]).mean(axis=0)
    cells = film.inside & film.readable & (seen >= settings.least_seen) & (film.noise > 0)
    if cells.sum() < settings.least_cells:
        return None
    values = _filled(mean[at][:, cells].astype(float)) - _bench_course(film, mean[at], excess)[:, None]
    usual = np.median(frames[at])
    weight = np.sqrt(np.minimum(frames[at], usual))
    return _Series(values, times[at], weight, film.noise[cells].astype(float), at, cells, warm, heat)


def _bench_course(film: Film, mean: np.ndarray, settings: ExcessSettings) -> np.ndarray:
    """Return the bench's course, ndarray (steps,): what camera and room do; zeros where too little of it is in view.

    It mirrors as well: shares are those beyond the bench's, whose course is taken off the rise in any case.
    """
    ring = bench_ring(film, settings=settings)
    ring &= np.isfinite(mean).all(axis=0)
    if ring.sum() < settings.fewest_ring_cells:
        return np.zeros(len(mean))
    return np.median((mean - mean.mean(axis=0))[:, ring], axis=1)


def _filled(values: np.ndarray) -> np.ndarray:
    """Fill the gaps of each column linearly, ndarray (steps, cells)."""
    steps = np.arange(len(values))
    for cell in np.flatnonzero(~np.isfinite(values).all(axis=0)):
        known = np.isfinite(values[:, cell])
        values[:, cell] = np.interp(steps, steps[known], values[known, cell])
    return values


def _warm_up(times_s: np.ndarray, on_for_s: float | None) -> np.ndarray:
    """Return what heat does at most places, ndarray (steps, terms): a line, and warm-ups from power-on and its end."""
    terms = [np.ones_like(times_s), times_s - times_s.mean()]
    for start in (0.0,) if on_for_s is None else (0.0, on_for_s):
        since = np.maximum(times_s - start, 0.0)
        if (since > 0).sum() >= 3:
            terms += [np.sqrt(since), *(1 - np.exp(-since / tau) for tau in HEAT_TIMES_S)]
    return np.stack(terms, axis=1)


def _smooth(times_s: np.ndarray, settings: ReflectionSettings) -> np.ndarray:
    """Return cubic B-splines, ndarray (steps, terms): what heat may do that starts late or changes."""
    spacing = max(settings.smooth_s, settings.smooth_steps * float(np.median(np.diff(times_s))))
    pieces = max(1, round((times_s[-1] - times_s[0]) / spacing))
    knots = np.linspace(times_s[0], times_s[-1], pieces + 1)
    knots = np.concatenate([[knots[0]] * 3, knots, [knots[-1]] * 3])
    smooth = BSpline.design_matrix(times_s, knots, 3).toarray()
    return smooth[:, np.linalg.norm(smooth, axis=0) > 1e-3]


def _free_of(terms: np.ndarray) -> np.ndarray:
    """Return the projection that takes terms off, ndarray (steps, steps)."""
    basis, sizes, _ = np.linalg.svd(terms, full_matrices=False)
    basis = basis[:, sizes > 1e-6 * sizes[0]]
    return np.eye(len(terms)) - basis @ basis.T


def _in_common(own: np.ndarray, settings: ReflectionSettings) -> np.ndarray:
    """Return the first principal component over time, ndarray (steps,), of length 1.

    No place counts more than ``most_length`` noises: what one hot part does is not what all have in common.
    """
    length = np.linalg.norm(own, axis=0)
    limit = settings.most_length * np.sqrt(len(own))
    held = own * np.minimum(1.0, limit / np.maximum(length, 1e-12))
    return np.linalg.eigh(held @ held.T)[1][:, -1]


def _ramps(series: _Series, free: np.ndarray, component: np.ndarray, settings: ReflectionSettings) -> _Change | None:
    """Fit a course of a few ramps to what cells have in common, by orthogonal matching pursuit.

    Those that begin with power-on are left out. Once it is known when it changes, each step within those
    times, and one before and after, is free.
    """
    choices, names = _choices(series.times_s, settings.longest_s)
    seen = free @ (choices * series.weight[:, None])
    length = np.linalg.norm(seen, axis=0)
    whole = np.linalg.norm((choices - choices.mean(axis=0)) * series.weight[:, None], axis=0)
    starts = series.times_s[[i for i, _ in names]]
    # heat explains the others all the same
    told = (length > settings.least_free * whole) & (abs(starts) > settings.switched_s)
    match = np.where(told, 1.0 / np.maximum(length, 1e-12), 0.0)
    chosen: list[int] = []
    left, explained = component, 0.0
    for _ in range(settings.most_ramps):
        best = int(np.argmax(np.abs(seen.T @ left) * match))
        left = _left_by(seen[:, [*chosen, best]], component)
        gained = 1.0 - float(left @ left) - explained
        if best in chosen or match[best] == 0 or gained < settings.least_gain:
            break
        chosen.append(best)
        explained += gained
    if not chosen:
        return None
    inside = {step for c in chosen for step in range(names[c][0] - 1, names[c][1] + 1)}
    steps = [k for k, (i, j) in enumerate(names) if j == i + 1 and i in inside]
    sizes = np.linalg.lstsq(seen[:, steps], component, rcond=1e-3)[0]
    course = choices[:, steps] @ sizes
    course = course / course[np.argmax(np.abs(course))]
    explained = 1.0 - float(np.sum((component - seen[:, steps] @ sizes) ** 2))
    return _Change(course, tuple(names[c] for c in chosen), explained)


def _left_by(terms: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return what terms do not explain by least squares."""
    return values - terms @ np.linalg.lstsq(terms, values, rcond=1e-6)[0]


def _choices(times_s: np.ndarray, longest_s: float) -> tuple[np.ndarray, list[tuple[int, int]]]:
    """Return every ramp between two steps not too far apart, ndarray (steps, ramps), and those two steps."""
    names = [
        (i, j)
        for i in range(len(times_s) - 1)
        for j in range(i + 1, len(times_s))
        if j == i + 1 or times_s[j] - times_s[i] <= longest_s
    ]
    starts, ends = times_s[[i for i, _ in names]], times_s[[j for _, j in names]]
    return np.clip((times_s[:, None] - starts) / (ends - starts), 0.0, 1.0), names


def _late_start(series: _Series, free: np.ndarray, component: np.ndarray) -> float:
    """Return how much of the component loads explain that start together, later than power-on, 0 to 1."""
    on = series.times_s[series.times_s > 0][:-2]
    starts = np.concatenate([on, (on[1:] + on[:-1]) / 2])
    since = np.maximum(series.times_s[:, None] - starts, 0.0)
    terms = [np.sqrt(since), *(1 - np.exp(-since / tau) for tau in LATE_TIMES_S)]
    seen = free @ (np.concatenate(terms, axis=1) * series.weight[:, None])
    lengths = np.linalg.norm(seen, axis=0)
    return float(np.max((component @ seen / np.maximum(lengths, 1e-9)) ** 2, initial=0.0))


def _shares(series: _Series, course: np.ndarray, settings: ReflectionSettings) -> _Shares:
    """Return each cell's share of the course.

    Once beside a plain warm-up, which tells it best where no more happens, and once beside all that heat may do, which
    tells it by the quick changes alone; the two are weighed by their errors, in which what each leaves unexplained
    counts as a shift of the share by as much.
    """
    total, weight = np.zeros((2, series.values.shape[1]))
    weighted = series.values * series.weight[:, None]
    for terms in (series.warm, series.heat):
        free = _free_of(terms * series.weight[:, None])
        own, seen = free @ weighted, free @ (course * series.weight)
        size = float(seen @ seen)
        share = seen @ own / size
        left = (own - np.outer(seen, share)) / series.weight[:, None]
        misfit = _beyond_noise(left, series)
        variance = series.noise**2 / size + (MISFIT * misfit) ** 2
        total += share / variance
        weight += 1.0 / variance
    value, error = total / weight, 1.0 / np.sqrt(weight)
    low, level, high = np.quantile(value, [0.02, 0.5, 0.98])
    sign = 1.0 if high - level > level - low else -1.0
    least_k = max((settings.contrast - 1.0) * abs(float(level)), settings.least_k)
    strong = (np.abs(value) > CLEAR_SIGMA * error) & (sign * (value - level) > least_k)
    return _Shares(value, error, sign, float(sign * level), strong, least_k)


def _beyond_noise(left: np.ndarray, series: _Series) -> np.ndarray:
    """Return the root mean square of what is left of each cell's course beyond its noise, K, ndarray (cells,)."""
    return np.sqrt(np.maximum(np.mean(left**2, axis=0) - series.noise**2 * np.mean(series.weight**-2.0), 0.0))


def _is_mirrored(film: Film, series: _Series, shares: _Shares, settings: ReflectionSettings) -> bool:
    """Tell whether many places apart from each other take part, with one sign, and by much of all that they do."""
    strong = shares.strong
    warmth = np.ptp(series.values, axis=0)  # what a place does at all, heat and mirror
    if not strong.any() or np.median((np.abs(shares.value) / warmth)[strong]) < settings.least_of_warmth:
        return False
    where, against = np.zeros((2, *film.inside.shape), bool)
    where[series.cells] = strong
    against[series.cells] = shares.clear & (shares.sign * shares.value - shares.level < -shares.least_k)
    pixel = max(1, round(film.pixel_mm / film.grid.step_mm))
    where = ndimage.binary_closing(where, np.ones((pixel + 1, pixel + 1), bool))  # noise tears one place into many
    least = settings.least_place_px * (film.pixel_mm / film.grid.step_mm) ** 2
    sizes = _sizes(where, least)
    return bool(
        len(sizes) >= settings.least_places
        and sizes.sum() >= settings.least_in_places * strong.sum()
        and sizes.max() <= settings.most_in_one * sizes.sum()
        and _sizes(against, least).sum() <= settings.most_against * sizes.sum()
    )


def _sizes(where: np.ndarray, least: float) -> np.ndarray:
    """Return the sizes, ndarray (places,), cells, of the places of at least so many cells."""
    labels, _ = ndimage.label(where, np.ones((3, 3), bool))
    sizes = np.bincount(labels.ravel())[1:]
    return sizes[sizes >= least]


def _whole(film: Film, series: _Series, change: _Change, shares: _Shares) -> Reflection:
    """Return the reflection on the film's own steps and grid, with what is uncertain of it."""
    cold = film.cold_series
    before = 0 if cold is None else len(cold.times_s)
    course = np.interp(np.arange(before + len(film.mean)), series.at, change.course)
    rest = 0.0 if cold is None else float(np.average(course[:before], weights=cold.frames))
    value, sign, faint = shares.value, shares.sign, ~shares.clear
    mirrored = sign * value[shares.strong]
    kept = np.where(faint, _drawn_in(value, shares.error, faint), value)
    # what goes the other way by more than board beside bench is no mirror
    kept = sign * np.clip(sign * kept, min(2 * shares.level, 0.0), np.quantile(mirrored, 0.99))
    on_grid, doubt = np.zeros(film.inside.shape, np.float32), np.zeros(film.inside.shape, np.float32)
    on_grid[film.inside], doubt[film.inside] = np.median(value[faint]) if faint.any() else 0.0, np.std(value)
    on_grid[series.cells], doubt[series.cells] = kept, shares.error
    change_k = np.abs(course[before:] - rest)[:, None, None]
    when = tuple((float(series.times_s[i]), float(series.times_s[j])) for i, j in _joined(change.ramps))
    return Reflection(course, on_grid, change_k * doubt, when, float(np.median(mirrored)))


def _joined(ramps: tuple[tuple[int, int], ...]) -> list[tuple[int, int]]:
    """Return the ramps in order, those that overlap or touch as one."""
    out: list[tuple[int, int]] = []
    for start, end in sorted(ramps):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return out


def _drawn_in(share: np.ndarray, error: np.ndarray, faint: np.ndarray) -> np.ndarray:
    """Draw the shares of faint places in towards their mean by what their errors say, ndarray like ``share``.

    Posterior mean of normal values with normal errors, the spread of the values from their variance beyond the errors.
    """
    if not faint.any():
        return share
    centre = float(np.median(share[faint]))
    spread = max(float(np.var(share[faint]) - np.mean(error[faint] ** 2)), 0.0)
    return centre + (share - centre) * spread / (spread + error**2 + 1e-12)
