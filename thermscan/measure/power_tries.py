"""A supply that tries again and again: runs of one length with one period, found as a whole."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize

from thermscan.measure.power_courses import Courses
from thermscan.measure.power_edges import TIME_CONSTANTS_S, Frame, background, frame_of, left_over, span
from thermscan.measure.power_moment import balance
from thermscan.measure.power_train import Train, run_responses
from thermscan.model.quantity import Measured
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import PowerUp, Timing

LEAST_TRIES = 3  # two runs have no common period: any two moments are one period apart
LONGEST_TRY_S = 3.0  # longer runs are called switching, not tries of a supply; common practice, no source
DUTIES = (0.15, 0.3, 0.45, 0.6, 0.75)
SAW = 2  # of the time constants, the one whose answer is tried alone: a part on its board, 1 s


@dataclass(frozen=True)
class Ground:
    """A frame with what changes without any switching: its basis, and what that leaves."""

    frame: Frame
    basis: np.ndarray
    rest: np.ndarray

    def misfit(self, runs_s: np.ndarray) -> float:
        """Return what is left where all runs share one answer a course."""
        columns = run_responses(self.frame.times_s, runs_s)
        columns = columns - self.basis @ (self.basis.T @ columns)
        left, sizes, _ = np.linalg.svd(columns, full_matrices=False)
        keep = sizes > max(1e-3, 1e-5 * float(sizes[0]))
        return float((self.rest**2).sum() - ((left[:, keep].T @ self.rest) ** 2).sum())


def _ground(frame: Frame, smooth: int = 0) -> Ground:
    """Return the ground of a frame, with polynomials up to a degree beside drift and cooling."""
    u = 2 * (frame.times_s - frame.times_s[0]) / (frame.times_s[-1] - frame.times_s[0]) - 1
    curves = np.polynomial.legendre.legvander(u, smooth)[:, 1:] if smooth else np.zeros((len(u), 0))
    basis = span(np.hstack([background(frame.times_s), frame.jumps, curves]))
    return Ground(frame, basis, left_over(frame, basis))


def likely_periods(frame: Frame, *, settings: TimingSettings) -> tuple[float, ...]:
    """Return the periods, s, whose first two harmonics explain most beside a smooth course, best first.

    Least-squares periodogram (Lomb 1976) of all courses together, from four samples to a third of the recording.
    """
    ground = _ground(frame, settings.tries_smooth)
    times = frame.times_s
    length, step = float(times[-1] - times[0]), float(np.median(np.diff(times)))
    rates = np.arange(LEAST_TRIES / length, 0.25 / step, 0.25 / length)
    power = np.zeros(len(rates))
    for i, rate in enumerate(rates):
        angle = 2 * np.pi * rate * (times - times[0])[:, None] * np.array([1.0, 2.0])
        columns = np.hstack([np.cos(angle), np.sin(angle)])
        columns = columns - ground.basis @ (ground.basis.T @ columns)
        power[i] = ((span(columns).T @ ground.rest) ** 2).sum() if np.abs(columns).max() > 1e-6 else 0.0
    inner = np.r_[-np.inf, power, -np.inf]
    peaks = np.flatnonzero((inner[1:-1] >= inner[:-2]) & (inner[1:-1] > inner[2:]))
    best = peaks[np.argsort(-power[peaks])][: settings.tries_periods]
    return tuple(float(1 / rates[i]) for i in best)


def _most(first: float, period: float, run: float, last_s: float) -> int:
    """Return how many tries begin in view, the last with a quarter of its run."""
    return max(0, int(np.floor((last_s - first - 0.25 * run) / period)) + 1)


def _coarse(ground: Ground, period: float, settings: TimingSettings) -> list[tuple[float, Train]]:
    """Return the best trains of about a period, with their misfit, over phases, lengths of run and first tries."""
    times = ground.frame.times_s
    out = []
    for duty in DUTIES:
        run = duty * period
        for phase in np.arange(8) / 8 * period:
            tries = _most(times[0] + phase, period, run, times[-1])
            whole = Train(float(times[0] + phase), period, run, tries)
            out.append((ground.misfit(whole.moments()), whole))
    out.sort(key=lambda pair: pair[0])
    trimmed = []
    for _, whole in out[: settings.tries_kept]:
        for skipped in range(whole.count - LEAST_TRIES + 1):
            train = replace(whole, first_s=whole.first_s + skipped * period, count=whole.count - skipped)
            trimmed.append((ground.misfit(train.moments()), train))
    return sorted(trimmed, key=lambda pair: pair[0])[: settings.tries_kept]


def _polish(ground: Ground, train: Train, step_s: float) -> tuple[float, Train]:
    """Move start, period and run to where they explain most (simplex of Nelder and Mead 1965)."""
    last = float(ground.frame.times_s[-1])

    def made(x: np.ndarray) -> Train:
        return replace(train, first_s=float(x[0]), period_s=float(x[1]), run_s=float(x[2]))

    def cost(x: np.ndarray) -> float:
        trial = made(x)
        if not 0.5 * step_s < trial.run_s < trial.period_s - 0.5 * step_s or trial.first_s > last:
            return 2 * float((ground.rest**2).sum())
        return ground.misfit(trial.moments())

    start = np.array([train.first_s, train.period_s, train.run_s])
    reach = np.array([[0, 0, 0], [2 * step_s, 0, 0], [0, 2 * step_s / train.count, 0], [0, 0, 2 * step_s]])
    found = minimize(cost, start, method="Nelder-Mead", options={"initial_simplex": start + reach, "maxfev": 120})
    return float(found.fun), made(found.x)


def _best_counts(ground: Ground, train: Train, step_s: float) -> tuple[float, Train]:
    """Return the best train with tries added or taken away at either end."""
    best = _polish(ground, train, step_s)
    last = float(ground.frame.times_s[-1])
    for _ in range(3):
        now = best[1]
        ends = []
        for early, late in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            first = now.first_s - early * now.period_s
            trial = replace(now, first_s=first, count=now.count + early + late)
            in_view = first > ground.frame.times_s[0] and trial.count <= _most(first, now.period_s, now.run_s, last)
            if in_view and trial.count >= LEAST_TRIES:
                ends.append((ground.misfit(trial.moments()), trial))
        ends = [pair for pair in ends if pair[0] < best[0]]
        if not ends:
            break
        best = _polish(ground, min(ends, key=lambda pair: pair[0])[1], step_s)
    return best


def _price(frame: Frame, terms: int) -> float:
    """Return what a model of some columns must explain, by the Bayesian information criterion."""
    return terms * frame.values.shape[1] * float(np.log(frame.values.shape[0]))


def _single_run(ground: Ground) -> float:
    """Return what one run leaves at best, on and off tried over the whole recording, on before and on to the end."""
    times = ground.frame.times_s
    marks = np.linspace(times[0] - 1.0, times[-1] + 1.0, 24)
    pairs = [(on, off) for i, on in enumerate(marks[:-1]) for off in marks[i + 1 :]]
    return min(ground.misfit(np.array([pair])) for pair in pairs)


def _is_better(ground: Ground, train: Train, misfit: float, settings: TimingSettings) -> bool:
    """Tell whether tries explain clearly more than one run or drift do, and no try can be left out."""
    frame = ground.frame
    scale = max(1.0, misfit / frame.values.size)
    least = settings.tries_gain * scale
    moments = train.moments()
    if any(ground.misfit(np.delete(moments, i, axis=0)) - misfit < least for i in range(train.count)):
        return False
    if float((ground.rest**2).sum()) - misfit < _price(frame, len(TIME_CONSTANTS_S)) * scale + least:
        return False
    single = _single_run(ground)
    return single - misfit > max(train.count * least, settings.tries_share * single)


def saw_gain(courses: Courses, ground: Ground, train: Train) -> tuple[np.ndarray, np.ndarray]:
    """Return how much each cell follows a saw-tooth of the tries, and its error, cell noise; each ndarray (cells,).

    One answer alone, of a body of the time constant ``SAW``: sums of several may swap warming for cooling.
    """
    column = run_responses(courses.times_s, train.moments())[:, SAW : SAW + 1]
    column = column - ground.basis @ (ground.basis.T @ column)
    size = max(float(np.linalg.norm(column)), 1e-9)
    gain = (column.T @ courses.values)[0] / size @ courses.maps
    return gain, np.sqrt((courses.maps**2 * courses.white[:, None] ** 2).sum(axis=0))


def _warms(courses: Courses, ground: Ground, train: Train, settings: TimingSettings) -> bool:
    """Tell whether tries warm places: what glitters or sways cools as many, and pauses taken for tries cool all."""
    return balance(*saw_gain(courses, ground, train), sigmas=settings.tries_sigmas) > settings.purity


def try_sizes(courses: Courses, ground: Ground, train: Train, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the size of each try over their common one, and its error, each ndarray (tries,).

    ``weights`` make one level of the courses, ndarray (courses,). Each try is fitted by itself, with the shape that
    all have in common.
    """
    times, terms = courses.times_s, len(TIME_CONSTANTS_S)
    level, moments = courses.values @ weights, train.moments()
    together = np.hstack([ground.basis, run_responses(times, moments)])
    size = np.maximum(np.linalg.norm(together, axis=0), 1e-9)
    answer = (np.linalg.lstsq(together / size, level, rcond=1e-7)[0] / size)[-terms:]
    shapes = np.stack([run_responses(times, moments[i : i + 1]) @ answer for i in range(train.count)], axis=1)
    columns = np.hstack([ground.basis, shapes])
    size = np.maximum(np.linalg.norm(columns, axis=0), 1e-9)
    solver = np.linalg.pinv(columns / size, rcond=1e-9) / size[:, None]
    fitted = solver @ level
    spread = float(np.std(level - columns @ fitted)) * np.sqrt(len(level) / max(len(level) - columns.shape[1], 1))
    noise = max(spread, float(np.sqrt((weights**2 * courses.white**2).sum())))
    return fitted[-train.count :], noise * np.linalg.norm(solver[-train.count :], axis=1)


