"""Power-on, power-off and restarts of the board in a recording, from temperatures and the supply log."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import ndimage

from thermscan.measure.power_cells import CellSeries, standing_out, step_moments
from thermscan.measure.power_courses import Courses, find_courses
from thermscan.measure.power_edges import explains_as_well, find_edges, unproven_edges
from thermscan.measure.power_glints import comes_back, ends_warmer, is_glow, is_one_board, next_on_s, warms_on
from thermscan.measure.power_log import IN_BURSTS, ON_BEFORE, STILL_ON, logged_on, with_log
from thermscan.measure.power_moment import Switch, balance, first_slopes, refine_moment, slope_maps
from thermscan.measure.power_onset import earlier_onset
from thermscan.measure.power_passing import bridged, find_passing, visit_spans
from thermscan.measure.power_tries import begins_cold, find_tries, with_tries
from thermscan.measure.power_turns import count_bursts, find_turns, source_level
from thermscan.measure.power_warm import has_warmed, is_joined
from thermscan.model.camera_events import CameraState
from thermscan.model.quantity import Measured
from thermscan.model.recording import Recording
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import PowerUp, Timing, too_few_words

DEFAULTS = TimingSettings()
NOT_SEEN = "not_seen"
NO_OFF = f"{NOT_SEEN}: without a power-on no power-off is taken for the first"
WARM_FIRST = f"{ON_BEFORE}: places warm from the first frame on"
GOES_ON = f"{NOT_SEEN}: places cool for a while, as when the power goes off, yet others warm on"
COMES_AND_GOES = f"{STILL_ON}: a load comes and goes, yet other places warm on"
_MOST = 0.5  # of the cells, that must be left
_FEW = 7  # samples whose median is a level


def find_power(
    recording: Recording, camera: CameraState, cells: CellSeries | None, *, settings: TimingSettings = DEFAULTS
) -> Timing:
    """Find when the board was switched on and off.

    Parameters
    ----------
    recording : Recording
        Frames in degrees Celsius or counts, with ``times_s``; ``facts.supply`` is used where present.
    camera : CameraState
        Common offset, unusable frames and steps of the camera.
    cells : CellSeries or None
        Places followed through the recording (``sample_cells``), all of them or those on the board alone.
    settings : TimingSettings

    Returns
    -------
    Timing
        Moments on the recording's own clock with 95 % intervals, or the reasons why they are not known.

    Notes
    -----
    Moments are found on the few courses that all places share (``find_courses``, ``find_edges``), each refined below
    a frame (``refine_moment``), and read as runs by what warms and cools at them (``read_runs``). Not valid when the
    whole view is covered by something that moves.
    """
    if recording.times_s is None:
        why = f"{NOT_SEEN}: {recording.times_why or 'no frame times are known'}"
        return Timing(on_why=why, off_why=why)
    if recording.frames < settings.samples_min:
        why = f"{NOT_SEEN}: {too_few_words(recording.times_s, int(settings.samples_min))}"
        return with_log(Timing(on_why=why, off_why=why), recording, settings)
    breaks_s = step_moments(recording, camera, settings=settings)
    logged = logged_on(recording.facts.supply, settings=settings)
    timing = find_in_cells(cells, breaks_s, logged=logged, settings=settings)
    return with_log(timing, recording, settings)


def find_in_cells(
    cells: CellSeries | None,
    breaks_s: np.ndarray,
    *,
    logged: Measured | None = None,
    settings: TimingSettings = DEFAULTS,
) -> Timing:
    """Find when the board was switched from the time courses of its places alone.

    Parameters
    ----------
    cells : CellSeries or None
        None gives the reason instead of a time.
    breaks_s : ndarray of shape (steps,), s
        Moments at which the camera stepped.
    logged : Measured, s, optional
        Power-on of a supply log: the interval reaches as far as this where the temperatures allow it as well.
    settings : TimingSettings
    """
    if cells is None:
        why = f"{NOT_SEEN}: too few frames or places could be followed"
        return Timing(on_why=why, off_why=why)
    timing = _of_all_and_lone(cells, breaks_s, logged, settings)
    if logged is None and timing.on_s is not None and has_warmed(cells, timing.on_s, timing.off_s, settings=settings):
        return warm_first(timing.visits)
    return timing


def warm_first(visits: tuple[tuple[float, float], ...] = ()) -> Timing:
    """Return the timing of a board that warms from the first frame on."""
    return Timing(on_why=WARM_FIRST, off_why=NO_OFF, visits=visits)


def _of_all_and_lone(
    cells: CellSeries, breaks_s: np.ndarray, logged: Measured | None, settings: TimingSettings
) -> Timing:
    """Return the timing that all places together, or the few that stand out, tell."""
    timing, lone = _read_cells(cells, breaks_s, logged, settings), standing_out(cells, settings=settings)
    if lone is None:
        return timing
    alone = replace(_read_cells(lone, breaks_s, logged, settings), visits=timing.visits)
    if timing.on_why.startswith(ON_BEFORE) and not _is_quiet_before(cells, lone, alone.on_s, settings):
        return timing
    if alone.on_s is not None and np.sum(cells.times_s < alone.on_s.low) < _FEW and timing.on_s is not None:
        return timing  # a few samples do not tell what places did before
    return _surer(timing, alone, settings)


def _is_quiet_before(cells: CellSeries, lone: CellSeries, on_s: Measured | None, settings: TimingSettings) -> bool:
    """Tell whether what stands out before a power-on is little beside what does in the end.

    What drifts over the whole picture may look like places that warm from the first frame on; on a board that was on
    before, some place has changed by much before a later one starts.
    """
    early = np.zeros(0, bool) if on_s is None else cells.times_s < on_s.low
    if early.sum() < _FEW:
        return False
    before = standing_out(replace(cells, times_s=cells.times_s[early], values=cells.values[early]), settings=settings)
    return before is None or _range(before) < settings.kept_share * _range(lone)


def _range(lone: CellSeries) -> float:
    """Return the largest range of what stands out, unit of the cells."""
    return float(np.ptp(ndimage.uniform_filter1d(lone.values, 5, axis=0), axis=0).max())


def _surer(timing: Timing, lone: Timing, settings: TimingSettings) -> Timing:
    """Return what is believed of all places together, and of the few that stand out, each read by itself.

    These start and stop sharply: where only they show a power-on, or the two exclude each other, theirs holds; so it
    does where they warm from the first frame on. Parts of a board may start up to ``stagger_s`` one after another.
    """
    if lone.on_why == WARM_FIRST:
        return lone
    if lone.on_s is None:
        return timing
    if timing.on_s is None:
        return lone
    apart = max(timing.on_s.low - lone.on_s.high, lone.on_s.low - timing.on_s.high)
    is_alike = apart <= settings.stagger_s
    return timing if is_alike else lone


def _read_cells(cells: CellSeries, breaks_s: np.ndarray, logged: Measured | None, settings: TimingSettings) -> Timing:
    passed, reaching = find_passing(cells, breaks_s, settings=settings)
    visits = visit_spans(cells, reaching, settings=settings)
    clear = bridged(cells, passed)
    timing = _read(find_courses(clear, breaks_s, settings=settings), logged, visits, settings)
    if timing.off_s is not None and warms_on(clear, timing.off_s, next_on_s(timing), settings=settings):
        timing, clear = _without_glow(timing, clear, breaks_s, logged, settings)
        again_s = next_on_s(timing)  # infinite without a power-off
        if np.isfinite(again_s) and warms_on(clear, timing.off_s, again_s, settings=settings):
            ups = (PowerUp(timing.on_s, None),) if timing.on_s else ()
            timing = replace(timing, off_s=None, off_why=COMES_AND_GOES, power_ups=ups, restarts=0)
    return replace(timing, visits=visits)


def _without_glow(
    timing: Timing, cells: CellSeries, breaks_s: np.ndarray, logged: Measured | None, settings: TimingSettings
) -> tuple[Timing, CellSeries]:
    """Read the timing again from the cells that end no cooler than they began, and return them with it.

    The glow of a visitor went with the places that cool: what begins now, begins on the board.
    """
    kept = ends_warmer(cells)
    if kept.all():
        return timing, cells
    rest = replace(cells, values=cells.values[:, kept], noise=cells.noise[kept], places=cells.places[kept])
    again = Timing()
    if kept.mean() >= _MOST:
        again = _read(find_courses(rest, breaks_s, settings=settings), logged, (), settings)
    return (again if again.on_s is not None else Timing(on_why=GOES_ON, off_why=GOES_ON)), rest


def _read(
    courses: Courses, logged: Measured | None, visits: Sequence[tuple[float, float]], settings: TimingSettings
) -> Timing:
    """Read the timing from what is left when all that passed is bridged.

    What comes or goes while something passes, before anything warms for good, is its glow in the board.
    """
    switches = read_switches(courses, settings=settings)
    while switches and is_glow(courses, switches[0], visits, settings=settings):
        switches = switches[1:]
    timing, train = _seen(courses, switches, settings), find_tries(courses, settings=settings)
    if train is not None and (timing.on_s is None or not begins_cold(courses, train, timing.on_s, settings=settings)):
        return with_tries(timing, train, courses.times_s, settings=settings)
    if logged is not None:
        timing = _as_logged(timing, logged, courses, switches, settings)
    return _with_bursts(timing, courses, switches, settings)


def _as_logged(
    timing: Timing, logged: Measured, courses: Courses, switches: Sequence[Switch], settings: TimingSettings
) -> Timing:
    """Widen power-on to a logged moment that explains the temperatures about as well as the one found in them."""
    seen = timing.on_s
    if seen is None or (seen.low <= logged.high and logged.low <= seen.high):
        return timing
    moments = [s.at_s.value for s in switches]
    is_late = 0.0 < seen.low - logged.high <= settings.log_early_s  # heat comes after the current, and weak loads first
    if not is_late and not explains_as_well(courses, moments, seen.value, logged.value, settings=settings):
        return timing
    wide = Measured(seen.value, min(seen.low, logged.low), max(seen.high, logged.high))
    ups = timing.power_ups
    return replace(timing, on_s=wide, power_ups=(replace(ups[0], on_s=wide), *ups[1:]) if ups else ups)


def _with_bursts(timing: Timing, courses: Courses, switches: Sequence[Switch], settings: TimingSettings) -> Timing:
    """Take back the count of restarts where the board warms in bursts that no switching found explains."""
    first = next((s for s in switches if timing.on_s is not None and s.at_s.value == timing.on_s.value), None)
    if first is None or timing.restarts != 0:
        return timing
    bursts = count_bursts(courses, first.maps.change, first.at_s.value, settings=settings)
    if bursts < settings.least_bursts:
        return timing
    return replace(timing, restarts=None, warnings=(*timing.warnings, f"the board warms in {bursts} {IN_BURSTS}"))


def read_switches(courses: Courses, *, settings: TimingSettings) -> tuple[Switch, ...]:
    """Find the moments, refine each, and see what warms or cools at it."""
    edges = find_edges(courses, settings=settings)
    switches = _switches_at(courses, edges, settings)
    if switches and switches[0].balance < -settings.purity and _begins_in_view(courses, switches[0], settings):
        # the power that goes here came within the recording: the first moment that pays and warms places is believed
        begun = [e for e in unproven_edges(courses, settings=settings) if e < switches[0].at_s.low]
        for edge in begun[:1]:
            more = _switches_at(courses, (edge, *edges), settings)
            if more[0].balance > settings.purity:
                edges, switches = (edge, *edges), more
    first = next((s for s in switches if s.balance > settings.purity), None)
    if first is None:
        return switches
    number = switches.index(first)
    after = edges[number - 1] if number else -np.inf
    onset = earlier_onset(courses, first.at_s.low, after, first.maps, settings=settings)
    if onset is not None:
        edges = (*edges[:number], onset, *edges[number + 1 :])
        switches = _switches_at(courses, edges, settings)
        first = switches[number]
    turns = find_turns(courses, first.maps.change, first.at_s.value, edges, settings=settings)
    return _switches_at(courses, tuple(sorted((*edges, *turns))), settings) if turns else switches


def _switches_at(courses: Courses, edges: tuple[float, ...], settings: TimingSettings) -> tuple[Switch, ...]:
    """Refine each moment, and see what warms or cools at it."""
    bounds = (-np.inf, *edges, np.inf)
    switches = []
    for i, edge in enumerate(edges, start=1):
        between = (bounds[i - 1], bounds[i + 1])
        # a moment right after it mends the shape of a fast part's answer, and must not hide that answer
        after = next(b for b in bounds[i + 1 :] if b > edge + settings.close_steps * courses.step_s)
        maps = slope_maps(courses, edge, between, settings=settings)
        warms = balance(maps.change, maps.error, sigmas=settings.source_sigmas) > 0
        # rails come up one after another and heat comes out late; power goes everywhere at once
        lags = settings.moment_lags_s if warms else (0.0,)
        at = refine_moment(courses, edge, (bounds[i - 1], after), lags, settings=settings)
        maps = slope_maps(courses, at.value, between, settings=settings)
        switches.append(Switch(at, balance(maps.change, maps.error, sigmas=settings.source_sigmas), maps))
    return tuple(switches)


def share_taken(off: Switch, made: np.ndarray, settings: TimingSettings) -> float:
    """Return the share of the heat made so far, cell noise per second a cell, that a switch takes away.

    Median over the cells that warmed most.
    """
    sources = made > max(settings.source_share * float(made.max(initial=0.0)), 1e-12)
    return float(np.median(-off.maps.change[sources] / made[sources])) if sources.any() else 0.0


def is_heat(courses: Courses, switches: Sequence[Switch], off: Measured | None, settings: TimingSettings) -> bool:
    """Tell whether what warms at the first switch behaves like a heated body: it keeps its heat, and cools slowly.

    A hand or a reflection that comes and goes is gone at once and leaves nothing.
    """
    first = next(s for s in switches if s.balance > settings.purity)
    change = first.maps.change
    sources = change > settings.source_share * float(change.max(initial=0.0))
    level = courses.values @ courses.maps[:, sources].mean(axis=1)
    times = courses.times_s
    quiet = times < first.at_s.low
    level = level - (level[quiet].mean() if quiet.any() else level[0])
    peak = float(level.max())
    if off is None:
        return bool(np.median(level[-3:]) > settings.kept_share * peak)
    later = (times >= off.value + 1.0) & (times <= off.value + 1.5)
    return not later.any() or bool(np.median(level[later]) > settings.cooled_share * peak)


def read_runs(
    courses: Courses, switches: Sequence[Switch], *, settings: TimingSettings
) -> list[tuple[Measured | None, Measured | None]]:
    """Read switches as runs: on from the first warming, off where most of what warmed begins to cool.

    A first switch that cools, by enough beside what is made later, ends a run that began before the recording. Later
    warming is a stage of the same start. What only stops rising (a small part that is warm already) is no power-off.
    """
    most = max((_size(s) for s in switches), default=0.0)
    runs: list[tuple[Measured | None, Measured | None]] = []
    start: Measured | None = None
    made: np.ndarray | None = None
    for number, switch in enumerate(switches):
        if made is None:
            if switch.balance > settings.purity:
                start, made = switch.at_s, switch.maps.change
            elif number == 0 and _ends_a_run(courses, switch, most, _next_s(switches, number), settings):
                runs.append((None, switch.at_s))
            continue
        is_off = switch.balance < -settings.purity and share_taken(switch, made, settings) > settings.off_share
        if is_off and _falls(courses, switch, made, _next_s(switches, number), settings):
            runs.append((start, switch.at_s))
            start, made = None, None
        else:
            made = made + switch.maps.change
    if made is not None:
        runs.append((start, None))
    return runs


def _size(switch: Switch) -> float:
    return float(np.quantile(np.abs(switch.maps.change), 0.99))


def _warmed_before(courses: Courses, first: Switch, settings: TimingSettings) -> bool:
    """Tell whether the cells that a switch heats had warmed before it, as from a power-on not found."""
    level, noise = source_level(courses, first.maps.change, settings=settings)
    early = level[courses.times_s < first.at_s.low]
    if len(early) < 3:
        return False
    rise = float((early - np.minimum.accumulate(early)).max())
    return rise > max(settings.kept_share * float(np.ptp(level)), settings.turn_sigmas * noise)


def _ends_a_run(courses: Courses, first: Switch, most: float, until_s: float, settings: TimingSettings) -> bool:
    """Tell whether the first switch ends a run that began before: what cools falls, what was warming warms no more.

    ``most`` is the size of the largest switch. A part of a running board that is switched off leaves others warming.
    """
    if first.balance >= -settings.purity or _size(first) <= settings.before_share * most:
        return False
    early, error = first_slopes(courses, first.at_s.low, settings=settings)
    warming = balance(early, error, sigmas=settings.source_sigmas) > settings.purity
    if warming and share_taken(first, np.maximum(early, 0.0), settings) <= settings.off_share:
        return False
    if comes_back(courses, -first.maps.change, first.at_s.low, until_s, settings):
        return False
    return _falls(courses, first, -first.maps.change, until_s, settings)


def _next_s(switches: Sequence[Switch], number: int) -> float:
    """Return when the switch after the given one may begin at the earliest, s; infinite for the last."""
    return switches[number + 1].at_s.low if number + 1 < len(switches) else np.inf


def _falls(courses: Courses, off: Switch, made: np.ndarray, until_s: float, settings: TimingSettings) -> bool:
    """Tell whether the cells that warmed most lose heat after a switch, up to the next one at ``until_s``.

    ``made`` is as for ``share_taken``, or what the switch takes away where nothing was seen to be made.
    """
    sources = made > max(settings.source_share * float(made.max(initial=0.0)), 1e-12)
    times = courses.times_s
    start, stop = off.at_s.high, off.at_s.high + settings.slope_s
    after = (times >= start) & (times <= stop)
    own = after & (times <= until_s)
    late = own & (times >= (start + min(stop, until_s)) / 2)  # a body goes on warming for a moment
    after = next((some for some in (late, own) if some.sum() >= 3), after)
    if after.sum() < 3 or not sources.any():
        return True
    level = courses.values[after] @ courses.maps[:, sources]
    slopes = np.polyfit(times[after] - times[after][0], level, 1)[0]
    return bool(np.median(slopes / made[sources]) < -settings.fall_share)


def _seen(courses: Courses, switches: tuple[Switch, ...], settings: TimingSettings) -> Timing:
    """Write the timing from the temperatures alone."""
    runs = read_runs(courses, switches, settings=settings)
    if len(runs) > 1 and runs[0][0] is None:
        off, on = (next(s.maps.change for s in switches if s.at_s is at) for at in (runs[0][1], runs[1][0]))
        runs = runs if is_one_board(-off, on, settings=settings) else runs[1:]  # else what went was a reflection
    if runs and runs[0][0] is not None and not is_heat(courses, switches, runs[0][1], settings):
        runs = []
    if runs and runs[0][0] is not None:
        begun = next(s for s in switches if s.at_s is runs[0][0])
        if _warmed_before(courses, begun, settings):
            why = f"{NOT_SEEN}: places had warmed before the first moment that stands out"
            return Timing(on_why=why, off_why=NO_OFF)
    if not runs:
        return _nothing_seen(courses, switches, settings)
    first_on, first_off = runs[0]
    on_why = "" if first_on else _why_no_start(courses, switches[0], settings)
    off_why = "" if first_off else f"{STILL_ON}: nothing begins to cool before the recording ends"
    warm_start = False
    if first_on is not None:
        maps = next(s for s in switches if s.at_s is first_on).maps
        early, error = first_slopes(courses, first_on.low, settings=settings)
        trend = balance(early, error, sigmas=settings.source_sigmas)
        size = float(np.quantile(np.abs(early), 0.99) / max(np.quantile(np.abs(maps.change), 0.99), 1e-12))
        warm_start = trend < -settings.purity and _left_share(early, maps.change, settings) > settings.history_share
        if trend > settings.purity and size > settings.before_share and _keeps(courses, early, first_off, settings):
            on_why, first_on = WARM_FIRST, None
    ups = tuple(PowerUp(on, off) for on, off in runs if on is not None and not (on_why and on is runs[0][0]))
    return Timing(first_on, first_off, on_why, off_why, ups, len(runs) - 1, warm_start=warm_start)


def _begins_in_view(courses: Courses, off: Switch, settings: TimingSettings) -> bool:
    """Tell whether what a power-off cools was still at first and warmed later, so that the power came in view."""
    early, error = first_slopes(courses, off.at_s.low, settings=settings)
    still = balance(early, error, sigmas=settings.source_sigmas) <= settings.purity
    return still and _warmed_before(courses, replace(off, maps=replace(off.maps, change=-off.maps.change)), settings)


def _why_no_start(courses: Courses, off: Switch, settings: TimingSettings) -> str:
    """Say why a run whose end is seen shows no start: on before, or begun at no moment that stands out."""
    if _begins_in_view(courses, off, settings):
        return f"{NOT_SEEN}: places began to warm at no moment that stands out"
    return f"{ON_BEFORE}: the first change seen is the power going off"


def _left_share(early: np.ndarray, change: np.ndarray, settings: TimingSettings) -> float:
    """Return how fast the sources cool before power-on, more than the view does, over how they warm at it.

    ``early`` and ``change`` are slopes, ndarray (cells,). An earlier run leaves its heat where this one makes it; the
    room and a drifting camera do not.
    """
    sources = change > settings.source_share * float(change.max(initial=0.0))
    if not sources.any():
        return 0.0
    return float(np.median((np.median(early) - early[sources]) / change[sources]))


def _keeps(courses: Courses, gain: np.ndarray, off: Measured | None, settings: TimingSettings) -> bool:
    """Tell whether the cells that gain most stay warm until the power goes: what sways or glitters comes back.

    ``gain`` is the slope of the first second, ndarray (cells,), any unit.
    """
    warm = gain > settings.source_share * float(gain.max(initial=0.0))
    until = courses.times_s <= (np.inf if off is None else off.low)
    level = ndimage.uniform_filter1d((courses.values @ courses.maps[:, warm].mean(axis=1))[until], 3)
    first = int((courses.times_s[until] <= courses.times_s[0] + settings.slope_s).sum())
    if first >= len(level):
        return True
    return bool((level[first:] - level[0]).min() > settings.kept_share * (level[first - 1] - level[0]))


def _warms_at_once(courses: Courses, gain: np.ndarray, settings: TimingSettings) -> bool:
    """Tell whether the cells that gain most, ndarray (cells,), did so from the start: not in a later stretch alone."""
    warm = gain > settings.source_share * float(gain.max(initial=0.0))
    level = courses.values @ courses.maps[:, warm].mean(axis=1)
    tenth = max(3, len(level) // 10)
    start, end = level[:tenth].mean(), level[-tenth:].mean()
    quarter = len(level) // 4
    reached = level[max(quarter - tenth // 2, 0) : quarter + tenth // 2 + 1].mean()
    return bool(reached - start > settings.at_once_share * 0.25 * (end - start))


def _nothing_seen(courses: Courses, switches: tuple[Switch, ...], settings: TimingSettings) -> Timing:
    """Say why no switching was found: already on and warming all along, or nothing that tells."""
    if courses.values.shape[1] and not switches:
        tenth = max(3, len(courses.times_s) // 10)
        gain = (courses.values[-tenth:].mean(axis=0) - courses.values[:tenth].mean(axis=0)) @ courses.maps
        error = np.sqrt((courses.maps**2).sum(axis=0) * 2 / tenth)
        is_warming = balance(gain, error, sigmas=settings.lone_sigmas) > settings.lone_purity
        is_heat_seen = is_joined(gain, courses.places, settings) and _warms_at_once(courses, gain, settings)
        if is_warming and is_heat_seen:
            return Timing(
                on_why=WARM_FIRST,
                off_why=f"{STILL_ON}: places warm and nothing begins to cool",
            )
    return Timing(
        on_why=f"{NOT_SEEN}: no moment at which places begin to warm stands out",
        off_why=f"{NOT_SEEN}: no moment at which places begin to cool stands out",
    )