def _is_quiet_before(level: np.ndarray, times_s: np.ndarray, train: Train, settings: TimingSettings) -> bool:
    """Tell whether what the tries warm was still before the first: what sways or glitters always did."""
    early = times_s < train.first_s
    seen = times_s[early]
    if len(seen) < 3 or train.first_s - times_s[0] < settings.tries_quiet * train.period_s:
        return False
    rest = level[early] - np.polyval(np.polyfit(seen, level[early], 1), seen)
    ends = np.interp([train.first_s, train.first_s + train.run_s], times_s, level)
    first = level[(times_s >= train.first_s) & (times_s < train.first_s + train.period_s)]
    rise = max(float(ends[1] - ends[0]), float(first.max() - ends[0]) if len(first) else 0.0)
    return float(np.abs(rest).max()) < settings.tries_still * rise


def begins_cold(courses: Courses, train: Train, begun: Measured, *, settings: TimingSettings) -> bool:
    """Tell whether a train begins before a power-on that is seen by itself, where what it warms does not warm yet.

    Then it is not the supply's: its period or its start is wrong, or something else on the board comes and goes.

    Parameters
    ----------
    courses : Courses
    train : Train
    begun : Measured, s
        The first power-on among the switchings that stand out one by one.
    settings : TimingSettings
    """
    frame = frame_of(courses, settings)
    until = min(begun.low, train.first_s + train.run_s) - train.first_s
    if frame is None or until < 2 * courses.step_s:
        return False
    gain, _ = saw_gain(courses, _ground(frame, settings.tries_smooth), train)
    weights = courses.maps[:, gain > settings.source_share * float(gain.max())].mean(axis=1)
    level = courses.joined(courses.times_s, courses.values) @ weights
    starts = train.moments()[:, 0]
    rises = np.interp(starts + until, courses.times_s, level) - np.interp(starts, courses.times_s, level)
    return bool(rises[0] < settings.tries_alike * np.median(rises[1:]))


def _all_follow(courses: Courses, train: Train, gain: np.ndarray, settings: TimingSettings) -> bool:
    """Tell whether places that warm over the tries do it in tries: a load that pulses on a running board leaves others.

    ``gain`` is how much each cell follows the tries, ndarray (cells,).
    """
    values = courses.joined(courses.times_s, courses.values)
    moments = train.moments()
    before = values[courses.times_s < train.first_s].mean(axis=0)
    late = (courses.times_s >= moments[-1, 0]) & (courses.times_s <= moments[-1, 1] + train.pause_s / 2)
    rise = (values[late].mean(axis=0) - before) @ courses.maps
    warm = rise > settings.source_share * float(rise.max(initial=0.0))
    sources = gain > settings.source_share * float(gain.max(initial=0.0))
    if not (warm.any() and sources.any()):
        return False
    ratio = gain[warm] / rise[warm]
    usual = float(np.median(gain[sources] / np.maximum(rise[sources], 1e-9)))
    return bool(np.median(ratio) > settings.tries_follow * usual)


def _trimmed(
    courses: Courses, ground: Ground, found: tuple[float, Train], weights: np.ndarray, settings: TimingSettings
) -> tuple[float, Train]:
    """Take off tries at either end that are much smaller than the others: a course bends there for other reasons.

    One that may be as large as the others leaves the count open (``reason``).
    """
    misfit, train = found
    reason = ""
    for _ in range(train.count - LEAST_TRIES):
        sizes, errors = try_sizes(courses, ground, train, weights)
        weak = (sizes < settings.tries_alike) | (sizes < settings.tries_sigmas * errors)
        if not (weak[0] or weak[-1]):
            break
        end = 0 if weak[0] else -1
        if sizes[end] + 2 * errors[end] > settings.tries_alike and not reason:
            reason = f"at an end of which a try may be missing ({train.count - 1} or {train.count})"
        first = train.first_s + (train.period_s if weak[0] else 0.0)
        misfit, train = _polish(ground, replace(train, first_s=first, count=train.count - 1), courses.step_s)
    return misfit, replace(train, reason=reason)


def _with_cut_try(ground: Ground, misfit: float, train: Train, settings: TimingSettings) -> Train:
    """Return the train with a shorter try at its end where that explains more: the supply was switched off in it."""
    longer = [replace(train, count=train.count + 1, last_run_s=share * train.run_s) for share in (0.25, 0.5, 0.75)]
    costs = [ground.misfit(t.moments()) for t in longer if t.moments()[-1, 0] < ground.frame.times_s[-3]]
    least = settings.tries_cut_gain * max(1.0, misfit / ground.frame.values.size)
    return longer[int(np.argmin(costs))] if costs and misfit - min(costs) > least else train


def _slows_in_pauses(times_s: np.ndarray, level: np.ndarray, train: Train, settings: TimingSettings) -> bool:
    """Tell whether a level rises in every try, and much less, if not falls, in every pause between.

    Under constant power a body's rise slows evenly, so that it is never twice as fast in each of several tries as in
    the pause after. Tries and pauses reach the surface late by one and the same lag, which is free.
    """
    moments = train.moments()[:-1]
    for lag in np.linspace(0.0, min(settings.turn_lag_s, train.pause_s / 2), 7):
        on, off, after = (np.interp(m + lag, times_s, level) for m in (*moments.T, moments[:, 0] + train.period_s))
        up, down = (off - on) / train.run_s, (after - off) / train.pause_s
        if (up > 0).all() and (down < settings.tries_slow * up).all():
            return True
    return False


def _all_alike(courses: Courses, ground: Ground, train: Train, weights: np.ndarray, settings: TimingSettings) -> bool:
    """Tell whether every try, fitted by itself, stands out and is about as large as the others."""
    sizes, errors = try_sizes(courses, ground, train, weights)
    low, high = settings.tries_alike, 1 / settings.tries_alike
    return bool((sizes > settings.tries_sigmas * errors).all() and (sizes > low).all() and (sizes < high).all())


def _errors_of(ground: Ground, train: Train, misfit: float, step_s: float) -> tuple[float, float, float]:
    """Return standard errors of start, period and run, s, from how the misfit grows about its least (chi-square)."""
    scale = max(1.0, misfit / ground.frame.values.size)
    at = np.array([train.first_s, train.period_s, train.run_s])
    reach = step_s * np.array([0.5, 0.5 / train.count, 0.5])
    eye = np.eye(3) * reach

    def cost(x: np.ndarray) -> float:
        return ground.misfit(Train(float(x[0]), float(x[1]), float(x[2]), train.count).moments())

    bend = np.zeros((3, 3))
    for i in range(3):
        for k in range(i, 3):
            corners = [cost(at + a * eye[i] + b * eye[k]) for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1))]
            bend[i, k] = bend[k, i] = (corners[0] - corners[1] - corners[2] + corners[3]) / (4 * reach[i] * reach[k])
    sizes, turn = np.linalg.eigh(bend / (2 * scale))
    spread = (turn**2 / np.maximum(sizes, 1e-3 * max(float(sizes.max()), 1.0))).sum(axis=1)
    return tuple(float(v) for v in np.sqrt(spread))  # type: ignore[return-value]


def find_tries(courses: Courses, *, settings: TimingSettings) -> Train | None:
    """Find the tries of a supply that starts again and again.

    Parameters
    ----------
    courses : Courses
    settings : TimingSettings

    Returns
    -------
    Train or None
        None where one run, or none, explains the courses about as well.

    Notes
    -----
    All tries share one answer a course (sums of exponentials), one length and one period, which needs far fewer terms
    than a moment for each switching. Likely periods come from a periodogram. Believed are three tries or more that
    explain clearly more than one run, each of which counts and is as large as the others, that begin after a quiet
    time, and that all places follow which warm. Not valid for tries of unlike lengths.
    """
    frame = frame_of(courses, settings)
    if frame is None or len(frame.times_s) < settings.tries_samples:
        return None
    ground = _ground(frame, settings.tries_smooth)
    starts = [pair for period in likely_periods(frame, settings=settings) for pair in _coarse(ground, period, settings)]
    starts = sorted((pair for pair in starts if _warms(courses, ground, pair[1], settings)), key=lambda pair: pair[0])
    if not starts or starts[0][0] > settings.tries_hopeless * _single_run(ground):
        return None
    found = [_best_counts(ground, train, courses.step_s) for _, train in starts[: settings.tries_kept]]
    found = sorted((pair for pair in found if _warms(courses, ground, pair[1], settings)), key=lambda pair: pair[0])
    if not found:
        return None
    gain, _ = saw_gain(courses, ground, found[0][1])
    weights = courses.maps[:, gain > settings.source_share * float(gain.max())].mean(axis=1)
    misfit, train = _trimmed(courses, ground, found[0], weights, settings)
    if not (_is_better(ground, train, misfit, settings) and _all_alike(courses, ground, train, weights, settings)):
        return None
    if not _is_heat(courses, train, gain, weights, settings):
        return None
    train = replace(train, sigmas_s=_errors_of(ground, train, misfit, courses.step_s))
    reason = train.reason or _why_uncounted(train, misfit, found, ground, courses, settings)
    return replace(_with_cut_try(ground, misfit, train, settings), reason=reason)


def _is_heat(courses: Courses, train: Train, gain: np.ndarray, weights: np.ndarray, settings: TimingSettings) -> bool:
    """Tell whether what follows the tries is heat of the board's power: still before, slow in pauses, everywhere."""
    level = courses.joined(courses.times_s, courses.values) @ weights
    if train.pause_s < settings.tries_pause * courses.step_s:
        return False
    if not _is_quiet_before(level, courses.times_s, train, settings):
        return False
    return _slows_in_pauses(courses.times_s, level, train, settings) and _all_follow(courses, train, gain, settings)


def _why_uncounted(
    train: Train,
    misfit: float,
    found: list[tuple[float, Train]],
    ground: Ground,
    courses: Courses,
    settings: TimingSettings,
) -> str:
    """Say why tries that are seen cannot be counted; empty where they can."""
    least = settings.tries_frames * courses.step_s
    if train.period_s < least:
        return f"faster than about {least:.2g} s, too fast for the frames of this recording"
    close = misfit + settings.tries_gain * max(1.0, misfit / ground.frame.values.size)
    others = sorted({t.count for m, t in found if m < close and abs(t.period_s - train.period_s) > courses.step_s})
    return f"at a period of which {train.count} or {others[0]} tries explain about as much" if others else ""


def with_tries(timing: Timing, train: Train | None, times_s: np.ndarray, *, settings: TimingSettings) -> Timing:
    """Return the timing with the tries of a supply, where there are any.

    Parameters
    ----------
    timing : Timing
        Of the temperatures, each switching found by itself.
    train : Train or None
    times_s : ndarray of shape (samples,), s
    settings : TimingSettings

    Returns
    -------
    Timing
        Moments, run time and pauses of the tries, told in ``warnings``; or no count, and why not.
    """
    if train is None:
        return timing
    if train.reason:
        said = f"the supply tries again and again, {train.reason}: restarts are not counted"
        return replace(timing, restarts=None, warnings=(*timing.warnings, said))
    step_s = float(np.median(np.diff(times_s)))
    wide = 1.96 * np.array(train.sigmas_s) + settings.moment_slack * step_s
    half = float(wide[2]) + settings.moment_slack * step_s + settings.moment_lag_s
    run = Measured(train.run_s, max(train.run_s - half, 0.0), train.run_s + half)
    pause = Measured(train.pause_s, max(train.pause_s - half, 0.0), train.pause_s + half)
    what = "the supply tries again and again" if train.run_s < LONGEST_TRY_S else "the board is switched on repeatedly"
    said = (
        f"{what}: {train.count} times, each on for {run.value:.2f} s ({run.low:.2f} to "
        f"{run.high:.2f}), pauses of {pause.value:.2f} s ({pause.low:.2f} to {pause.high:.2f})"
    )
    timing = replace(timing, warnings=(*timing.warnings, said))
    if timing.on_s is not None and timing.restarts == train.count - 1:
        return timing
    ups = []
    late = max(settings.moment_lags_s) + settings.moment_lag_s
    for number, (on, off) in enumerate(train.moments()):
        early = float(np.hypot(wide[0], number * 1.96 * train.sigmas_s[1]))
        ends = float(np.hypot(early, half))
        begun = Measured(float(on), float(on) - early - late, float(on) + early + settings.moment_lead_s)
        ended = Measured(float(off), float(off) - ends - settings.moment_lag_s, float(off) + ends)
        ups.append(PowerUp(begun, ended if off < times_s[-1] - step_s else None))
    return replace(
        timing,
        on_s=ups[0].on_s,
        off_s=ups[0].off_s,
        on_why="",
        off_why="" if ups[0].off_s is not None else timing.off_why,
        power_ups=tuple(ups),
        restarts=train.count - 1,
    )
